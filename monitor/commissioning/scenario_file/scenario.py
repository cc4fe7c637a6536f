"""A scenario file in ASAM OpenSCENARIO XML: its entities, and its events with their start triggers as they stand there.

Vocabulary and structure after the standard's schema, 1.0 to 1.3: a trigger is one condition group or another, a group
is all of its conditions. What an expression in `${…}` comes to is not worked out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from monitor.commissioning.scenario_file.elements import Element, read_elements
from monitor.errors import ScenarioFaults
from monitor.tables.faults import quoted

OWN_NAMES = ("ego", "own", "host", "subject", "hero", "egovehicle", "ego_vehicle", "sv", "vut")
"""Names that scenario files give the own car (common practice, no source), in lower case."""


@dataclass(frozen=True, slots=True)
class Entity:
    """A vehicle or pedestrian of the file. The box is from the reference point; None where the file has none."""

    name: str
    length_m: float | None = None
    centre_x_m: float | None = None
    """Centre of the box ahead of the reference point (for a vehicle the rear axle)."""

    @property
    def front_m(self) -> float | None:
        """From the reference point to the front end."""
        if self.length_m is None or self.centre_x_m is None:
            return None
        return self.centre_x_m + 0.5 * self.length_m


@dataclass(frozen=True, slots=True)
class ScriptCondition:
    """A condition as the file has it: its kind, what it is asked of, and its attributes (parameters put in)."""

    name: str
    kind: str
    edge: str
    delay: str
    attributes: Mapping[str, str]
    line: int
    entities: tuple[str, ...] = ()
    """Triggering entities; empty for a condition by value."""
    entity_rule: str = "any"
    position: Element | None = None
    target: str | None = None
    """The other entity, where the kind has one."""


@dataclass(frozen=True, slots=True)
class ScriptEvent:
    """An event and when it starts."""

    name: str
    where: str
    """Story, act and manoeuvre, for a sentence."""
    line: int
    groups: tuple[tuple[ScriptCondition, ...], ...]
    act_groups: tuple[tuple[ScriptCondition, ...], ...]
    """The start trigger of the act about it; empty where it has none."""
    executions: int | None
    actors: tuple[str, ...]
    decel_mps2: float | None
    """The rate of a speed action to a lower speed, as the file states it."""


@dataclass(frozen=True, slots=True)
class ScenarioFile:
    """What of a scenario file bears on when its events start."""

    path: str
    description: str
    version: str
    entities: Mapping[str, Entity]
    events: tuple[ScriptEvent, ...]
    remarks: tuple[str, ...] = field(default=())

    @property
    def own(self) -> str | None:
        """The entity that is the own car, by its name; None where no name tells."""
        named = [name for name in self.entities if name.lower() in OWN_NAMES]
        return named[0] if len(named) == 1 else None


def load_scenario_file(path: Path | str) -> ScenarioFile:
    """The scenario in a file. Raises `ScenarioFaults` where it cannot be read, or is none."""
    root = read_elements(path)
    name = str(path)
    if root.tag != "OpenSCENARIO":
        found = f"found {quoted(root.tag)}"
        raise ScenarioFaults(name, (f"line {root.line}: expected the element OpenSCENARIO, {found}.",))
    if root.child("Storyboard") is None:
        hint = "a catalog or a parameter value distribution is no scenario"
        raise ScenarioFaults(name, (f"line {root.line}: expected a Storyboard, found none; {hint}.",))
    return _Making(name, root).scenario()


class _Making:
    def __init__(self, path: str, root: Element) -> None:
        self._path, self._root = path, root
        self._remarks: list[str] = []
        self._parameters = {
            one.attributes.get("name", ""): one.attributes.get("value", "")
            for one in root.everywhere("ParameterDeclaration")
        }

    def scenario(self) -> ScenarioFile:
        header = self._root.child("FileHeader")
        about = {} if header is None else header.attributes
        board = self._root.child("Storyboard")
        assert board is not None
        events = tuple(
            self._event(event, manoeuvre, act, story)
            for story in board.all("Story")
            for act in story.all("Act")
            for group in act.all("ManeuverGroup")
            for manoeuvre in group.all("Maneuver")
            for event in manoeuvre.all("Event")
        )
        if next(self._root.everywhere("CatalogReference"), None) is not None:
            self._remarks.append(
                "The file refers to catalogs, which are not read: what stands in them is not compared."
            )
        return ScenarioFile(
            self._path,
            about.get("description", ""),
            f"{about.get('revMajor', '?')}.{about.get('revMinor', '?')}",
            {entity.name: entity for entity in map(self._entity, self._root.everywhere("ScenarioObject"))},
            events,
            tuple(self._remarks),
        )

    def _put_in(self, value: str) -> str:
        """A value with a `$parameter` put in; others stay as they are."""
        if value.startswith("$") and not value.startswith("${"):
            return self._parameters.get(value[1:], value)
        return value

    def _attributes(self, element: Element) -> dict[str, str]:
        return {name: self._put_in(value) for name, value in element.attributes.items()}

    def _entity(self, scenario_object: Element) -> Entity:
        name = scenario_object.attributes.get("name", "")
        box = next(scenario_object.everywhere("BoundingBox"), None)
        if box is None:
            return Entity(name)
        centre, size = box.child("Center"), box.child("Dimensions")
        return Entity(
            name,
            None if size is None else number(self._put_in(size.attributes.get("length", ""))),
            None if centre is None else number(self._put_in(centre.attributes.get("x", ""))),
        )

    def _event(self, event: Element, manoeuvre: Element, act: Element, story: Element) -> ScriptEvent:
        parts = [one.attributes.get("name", "?") for one in (story, act, manoeuvre)]
        executions = number(self._put_in(event.attributes.get("maximumExecutionCount", "1")))
        group = next((one for one in act.all("ManeuverGroup") if manoeuvre in one.children), None)
        actors = (
            () if group is None else tuple(one.attributes.get("entityRef", "") for one in group.everywhere("EntityRef"))
        )
        return ScriptEvent(
            event.attributes.get("name", ""),
            " / ".join(parts),
            event.line,
            self._trigger(event.child("StartTrigger")),
            self._trigger(act.child("StartTrigger")),
            None if executions is None else int(executions),
            actors[:1],
            self._decel(event),
        )

    def _decel(self, event: Element) -> float | None:
        """The rate with which a speed action slows down, in m/s²; None where the event has none."""
        for action in event.everywhere("SpeedAction"):
            dynamics = action.child("SpeedActionDynamics")
            if dynamics is not None and dynamics.attributes.get("dynamicsDimension") == "rate":
                return number(self._put_in(dynamics.attributes.get("value", "")))
        return None

    def _trigger(self, trigger: Element | None) -> tuple[tuple[ScriptCondition, ...], ...]:
        groups = [] if trigger is None else trigger.all("ConditionGroup")
        return tuple(tuple(self._condition(one) for one in group.all("Condition")) for group in groups)

    def _condition(self, condition: Element) -> ScriptCondition:
        about = self._attributes(condition)
        by_entity, by_value = condition.child("ByEntityCondition"), condition.child("ByValueCondition")
        entities: tuple[str, ...] = ()
        rule = "any"
        asked: Element | None = None
        if by_entity is not None:
            triggering = by_entity.child("TriggeringEntities")
            if triggering is not None:
                entities = tuple(
                    self._put_in(one.attributes.get("entityRef", "")) for one in triggering.all("EntityRef")
                )
                rule = triggering.attributes.get("triggeringEntitiesRule", "any")
            inside = by_entity.child("EntityCondition")
            asked = inside.children[0] if inside is not None and inside.children else None
        elif by_value is not None and by_value.children:
            asked = by_value.children[0]
        attributes = {} if asked is None else self._attributes(asked)
        position = None if asked is None else next(asked.everywhere("Position"), None)
        target = attributes.get("entityRef")
        if asked is not None and target is None:
            of_target = asked.child("TimeToCollisionConditionTarget", "EntityRef")
            target = None if of_target is None else self._put_in(of_target.attributes.get("entityRef", ""))
        return ScriptCondition(
            name=about.get("name", ""),
            kind="nothing" if asked is None else asked.tag,
            edge=about.get("conditionEdge", "none"),
            delay=about.get("delay", "0"),
            attributes=attributes,
            line=condition.line,
            entities=entities,
            entity_rule=rule,
            position=position,
            target=target,
        )


def number(text: str | None) -> float | None:
    """A finite number in a text; None for anything else, an expression included."""
    try:
        value = float(text or "")
    except ValueError:
        return None
    return value if math.isfinite(value) else None

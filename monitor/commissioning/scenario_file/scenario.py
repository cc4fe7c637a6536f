"""A scenario file in ASAM OpenSCENARIO XML: its entities, and its events with their start triggers as they stand there.

Vocabulary and structure after the standard's schema, 1.0 to 1.3: a trigger is one condition group or another, a group
is all of its conditions. What an expression in `${…}` comes to is not worked out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from monitor.commissioning.scenario_file.elements import Element, number, read_elements
from monitor.commissioning.scenario_file.slowing import Slowing, slowing_of
from monitor.errors import ScenarioFaults
from monitor.tables.faults import quoted

OWN_NAMES = ("ego", "own", "host", "subject", "hero", "egovehicle", "ego_vehicle", "sv", "vut")
"""Names that scenario files give the own car (common practice, no source), in lower case."""


MOST_TIMES = 1e9


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
    """How often at most, its manoeuvre group's own number included; None where the simulator works it out."""
    actors: tuple[str, ...]
    slowing: Slowing


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

    def event(self, name: str) -> ScriptEvent | str:
        """The event of a name; why there is none to be held against, where it is not exactly one."""
        named = [event for event in self.events if event.name == name]
        if len(named) == 1:
            return named[0]
        if not named:
            return "the file has no event of this name"
        lines = ", ".join(str(event.line) for event in named)
        return f"the file has {len(named)} events of this name (lines {lines}), and nothing says which one is meant"


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
    header = root.child("FileHeader")
    major = None if header is None else header.attributes.get("revMajor")
    if header is not None and major not in (None, "1"):
        what = "what is read here is 1.0 to 1.3, and in another version the same words may mean something else"
        raise ScenarioFaults(name, (f"line {header.line}: expected revMajor 1, found {quoted(major or '')}; {what}.",))
    return _Making(name, root).scenario()


class _Making:
    def __init__(self, path: str, root: Element) -> None:
        self._path, self._root = path, root
        self._remarks: list[str] = []
        self._parameters = self._declared()

    def _declared(self) -> dict[str, str]:
        """The parameters of the file. One that stands for several values, each in a part of the file, is left out."""
        values: dict[str, dict[str, int]] = {}
        for one in self._root.everywhere("ParameterDeclaration"):
            values.setdefault(one.attributes.get("name", ""), {}).setdefault(one.attributes.get("value", ""), one.line)
        for name, lines in values.items():
            if len(lines) > 1:
                said = " and ".join(f"{value} (line {line})" for value, line in lines.items())
                self._remarks.append(f"The parameter {name} is declared as {said}: it is not put in.")
        return {name: next(iter(lines)) for name, lines in values.items() if len(lines) == 1}

    def scenario(self) -> ScenarioFile:
        header = self._root.child("FileHeader")
        about = {} if header is None else header.attributes
        board = self._root.child("Storyboard")
        assert board is not None
        speeds = self._first_speeds(board)
        events = tuple(
            self._event(event, (story, act, manoeuvre), group, speeds)
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
        for act in (act for story in board.all("Story") for act in story.all("Act")):
            stop = act.child("StopTrigger")
            if stop is not None and stop.child("ConditionGroup", "Condition") is not None:
                said = f"The act {act.attributes.get('name', '?')} has a stop trigger (line {stop.line})"
                self._remarks.append(f"{said}, which is not compared: once it holds, no event of the act begins.")
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

    def _first_speeds(self, board: Element) -> dict[str, float | None]:
        """The speed that each entity is given at the begin, in m/s."""
        speeds: dict[str, float | None] = {}
        for private in (one for init in board.all("Init") for one in init.everywhere("Private")):
            for target in private.everywhere("AbsoluteTargetSpeed"):
                speed = number(self._put_in(target.attributes.get("value", "")))
                speeds[self._put_in(private.attributes.get("entityRef", ""))] = speed
        return speeds

    def _event(
        self, event: Element, about: tuple[Element, Element, Element], group: Element, speeds: dict[str, float | None]
    ) -> ScriptEvent:
        """An event; `about` are its story, act and manoeuvre."""
        times = [self._put_in(one.attributes.get("maximumExecutionCount", "1")) for one in (event, group)]
        counts = [number(one) for one in times]
        acting = group.child("Actors")
        refs = [] if acting is None else acting.all("EntityRef")
        actors = tuple(self._put_in(one.attributes.get("entityRef", "")) for one in refs)
        return ScriptEvent(
            self._put_in(event.attributes.get("name", "")),
            " / ".join(one.attributes.get("name", "?") for one in about),
            event.line,
            self._trigger(event.child("StartTrigger")),
            self._trigger(about[1].child("StartTrigger")),
            None if None in counts else int(min(math.prod(one for one in counts if one is not None), MOST_TIMES)),
            actors,
            slowing_of(self._with_values(event), actors, speeds),
        )

    def _with_values(self, element: Element) -> Element:
        """The same element with all parameters put in. An element lies at most `elements.DEEPEST` deep."""
        children = [self._with_values(one) for one in element.children]
        return replace(element, attributes=self._attributes(element), children=children)

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
                rule = self._put_in(triggering.attributes.get("triggeringEntitiesRule", "any"))
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
            position=None if position is None else self._with_values(position),
            target=target,
        )

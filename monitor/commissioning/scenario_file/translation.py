"""Conditions of a scenario file in the words of a study: measure, band, edge and delay, or why it cannot be told.

Semantics after the standard: `freespace` is between bounding boxes, else between reference points (for a vehicle the
middle of the rear axle): an own car and a lead of other overhang differ; a time to collision ignores accelerations.

Which attributes there are, and which may be left out, is held against the standard's schemas 1.0 to 1.3.1, which the
package scenariogeneration carries (`tests/scenario_file/test_schemas.py`). What one that is left out means is not in
them; the class model says it (ASAM OpenSCENARIO XML 1.2, read in the comments of its open reference implementation,
openscenario.api 1.2): `coordinateSystem` is "entity"; `relativeDistanceType` is the Euclidean distance; `alongRoute` is
ignored where one of the two is set; without a `direction` the total speed or acceleration is considered; a relative
speed is that of the triggering entity less that of the reference.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from monitor.commissioning.scenario_file.elements import Element, number
from monitor.commissioning.scenario_file.scenario import Entity, ScenarioFile, ScriptCondition, ScriptEvent
from monitor.commissioning.scenario_file.told import Told
from monitor.measures.arrival import Point
from monitor.measures.names import MEASURES
from monitor.study.band import Band
from monitor.study.model import Study
from monitor.study.terms import Edge, Event, FireTerm, Measure
from monitor.study.vocabulary import LEAD, ROLE_CHANNELS

SAME_FRONT_M = 0.05
"""Front overhangs that differ by less make a headway between reference points one from front to front."""
SAME_POINT_M = 1.0
JUST_NOW_S = 0.1
"""How long an event counts as just begun: its marker and the frame that shows it are one or two frames apart."""
JUST_BEYOND = 1e-5
"""So much (relative to a value above 1) a band's edge lies beyond a value that a strict rule leaves out and at which
things stay: ten times the float slack of a band."""

BEFORE_DIRECTIONS = ("1.0", "1.1")
"""Versions in which no condition names a direction."""

EDGES: dict[str, Edge] = {
    "none": "none",
    "rising": "rising",
    "falling": "falling",
    "risingOrFalling": "risingOrFalling",
}


class Untold(Exception):
    """Raised inside of a translation where a condition cannot be told from the feed; its text says why."""


class Translation:
    """Puts the conditions of one file into the words of one study. `own`: the entity that is the own car.

    With `invents` what the study does not declare is made up and kept in `roles`, `points` and `signals`.
    """

    def __init__(self, file: ScenarioFile, study: Study, own: str | None, *, invents: bool = False) -> None:
        self._file, self._study = file, study
        self._invents = invents
        self.roles: dict[str, str] = {}
        """Role made up → the entity that plays it."""
        self.points: dict[str, Point] = {}
        self.signals: list[str] = []
        self.own = own or file.own
        self._lead = ""
        """The entity that no role names and that is taken for the lead."""
        self._remarks: list[str] = []
        self._kinds: dict[str, Callable[[ScriptCondition], tuple[Measure, Band]]] = {
            "TimeHeadwayCondition": self._time_headway,
            "TimeToCollisionCondition": self._time_to_collision,
            "RelativeDistanceCondition": self._relative_distance,
            "SpeedCondition": self._speed,
            "RelativeSpeedCondition": self._relative_speed,
            "AccelerationCondition": self._acceleration,
            "ReachPositionCondition": self._position,
            "DistanceCondition": self._position,
            "SimulationTimeCondition": self._simulation_time,
            "StoryboardElementStateCondition": self._element_state,
            "ParameterCondition": self._signal,
            "VariableCondition": self._signal,
            "UserDefinedValueCondition": self._signal,
        }

    def tell(self, condition: ScriptCondition) -> Told:
        """One condition in the study's words."""
        self._remarks = []
        try:
            translate = self._kinds.get(condition.kind)
            if translate is None:
                raise Untold(f"a study has no measure that a {condition.kind} could be put into")
            measure, band = translate(condition)
            delay_s = number(condition.delay)
            if delay_s is None:
                raise Untold(f"the delay {condition.delay} is worked out by the simulator")
            if delay_s < 0.0:
                raise Untold(f"there is no delay of {delay_s:g} s")
            edge = EDGES.get(condition.edge)
            if edge is None:
                raise Untold(f"there is no edge {condition.edge}")
            if condition.kind == "StoryboardElementStateCondition":
                edge = "rising"
            term = FireTerm(measure, band, edge, delay_s)
        except Untold as untold:
            return Told(condition, None, str(untold), tuple(self._remarks))
        told = Told(condition, term)
        return told if told.is_always else replace(told, remarks=tuple(self._remarks))

    def rules(self, event: ScriptEvent) -> tuple[list[list[Told]], list[list[Told]]]:
        """The start trigger of an event's act, and its own, each one group of conditions or another.

        An act that has begun goes on, so that one with a rising edge of what holds from the begin on is always begun.
        """
        act, own = (
            [[self.tell(one) for one in group] for group in groups] for groups in (event.act_groups, event.groups)
        )
        for group in act:
            if len(group) == 1 and group[0].condition.edge == "rising":
                flat = Told(replace(group[0].condition, edge="none"), group[0].term)
                group[:] = [flat] if flat.is_always else group
        return act, own

    def role_of(self, entity: str) -> str:
        """The role of the study that an entity plays: the one that names it, else the lead. Raises `Untold`."""
        if entity not in self._file.entities:
            raise Untold(f"the file has no entity {entity or '(without a name)'}")
        for role in self._study.roles.values():
            if entity == (role.name if role.vehicle is None else role.vehicle):
                return role.name
        if self._invents:
            name = entity.replace(".", "-")
            self.roles[name] = entity
            return name
        self._lead = self._lead or entity
        if entity != self._lead:
            raise Untold(f"no role of the study names the {entity}, and the {self._lead} is taken for the lead")
        self._remarks.append(f"no role of the study names the {entity}; it is taken for the lead")
        return LEAD

    # --- what is asked of whom ------------------------------------------------------------------------------------

    def _triggering(self, condition: ScriptCondition) -> str | None:
        """The role of the triggering entity; None for the own car."""
        if len(condition.entities) != 1 or condition.entity_rule not in ("any", "all"):
            count = "one entity" if len(condition.entities) == 1 else f"{len(condition.entities)} entities"
            raise Untold(f"it is asked of {count} ({condition.entity_rule} of them)")
        (entity,) = condition.entities
        if self.own is None:
            raise Untold("none of the file's entities is known to be the own car; say it with --own NAME")
        return None if entity == self.own else self.role_of(entity)

    def _pair(self, condition: ScriptCondition, name: str) -> Measure:
        from_role = self._triggering(condition)
        if condition.target is None:
            raise Untold("it is about a position, and the study's measure is about a vehicle")
        if condition.target == self.own:
            raise Untold("it is asked of another vehicle about the own car")
        role = self.role_of(condition.target)
        return Measure("pair", name, role, MEASURES[name].unit, from_role=from_role)

    def _entity(self, name: str | None) -> Entity | None:
        return self._file.entities.get(name or "")

    def _band(self, condition: ScriptCondition, *, shift: float = 0.0, flip: bool = False, stays: bool = False) -> Band:
        """The band of value and rule. Strict or not makes a difference at the very edge alone, within the slack; where
        a measure `stays` at the value, the edge of a strict rule lies just beyond it."""
        text, rule = condition.attributes.get("value"), condition.attributes.get("rule", "")
        value = number(text)
        if value is None:
            raise Untold(f"the value {text} is worked out by the simulator")
        if stays and rule in ("greaterThan", "lessThan"):
            shift += JUST_BEYOND * max(1.0, abs(value)) * (1.0 if (rule == "greaterThan") != flip else -1.0)
            self._remarks.append(f"{rule} {value:g} leaves {value:g} out, so that the band begins just beyond it")
        value = (-value if flip else value) + shift
        up, down = ("greaterThan", "greaterOrEqual"), ("lessThan", "lessOrEqual")
        if flip:
            up, down = down, up
        if rule in up:
            return Band(value, None)
        if rule in down:
            return Band(None, value)
        if rule == "equalTo":
            return Band(value, value)
        raise Untold(f"the rule {rule or '(none)'} is no band")

    # --- kinds of conditions --------------------------------------------------------------------------------------

    def _time_headway(self, condition: ScriptCondition) -> tuple[Measure, Band]:
        self._along(condition)
        if _is_free(condition):
            return self._pair(condition, "time_gap"), self._band(condition)
        measure = self._pair(condition, "time_headway")
        self._check_fronts(condition, "time")
        return measure, self._band(condition)

    def _time_to_collision(self, condition: ScriptCondition) -> tuple[Measure, Band]:
        self._along(condition)
        measure = self._pair(condition, "ttc")
        if condition.attributes.get("rule", "").startswith("greater"):
            raise Untold("it is false while nothing closes in, where a study takes the time for longer than any")
        if not _is_free(condition):
            raise Untold("freespace is false: it divides the distance of reference points, not the gap, by the speed")
        return measure, self._band(condition)

    def _relative_distance(self, condition: ScriptCondition) -> tuple[Measure, Band]:
        kind = condition.attributes.get("relativeDistanceType", "")
        if kind != "longitudinal":
            raise Untold(f"the study has no {kind or 'such'} distance of two vehicles")
        self._along(condition)
        if _is_free(condition):
            return self._pair(condition, "distance_gap"), self._band(condition)
        measure = self._pair(condition, "distance_headway")
        return measure, self._band(condition, shift=self._check_fronts(condition, "distance"))

    def _speed(self, condition: ScriptCondition) -> tuple[Measure, Band]:
        self._direction(condition)
        return self._channel(condition, "speed"), self._moving(condition)

    def _acceleration(self, condition: ScriptCondition) -> tuple[Measure, Band]:
        self._direction(condition)
        if "direction" not in condition.attributes:
            if self._file.version not in BEFORE_DIRECTIONS:
                raise Untold(
                    "without a direction it is the total acceleration, which is never below 0 and has curves in it"
                )
            self._remarks.append(f"{self._file.version} has no direction: it is taken along the entity's way")
        return self._channel(condition, "accel"), self._moving(condition)

    def _relative_speed(self, condition: ScriptCondition) -> tuple[Measure, Band]:
        self._direction(condition)
        if condition.target == self.own and len(condition.entities) == 1:
            role = self.role_of(condition.entities[0])
            return Measure("pair", "closing_speed", role, "m/s"), self._moving(condition, flip=True)
        return self._pair(condition, "closing_speed"), self._moving(condition)

    def _moving(self, condition: ScriptCondition, *, flip: bool = False) -> Band:
        """The band of a measure that stays at zero while nothing moves."""
        return self._band(condition, flip=flip, stays=number(condition.attributes.get("value")) == 0.0)

    def _position(self, condition: ScriptCondition) -> tuple[Measure, Band]:
        if self._triggering(condition) is not None:
            raise Untold("it is asked of another vehicle's place")
        key = "tolerance" if condition.kind == "ReachPositionCondition" else "value"
        within = number(condition.attributes.get(key))
        if within is None:
            raise Untold(f"the {key} {condition.attributes.get(key)} is worked out by the simulator")
        if condition.kind == "DistanceCondition" and not condition.attributes.get("rule", "").startswith("less"):
            raise Untold("it does not ask for a distance below a value")
        place = (
            None if condition.position is None or not condition.position.children else condition.position.children[0]
        )
        if place is None:
            raise Untold("it has no position")
        own = self._entity(self.own)
        if place.tag in ("LanePosition", "RoadPosition"):
            return self._at_station(place, within, own, free=_is_free(condition))
        if place.tag == "WorldPosition":
            return self._at_point(place, within, own, free=_is_free(condition))
        raise Untold(f"a {place.tag} is no fixed place of the road")

    def _at_station(self, place: Element, within: float, own: Entity | None, *, free: bool) -> tuple[Measure, Band]:
        station = number(place.attributes.get("s"))
        if station is None:
            raise Untold(f"the place s = {place.attributes.get('s')} is worked out by the simulator")
        lane = f", lane {place.attributes['laneId']}," if "laneId" in place.attributes else ""
        self._remarks.append(
            f"s of road {place.attributes.get('roadId', '?')}{lane} is taken for the station, on the way there"
        )
        shift = 0.0
        if own is not None and own.centre_x_m is not None and own.length_m is not None:
            shift = -0.5 * own.length_m if free else own.centre_x_m
        else:
            self._remarks.append("the own car's box is not in the file: its reference point is taken for its centre")
        return Measure("own", "station", None, "m"), Band(station - within + shift, None)

    def _at_point(self, place: Element, within: float, own: Entity | None, *, free: bool) -> tuple[Measure, Band]:
        x, y = number(place.attributes.get("x")), number(place.attributes.get("y"))
        if x is None or y is None:
            raise Untold("the place is worked out by the simulator")
        point = self._point_at(x, y)
        front = 0.0 if free else own.front_m if own is not None and own.front_m is not None else None
        if front is None:
            self._remarks.append("the own car's box is not in the file: its reference point is taken for its front end")
        return (
            Measure("point", "distance_to_point", None, "m", point=point),
            Band(None, within - (front or 0.0) - 0.5 * point.along_m),
        )

    def _point_at(self, x: float, y: float) -> Point:
        for point in (*self._study.points.values(), *self.points.values()):
            if point.x_m is None or point.y_m is None:
                continue
            if abs(point.x_m - x) <= SAME_POINT_M and abs(point.y_m - y) <= SAME_POINT_M:
                return point
        if self._invents:
            name = f"point-{len(self._study.points) + len(self.points) + 1}"
            self.points[name] = Point(name, None, x, y)
            return self.points[name]
        raise Untold(f"no point of the study lies at x = {x:g}, y = {y:g} m")

    def _simulation_time(self, condition: ScriptCondition) -> tuple[Measure, Band]:
        self._remarks.append("the scenario's clock is taken to begin with the run_start marker")
        return Measure("event", "time_since", None, "s", event=Event("run_start")), self._band(condition)

    def _element_state(self, condition: ScriptCondition) -> tuple[Measure, Band]:
        attributes = condition.attributes
        name, state = attributes.get("storyboardElementRef", ""), attributes.get("state", "")
        if attributes.get("storyboardElementType") != "event":
            raise Untold(f"the feed has no marker of the {attributes.get('storyboardElementType', 'element')} {name}")
        if state != "startTransition":
            raise Untold(f"the feed does not say when the event {name} is in {state or 'that state'}")
        known = {trigger.name for trigger in self._study.triggers}
        if self._invents:
            known |= {event.name for event in self._file.events}
        if name not in known:
            raise Untold(f"the study has no trigger {name}")
        return Measure("event", "time_since", None, "s", event=Event("trigger", name)), Band(None, JUST_NOW_S)

    def _signal(self, condition: ScriptCondition) -> tuple[Measure, Band]:
        name = next(
            (
                condition.attributes[key]
                for key in ("name", "parameterRef", "variableRef")
                if key in condition.attributes
            ),
            "",
        )
        signal = self._study.signals.get(name)
        if signal is None and not (self._invents and name):
            raise Untold(f"the study has no signal {name}")
        said = condition.attributes.get("value", "")
        flag = {"true": "1", "false": "0"}.get(said.lower())
        if flag is not None:
            condition = replace(condition, attributes={**condition.attributes, "value": flag})
        elif number(said) is None and not said.startswith("$"):
            raise Untold(f"{said or '(nothing)'} is no number, and a signal of the feed is one")
        value = number(flag or said)
        if signal is None and name not in self.signals:
            self.signals.append(name)
        return Measure("signal", name, None, "" if signal is None else signal.unit), self._band(
            condition,
            stays=value is not None and value.is_integer(),  # codes and flags
        )

    # --- helpers of the kinds ---------------------------------------------------------------------------------------

    def _channel(self, condition: ScriptCondition, name: str) -> Measure:
        role = self._triggering(condition)
        if role is None:
            return Measure("own", name, None, MEASURES[name].unit)
        return Measure("role", name, role, ROLE_CHANNELS[name])

    def _along(self, condition: ScriptCondition) -> None:
        """Whether it is a distance along the way; what is left out means what the class model says."""
        attributes = condition.attributes
        kind, system = attributes.get("relativeDistanceType"), attributes.get("coordinateSystem", "entity")
        if kind not in (None, "longitudinal"):
            raise Untold("it is no distance along the way")
        if system not in ("entity", "lane", "road"):
            raise Untold(f"it is measured along the axes of the {system}")
        along_route = attributes.get("alongRoute") in ("true", "1") and "coordinateSystem" not in attributes
        if kind is None and not along_route:
            self._remarks.append(
                "without relativeDistanceType it is the straight distance, the study measures along the way: alike for "
                "a vehicle straight ahead"
            )
        elif system == "entity" and kind is not None:
            self._remarks.append(
                "the file measures along the entity's own axis, the study along the way: alike on a straight"
            )

    def _direction(self, condition: ScriptCondition) -> None:
        if condition.attributes.get("direction", "longitudinal") != "longitudinal":
            raise Untold(f"it is the {condition.attributes['direction']} component")

    def _check_fronts(self, condition: ScriptCondition, what: str) -> float:
        """What is to be added to a distance of reference points so that it is from front to front."""
        own = self._entity(condition.entities[0] if condition.entities else None)
        other = self._entity(condition.target)
        fronts = [None if one is None else one.front_m for one in (own, other)]
        if fronts[0] is None or fronts[1] is None:
            self._remarks.append(
                "boxes are not in the file: reference points are taken to be as far behind both fronts"
            )
            return 0.0
        off = fronts[1] - fronts[0]
        if abs(off) < SAME_FRONT_M:
            return 0.0
        if what == "time":
            raise Untold(f"it is between reference points, which lie {abs(off):.2f} m off from front to front")
        return off


def _is_free(condition: ScriptCondition) -> bool:
    """Whether it is measured between bounding boxes. A position that is reached has no such word: reference point."""
    said = condition.attributes.get("freespace", "false" if condition.kind == "ReachPositionCondition" else "")
    if said.lower() not in ("true", "1", "false", "0"):
        raise Untold(f"freespace is {said or 'not said'}: between boxes or reference points is another distance")
    return said.lower() in ("true", "1")

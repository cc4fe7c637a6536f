"""Scenario files written by the package scenariogeneration: one trigger a file, by its own builders and names."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tests.lazily import Lazily

xosc = Lazily("scenariogeneration.xosc")

RISING, FALLING, NONE = "rising", "falling", "none"
ABOVE, BELOW, EQUAL = "greaterThan", "lessThan", "equalTo"


def vehicle(name: str, length_m: float, centre_x_m: float) -> Any:
    box = xosc.BoundingBox(1.84, length_m, 1.5, centre_x_m, 0, 0.75)
    front, rear = xosc.Axle(0.5, 0.6, 1.6, 2.7, 0.3), xosc.Axle(0, 0.6, 1.6, 0, 0.3)
    return xosc.Vehicle(name, xosc.VehicleCategory.car, box, front, rear, 50, 10, 10)


def of(entity: str, asked: Any, edge: Any = NONE, delay_s: float = 0.0, name: str = "c") -> Any:
    """A condition asked of one entity."""
    return xosc.EntityTrigger(name, delay_s, edge, asked, entity)


def at_value(asked: Any, edge: Any = NONE, delay_s: float = 0.0) -> Any:
    return xosc.ValueTrigger("v", delay_s, edge, asked)


def event(name: str, groups: Sequence[Sequence[Any]], *, decel: float | None = 5.0, times: int = 1) -> Any:
    """An event that starts when all conditions of one of the groups hold."""
    made = xosc.Event(name, xosc.Priority.parallel, maxexecution=times)
    trigger = xosc.Trigger()
    for conditions in groups:
        group = xosc.ConditionGroup()
        for one in conditions:
            group.add_condition(one)
        trigger.add_conditiongroup(group)
    made.add_trigger(trigger)
    by = xosc.DynamicsDimension.time if decel is None else xosc.DynamicsDimension.rate
    dynamics = xosc.TransitionDynamics(xosc.DynamicsShapes.linear, by, decel or 1.0)
    made.add_action("brake", xosc.AbsoluteSpeedAction(0, dynamics))
    return made


def write_scenario(
    path: Path,
    *events: Any,
    own: str = "Ego",
    own_box: tuple[float, float] = (4.6, 0.0),
    van_box: tuple[float, float] = (5.9, 0.0),
    act: Any = None,
    minor: int = 2,
) -> Path:
    """Writes the file; boxes are (length, centre ahead of the reference point)."""
    entities = xosc.Entities()
    entities.add_scenario_object(own, vehicle("car", *own_box))
    entities.add_scenario_object("van", vehicle("van", *van_box))
    manoeuvre = xosc.Maneuver("manoeuvre")
    for one in events:
        manoeuvre.add_event(one)
    group = xosc.ManeuverGroup("group")
    group.add_actor("van")
    group.add_maneuver(manoeuvre)
    about = xosc.Act("act", act or at_value(xosc.SimulationTimeCondition(0, ABOVE)))
    about.add_maneuver_group(group)
    story = xosc.Story("story")
    story.add_act(about)
    board = xosc.StoryBoard(xosc.Init())
    board.add_story(story)
    scenario = xosc.Scenario(
        "dusk-road",
        "tests",
        xosc.ParameterDeclarations(),
        entities,
        board,
        xosc.RoadNetwork("road.xodr"),
        xosc.Catalog(),
        osc_minor_version=minor,
    )
    scenario.write_xml(str(path))
    return path

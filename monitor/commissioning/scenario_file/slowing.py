"""Whether an event of a scenario file lets a vehicle slow down, and how hard, as far as the file tells it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.commissioning.scenario_file.elements import Element, number


@dataclass(frozen=True, slots=True)
class Slowing:
    """The deceleration (m/s², positive) with which an event slows its actor down; None where the file does not tell
    it, and `why` says so."""

    decel_mps2: float | None
    why: str = ""


def slowing_of(event: Element, actors: tuple[str, ...], first_speeds: Mapping[str, float | None]) -> Slowing:
    """What the speed actions of an event come to. `first_speeds`: m/s of each entity at the begin of the scenario."""
    actions = list(event.everywhere("SpeedAction"))
    if not actions:
        return Slowing(None, "it has no speed action")
    told = [_one(action, actors, first_speeds) for action in actions]
    return next((one for one in told if one.decel_mps2 is not None), told[0])


def _one(action: Element, actors: tuple[str, ...], first_speeds: Mapping[str, float | None]) -> Slowing:
    dynamics = action.child("SpeedActionDynamics")
    about = {} if dynamics is None else dynamics.attributes
    by = about.get("dynamicsDimension", "")
    if by != "rate":
        return Slowing(None, f"its speed action is given by its {by or 'dynamics'}, not by a rate")
    rate = number(about.get("value"))
    if rate is None:
        return Slowing(None, f"the rate {about.get('value')} is worked out by the simulator")
    absolute = action.child("SpeedActionTarget", "AbsoluteTargetSpeed")
    if absolute is None:
        return Slowing(None, "its speed action aims at a speed that is relative to another one")
    aim = number(absolute.attributes.get("value"))
    if aim is None:
        return Slowing(None, f"the speed {absolute.attributes.get('value')} is worked out by the simulator")
    begun = first_speeds.get(actors[0]) if len(actors) == 1 else None
    if aim == 0.0 or (begun is not None and aim < begun):
        return Slowing(abs(rate))
    if begun is None:
        return Slowing(None, f"whether {aim:g} m/s is slower than before is not in the file")
    return Slowing(None, f"its speed action goes to {aim:g} m/s, and its actor begins with {begun:g} m/s")

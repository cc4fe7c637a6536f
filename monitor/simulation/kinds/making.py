"""A drive of the kind that a plan asks for, and its steps as they go onto the wire."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.simulation.drive import Drive
from monitor.simulation.kinds.crossing import Crossing
from monitor.simulation.kinds.following import Following
from monitor.simulation.kinds.lane_departure import LaneDeparture
from monitor.simulation.kinds.scene import Scene
from monitor.simulation.kinds.take_over import TakeOver
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.steps import DriveStep
from monitor.simulation.wire import with_faults

SCENES: dict[str, type[LaneDeparture | Crossing | TakeOver | Following]] = {
    "lane-departure": LaneDeparture,
    "crossing": Crossing,
    "take-over": TakeOver,
    "following": Following,
}


def make_drive(plan: SimulationPlan) -> Drive | Scene:
    """The drive, which has not begun yet."""
    return Drive(plan) if plan.about.drives_dusk_road else SCENES[plan.kind](plan)


def steps_of(drive: Drive | Scene) -> Iterator[DriveStep]:
    """The steps of a drive as they go onto the wire; only the demo's drive has faults between it and its listeners."""
    return with_faults(drive.steps(), drive.plan.deviations) if isinstance(drive, Drive) else drive.steps()

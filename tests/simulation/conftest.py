"""Drives for the tests, each simulated once in a test process."""

from __future__ import annotations

import gc
import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from monitor.simulation.drive import Drive
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.steps import DriveStep, MarkerStep, Truth
from monitor.simulation.wire import with_faults


@dataclass(frozen=True)
class Driven:
    """A whole drive: what goes onto the wire, and the truth."""

    plan: SimulationPlan
    steps: tuple[DriveStep, ...]
    truth: Truth

    def markers(self, *kinds: str) -> list[MarkerStep]:
        return [marker for step in self.steps for marker in step.markers if not kinds or marker.kind in kinds]

    def fire(self, trigger: str = "gate-brake") -> dict[str, Any]:
        return next(fire for fire in self.truth.fires if fire["trigger"] == trigger)

    def other(self, step: DriveStep, vehicle: int) -> dict[str, Any]:
        """One other vehicle of a step, by its id, which must be there."""
        row = step.others["id"].index(vehicle)
        return {name: column[row] for name, column in step.others.items()}

    def between(self, start_t: float, end_t: float) -> list[DriveStep]:
        rate = self.plan.rate_hz
        return list(self.steps[max(0, math.ceil((start_t - 1e-9) * rate)) : math.floor((end_t + 1e-9) * rate) + 1])


def data_of(markers: list[MarkerStep]) -> list[dict[str, Any]]:
    """What markers carry beside their name."""
    return [marker.data or {} for marker in markers]


@lru_cache(maxsize=48)
def _driven(plan: SimulationPlan) -> Driven:
    drive = Drive(plan)
    gc.disable()  # thousands of maps are made and all of them are kept: collecting takes a third of the time
    steps = tuple(with_faults(drive.steps(), plan.deviations))
    gc.freeze()
    gc.enable()
    return Driven(plan, steps, drive.truth)


def driven(
    scenario: str = "clean",
    *,
    seed: int = 1,
    rate_hz: float = 60.0,
    group: str = "chime",
    extra_vehicles: int = 0,
    duration_factor: float = 1.0,
) -> Driven:
    """Simulates a drive without publishing it: `driven("clean", seed=3)`."""
    plan = SimulationPlan(scenario=scenario, seed=seed, rate_hz=rate_hz, group=group)
    return _driven(replace(plan, extra_vehicles=extra_vehicles, duration_factor=duration_factor))

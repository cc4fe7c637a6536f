"""Drives for the tests, each simulated once in a test process."""

from __future__ import annotations

import gc
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import pytest

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

    def other(self, step: DriveStep, vehicle: int) -> dict[str, Any] | None:
        """One other vehicle of a step, by id."""
        ids = step.others["id"]
        if vehicle not in ids:
            return None
        row = ids.index(vehicle)
        return {name: column[row] for name, column in step.others.items()}

    def between(self, start_t: float, end_t: float) -> list[DriveStep]:
        rate = self.plan.rate_hz
        return list(self.steps[max(0, math.ceil((start_t - 1e-9) * rate)) : math.floor((end_t + 1e-9) * rate) + 1])


@lru_cache(maxsize=48)
def _driven(plan: SimulationPlan) -> Driven:
    drive = Drive(plan)
    gc.disable()  # thousands of maps are made and all of them are kept: collecting takes a third of the time
    steps = tuple(with_faults(drive.steps(), plan.deviations))
    gc.freeze()
    gc.enable()
    return Driven(plan, steps, drive.truth)


@pytest.fixture
def driven() -> Callable[..., Driven]:
    """Simulates a drive without publishing it: `driven("clean", seed=3)`."""

    def run(scenario: str = "clean", **plan: Any) -> Driven:
        return _driven(SimulationPlan(scenario=scenario, **plan))

    return run

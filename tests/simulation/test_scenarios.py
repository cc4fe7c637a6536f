"""Each scenario deviates from `clean` in what it states, really in the messages, and in nothing else."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import pytest

from monitor.errors import WitnessError
from monitor.simulation import SCENARIOS, SimulationPlan
from monitor.simulation.drive import Drive
from tests.simulation.conftest import Driven
from tests.simulation.conftest import driven as usual

SEED = 4
RATE_HZ = 30.0
NEVER = math.inf


driven = partial(usual, seed=SEED, rate_hz=RATE_HZ)
"""Drives at half the usual frame rate, which shows as much and takes half the time."""


def differences(one: Driven, other: Driven) -> dict[str, float]:
    """What differs between two drives, with the time at which it first does."""
    found: dict[str, float] = {}

    def note(name: str, t: float, same: bool) -> None:
        if not same:
            found.setdefault(name, t)

    for first, second in zip(one.steps, other.steps, strict=False):
        t = first.t
        for group in ("own", "signals", "others"):
            left, right = getattr(first, group), getattr(second, group)
            if left != right:
                for name in left:
                    note(f"{group}.{name}", t, left[name] == right[name])
        note("wall", t, first.wall == second.wall)
        note("due", t, first.due_s == second.due_s)
        note("frames on the wire", t, first.lost == second.lost)
        note(
            "markers",
            t,
            [replace(m, lost=False) for m in first.markers] == [replace(m, lost=False) for m in second.markers],
        )
        note("markers on the wire", t, [m for m in first.markers if m.lost] == [m for m in second.markers if m.lost])
    if len(one.steps) != len(other.steps):
        found.setdefault("length", min(one.steps[-1].t, other.steps[-1].t))
    return found


# what alone may differ, over the whole drive
ONLY = {
    "eyes-up": {"signals.eyes_on_road"},
    "frames-lost": {"frames on the wire"},
    "marker-lost": {"markers on the wire"},
    "late-start": {"frames on the wire", "markers on the wire", "due"},
    "frozen-speed": {"own.speed"},
    "wrong-units": {"own.speed"},
    "mirrored-axes": {"own.yaw_rate", "own.steering_angle", "own.lane_offset"},
    "pedal-stuck": {"own.accelerator"},
    "pedal-saturated": {"own.accelerator"},
    "pedal-offset": {"own.brake"},
    "slow-motion": {"wall", "due"},
    "wrong-trigger": {"markers"},
    "platform-faded": {"signals.platform_x", "signals.platform_y", "signals.platform_z"},
    "platform-limit": {"signals.platform_x"},
    "lead-swap": {"others.id", "others.name", "others.length", "others.width"},
    "alert-commanded-only": {"markers"},
    "doubled-alert": {"markers"},
    "task-missing": {"markers"},
    "task-ended-early": {"markers"},
    "task-four-items": {"markers"},
    "task-slow-items": {"markers"},
    "clock-drift": {"markers"},
}

# seconds from clean's fire at which the first difference may come
NOTHING_BEFORE = {
    "wrong-alert": 0.3,
    "silent-alert": 0.3,
    "late-alert": 0.3,
    "soft-braking": 0.0,
    "collision": 0.5,
    "no-response": 0.5,
    "no-hazard": 0.0,
    "aborted": 0.8,
    "steers-only": 0.5,
    "anticipating": 0.0,
    "late-fire": 0.0,
    "never-fired": 0.0,
    "practice": 0.0,
    "early-fire": -0.52,
    "double-fire": 3.99,
    "already-braking": -1.0,
    "coasting": -1.3,
    "drifting": -8.0,
    "lane-straddle": -8.0,
    "not-reached": -6.6,
    "stutter": 0.0,
    "intruder": -NEVER,
    "gap-too-long": -NEVER,
    "too-slow": -NEVER,
    "catching-up": -NEVER,
    "curve": -NEVER,
    "two-footed": -NEVER,
}


def test_every_scenario_is_held_to_one_of_the_two_tables() -> None:
    assert {*ONLY, *NOTHING_BEFORE, "clean"} == set(SCENARIOS)
    assert not set(ONLY) & set(NOTHING_BEFORE)
    assert SCENARIOS["clean"].deviations() == {}


@pytest.mark.parametrize("name", sorted(ONLY))
def test_nothing_else_deviates_in_the_whole_drive(name: str) -> None:
    found = differences(driven(), driven(name))
    assert set(found) == ONLY[name]


@pytest.mark.parametrize("name", sorted(NOTHING_BEFORE))
def test_nothing_deviates_before_its_time(name: str) -> None:
    clean = driven()
    found = differences(clean, driven(name))
    assert found
    assert min(found.values()) >= clean.fire()["t"] + NOTHING_BEFORE[name] - 1e-9


def test_the_truth_names_what_was_injected() -> None:
    for name, scenario in SCENARIOS.items():
        assert Drive(SimulationPlan(scenario=name)).truth.deviations == scenario.deviations()
        assert bool(scenario.deviations()) == (name != "clean")


def test_an_unknown_scenario_is_refused_with_a_suggestion() -> None:
    with pytest.raises(WitnessError, match=r"no scenario 'gap-to-long'; did you mean gap-too-long"):
        SimulationPlan(scenario="gap-to-long")
    with pytest.raises(WitnessError, match="there are clean, "):
        SimulationPlan(scenario="xyzzy")


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (partial(SimulationPlan, group="chimes"), "did you mean chime"),
        (partial(SimulationPlan, speed=0.0), "above 0"),
        (partial(SimulationPlan, speed=math.inf), "above 0"),
        (partial(SimulationPlan, rate_hz=0.0), "from 5 to 1000 Hz"),
        (partial(SimulationPlan, extra_vehicles=501), "0 to 500"),
        (partial(SimulationPlan, duration_factor=0.5), "from 1 to 1000"),
    ],
)
def test_a_plan_that_makes_no_drive_is_refused(make: Callable[[], SimulationPlan], words: str) -> None:
    with pytest.raises(WitnessError, match=words):
        make()

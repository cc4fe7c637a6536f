"""Conditions of other kinds at their edges, worked by hand: outside, any_of, time since, rates, places, two roles.

Own car is at station 300 m at the fire (10.0 s) with 20 m/s, its front 2.3 m ahead; a frame each twentieth of a second.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from tests.judging.hand import HandDrive, first_trial

STUDY = """
[study]
name = "hand"
participant_pattern = "Q[0-9]+"
[groups.chime]
alert = ["sound"]
[roles.van]
id = 1
[roles.second]
id = 2
[points.crossing]
station_m = 350.0
[signals.eyes_on_road]
[signals.scripted]
source = "scripted"
[[trigger]]
name = "gate-brake"
[[trigger.condition]]
name = "asked"
"""


def result_of(asked: str, **drive: Any) -> str:
    return first_trial(HandDrive(rate_hz=20.0, end_t=14.0, **drive), STUDY + asked).conditions[0].result


@pytest.mark.parametrize(
    ("offset", "result"),
    [
        (0.5, "met"),  # both edges belong to it
        (-0.5, "met"),
        (0.4999, "not met"),
        (-0.4999, "not met"),
        (0.0, "not met"),
        (-2.0, "met"),
        (math.nan, "undecided"),
    ],
)
def test_outside(offset: float, result: str) -> None:
    asked = 'measure = "lane_offset"\noutside = [-0.5, 0.5]\n'
    assert result_of(asked, own=lambda t: {"lane_offset": offset}) == result


@pytest.mark.parametrize(
    ("least_speed", "signals", "result"),
    [
        (30, {"scripted": 0.0}, "not met"),
        (30, {"scripted": 1.0}, "met"),
        (30, {}, "undecided"),  # the one that is not known may have been enough
        (10, {}, "met"),
    ],
)
def test_any_of_with_one_that_is_not_known(least_speed: int, signals: dict[str, float], result: str) -> None:
    asked = (
        f'any_of = [{{ measure = "speed", at_least = {least_speed} }}, {{ measure = "scripted", at_least = 0.5 }}]\n'
    )
    assert result_of(asked, signals=lambda t: signals) == result


@pytest.mark.parametrize(("until_t", "result"), [(9.0, "met"), (8.9, "not met"), (9.1, "met")])
def test_any_of_in_a_window_asks_each_instant_for_one(until_t: float, result: str) -> None:
    asked = (
        "during = [-2.0, 0.0]\n"
        'any_of = [{ measure = "lane_offset", at_least = 0.2 }, { measure = "scripted", at_least = 0.5 }]\n'
    )
    assert (
        result_of(
            asked,
            own=lambda t: {"lane_offset": 0.3 if t < until_t - 1e-9 else 0.0},
            signals=lambda t: {"scripted": float(t >= 9.0 - 1e-9)},
        )
        == result
    )


@pytest.mark.parametrize(
    ("band", "cues", "result"),
    [
        ("at_least = 5.0", (5.0,), "met"),
        ("at_least = 5.01", (5.0,), "not met"),
        ("at_most = 5.0", (5.0,), "met"),
        ("at_most = 4.99", (5.0,), "not met"),
        ("at_most = 1.0", (5.0, 9.5), "met"),  # the last one counts
        ("at_most = 1.0", (9.95,), "met"),
        ("at_most = 1.0", (10.0,), "not met"),  # at the fire itself, and so not before it
        ("at_most = 1.0", (9.5, 10.0), "met"),
        ("at_most = 1.0", (10.5,), "not met"),
        ("at_least = 3.0", (), "met"),  # never is longer ago than any time
        ("at_most = 3.0", (), "not met"),
    ],
)
def test_the_time_since_an_event(band: str, cues: tuple[float, ...], result: str) -> None:
    asked = f'measure = "time_since"\nevent = "other"\nnamed = "cue"\n{band}\n'
    assert result_of(asked, markers=[(at, "other", "cue", {}) for at in cues]) == result


RATE = 'measure = "speed"\nrate_over_s = 1.0\nat_least = {}\n'


@pytest.mark.parametrize(
    ("least", "lost", "result"),
    [
        (2.0, (), "met"),
        (2.01, (), "not met"),
        (1.95, (190,), "met"),  # what lies between the two ends has no part in it
        # of the frame at 9.0 s the one before would give 2 m/s over 1.05 s, 1.90 m/s²: another window, and no answer
        (1.95, (180,), "undecided"),
        (1.85, (180,), "undecided"),
    ],
)
def test_a_rate_over_the_stated_window_and_no_other(least: float, lost: tuple[int, ...], result: str) -> None:
    # 2 m/s² from 9.0 to 10.0 s
    faster = lambda t: 20.0 + 2.0 * max(0.0, min(t - 9.0, 1.0))  # noqa: E731
    assert result_of(RATE.format(least), own_speed=faster, lost_frames=frozenset(lost)) == result


def test_two_roles_against_each_other() -> None:
    # the van's middle is at 335.25 m, the other's at 600: 264.75 m less half of 5.9 and of 4.0 m is 259.8 m
    def second(t: float) -> list[dict[str, Any]]:
        place = 400.0 + 20.0 * t
        still = {"y": 0.0, "heading": 0.0, "accel": 0.0, "length": 4.0, "width": 2.0, "lane": 1}
        return [{"id": 2, "x": place, "station": place, "speed": 20.0, **still}]

    asked = 'measure = "distance_gap"\nrole = "second"\nfrom_role = "van"\nat_most = {}\n'
    assert result_of(asked.format(259.81), more_vehicles=second) == "met"
    assert result_of(asked.format(259.79), more_vehicles=second) == "not met"
    assert result_of(asked.format(259.81)) == "undecided"  # it is not there


@pytest.mark.parametrize(("band", "result"), [("at_least = 2.384", "met"), ("at_least = 2.386", "not met")])
def test_time_to_arrival_is_from_the_front(band: str, result: str) -> None:
    # 350 − 302.3 m at 20 m/s: 2.385 s
    assert result_of(f'measure = "time_to_arrival"\npoint = "crossing"\n{band}\n') == result

"""Statistics over a window: worked examples by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.measures.rolling import (
    ROLLING,
    lane_departures,
    standard_deviation_of_lane_position,
    steering_reversal_rate,
    steering_reversals,
)

SECONDS = np.arange(10) / 10


def test_sdlp_is_with_n_minus_one() -> None:
    """SAE J2944; mean 0.1120, 0.0790 with n − 1 (0.0749 with n)."""
    offsets = np.array([0.10, 0.16, 0.22, 0.10, -0.02, 0.04, 0.10, 0.22, 0.16, 0.04])
    assert standard_deviation_of_lane_position(SECONDS, offsets) == pytest.approx(0.0790, abs=5e-5)


@pytest.mark.parametrize(
    "offsets", [[0.1], [], [0.1, math.nan, 0.2], [1.6, 1.7, -1.7, -1.6]], ids=["one", "none", "hole", "lane change"]
)
def test_no_sdlp_where_it_would_mean_nothing(offsets: list[float]) -> None:
    assert math.isnan(standard_deviation_of_lane_position(SECONDS[: len(offsets)], np.array(offsets)))


@pytest.mark.parametrize(("gap", "expected"), [(1.0, 6), (2.0, 5), (3.0, 4)])
def test_steering_reversals(gap: float, expected: int) -> None:
    """Counting rule after Markkula & Engström 2006, from memory; worked by hand."""
    angle = np.array([0, 1, 2, 1, 0, -1, -2, -1, 0, 1, 1.5, 1, 0.5, 1, 2, 4, 2, 0])
    assert steering_reversals(angle, gap) == expected


def test_steering_reversals_of_a_wheel_that_turns_one_way_or_not_at_all() -> None:
    assert steering_reversals(np.array([0.0, 1.0, 2.0, 5.0]), 1.0) == 1
    assert steering_reversals(np.zeros(5), 1.0) == 0


def test_the_rate_is_per_minute() -> None:
    t = np.arange(0, 30.01, 0.05)
    wheel = 0.1 * np.sin(2 * math.pi * t / 3.0)  # 10 periods in 30 s, turning by 11°: 20 turns back and forth
    assert steering_reversal_rate(t, wheel) == pytest.approx(40.0, abs=2.1)


def test_lane_departures_count_the_ways_out() -> None:
    distance = np.array([0.4, 0.1, -0.1, -0.2, 0.1, 0.2, 0.0, 0.1, 0.3, 0.4])
    assert lane_departures(SECONDS, distance) == 2.0
    assert lane_departures(SECONDS, np.full(10, -0.1)) == 0.0  # out all along: no way out in the window
    assert math.isnan(lane_departures(SECONDS, np.array([0.1, math.nan])))


def test_rolling_names_and_sources() -> None:
    assert {name: one.source for name, one in ROLLING.items()} == {
        "sdlp": "lane_offset",
        "steering_reversal_rate": "steering_angle",
        "lane_departures": "distance_to_line",
    }

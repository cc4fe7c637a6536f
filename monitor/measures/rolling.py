"""Statistics over a window of the last seconds.

Each takes the frames of the window alone, `t` in s and `values`, shapes (w,): there is no running sum, so that it does
not depend on how a drive was cut into blocks. NaN where the window cannot give the statistic.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from monitor.measures.columns import FloatArray

LANE_CHANGE_JUMP_M = 1.0
"""A lane offset that jumps by more than this from one frame to the next tells of a lane change."""
REVERSAL_GAP_RAD = math.radians(3.0)
"""Smallest turn back of the steering wheel that counts as a reversal."""


@dataclass(frozen=True, slots=True)
class Rolling:
    """A statistic: what it is taken of ("lane_offset", "distance_to_line" or an own channel), and how."""

    source: str
    of: Callable[[FloatArray, FloatArray], float]


def standard_deviation_of_lane_position(t: FloatArray, lane_offset: FloatArray) -> float:
    """SDLP in m over the window, with n − 1 (SAE J2944). A window with a lane change in it has none."""
    if len(lane_offset) < 2 or not np.all(np.abs(np.diff(lane_offset)) <= LANE_CHANGE_JUMP_M):
        return math.nan
    return float(np.std(lane_offset, ddof=1))


def steering_reversal_rate(t: FloatArray, angle: FloatArray, gap: float = REVERSAL_GAP_RAD) -> float:
    """Steering wheel reversals per minute of at least `gap` rad, both directions counted, angle not filtered.

    Counting rule after Markkula & Engström 2006 (from memory), without their low-pass filter.
    """
    if len(angle) < 2 or np.isnan(angle).any() or t[-1] <= t[0]:
        return math.nan
    return steering_reversals(angle, gap) / float(t[-1] - t[0]) * 60.0


def steering_reversals(angle: FloatArray, gap: float) -> int:
    """Number of reversals of at least `gap`, in the unit of `angle`, in both directions."""
    turning = np.diff(angle)
    moves = np.flatnonzero(turning)
    if not len(moves):
        return 0
    bends = np.flatnonzero(np.diff(np.sign(turning[moves])))
    places = np.concatenate([[0], moves[bends] + 1, [len(angle) - 1]])
    extremes = angle[places].tolist()
    return _rises(extremes, gap) + _rises([-one for one in extremes], gap)


def lane_departures(t: FloatArray, distance_to_line: FloatArray) -> float:
    """How often the body's edge came from inside the lane onto a line in the window (SAE J2944, body edge option)."""
    if not len(distance_to_line) or np.isnan(distance_to_line).any():
        return math.nan
    over = distance_to_line <= 0.0
    return float(np.count_nonzero(over[1:] & ~over[:-1]))


ROLLING = {
    "sdlp": Rolling("lane_offset", standard_deviation_of_lane_position),
    "steering_reversal_rate": Rolling("steering_angle", steering_reversal_rate),
    "lane_departures": Rolling("distance_to_line", lane_departures),
}
"""Rolling measures by name."""


def _rises(extremes: list[float], gap: float) -> int:
    """Rises of at least `gap` among the extremes of a signal, each counted once from its lowest point."""
    count, low = 0, extremes[0]
    for one in extremes[1:]:
        if one - low >= gap:
            count += 1
            low = one
        elif one < low:
            low = one
    return count

"""Signs and units of the turning channels in the run-up: yaw rate, steering angle, lane offset against the car's path.

Axes after ISO 8855: a left turn is positive in all of them. The run-up is cut into pieces of half a second; over each,
the change of one channel is held against the change that the path shows. The two are compared by their correlation
about zero, so that a constant turn counts as evidence.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.stretch import Stretch
from monitor.judging.case.trial import Finding
from monitor.measures.columns import BoolArray, FloatArray, IntArray
from monitor.measures.placement import own_way

PIECE_S = 0.5
LEAST_PIECES = 8

OPPOSITE = -0.9
"""A correlation below this, and enough evidence, is the opposite sign (common practice, no source)."""
ALIKE = 0.9

TURNED_RAD = 0.005
"""Least change of heading, summed over the pieces, that says anything about a turn …"""
SHIFTED_M = 0.05
"""… and least change of the offset from the road's line."""

STRAIGHT_RAD = 0.05
"""A heading that stays within this in the run-up: a straight way, from the first place to the last one."""

DEGREES = math.degrees(1.0)


@dataclass(frozen=True, slots=True)
class Pieces:
    """Begin and end frames of the pieces, and what the path did over each: shapes (k,)."""

    first: IntArray
    last: IntArray
    seconds: FloatArray
    turned: FloatArray
    """Change of heading in rad."""
    shifted: FloatArray | None
    """Change of the offset from the way in m, left-positive; None where the way is not known."""


def judge_signs(case: Case, run_up: Stretch, span: slice) -> list[tuple[Finding, frozenset[str]]]:
    """Findings with the channels that they are about."""
    pieces = _cut(run_up, span)
    if pieces is None:
        return []
    own = run_up.frames.own
    opposite: list[str] = []
    found: list[tuple[Finding, frozenset[str]]] = []
    turns = float(np.sum(np.abs(pieces.turned))) >= TURNED_RAD
    if turns:
        by_yaw_rate = _mean(own["yaw_rate"], pieces) * pieces.seconds
        likeness, factor = _compare(by_yaw_rate, pieces.turned)
        if likeness < OPPOSITE:
            opposite.append("yaw_rate")
        elif likeness > ALIKE and 0.5 < factor / DEGREES < 2.0:
            sentence = f"The yaw rate is {factor:.0f} times the change of heading per second: degrees per second?"
            found.append((case.finding("unit-implausible", sentence, None), frozenset(("own.yaw_rate",))))
        if _compare(_mean(own["steering_angle"], pieces), pieces.turned)[0] < OPPOSITE:
            opposite.append("steering_angle")
    if pieces.shifted is not None and float(np.sum(np.abs(pieces.shifted))) >= SHIFTED_M:
        offset = own["lane_offset"]
        change = offset[pieces.last] - offset[pieces.first]
        if _compare(change, pieces.shifted)[0] < OPPOSITE:
            opposite.append("lane_offset")
    if opposite:
        names = " and ".join((", ".join(opposite[:-1]), opposite[-1])) if len(opposite) > 1 else opposite[0]
        has = "have" if len(opposite) > 1 else "has"
        sentence = f"{names} {has} the opposite sign of the car's own path: does the simulator count to the right?"
        channels = frozenset(f"own.{name}" for name in opposite)
        found.append((case.finding("axis-implausible", sentence, float(run_up.t[span.start])), channels))
    return found


def _cut(run_up: Stretch, span: slice) -> Pieces | None:
    """The pieces without a loss inside."""
    frames, t = run_up.frames, run_up.t
    size = max(round(PIECE_S / run_up.period_s), 1)
    begins = np.arange(span.start, span.stop - size, size, dtype=np.int64)
    if len(begins) < LEAST_PIECES:
        return None
    ends = begins + size
    heading = frames.own["heading"]
    whole = (frames.seq[ends] - frames.seq[begins] == size) & np.isfinite(heading[ends] - heading[begins])
    begins, ends = begins[whole], ends[whole]
    if len(begins) < LEAST_PIECES:
        return None
    turned = np.remainder(heading[ends] - heading[begins] + np.pi, 2.0 * np.pi) - np.pi
    return Pieces(begins, ends, t[ends] - t[begins], turned, _shifted(run_up, span, begins, ends, turned))


def _shifted(run_up: Stretch, span: slice, begins: IntArray, ends: IntArray, turned: FloatArray) -> FloatArray | None:
    """Change of the offset from the road's line; without a road, from a straight way's line."""
    frames = run_up.frames
    lane = frames.own["lane"]
    same_lane: BoolArray = np.isnan(lane[ends]) | (lane[ends] == lane[begins])
    if run_up.road is not None:
        way = own_way(frames, run_up.road)
        shifted = (way.d[ends] - way.d[begins]) * way.along[begins]
    else:
        heading = np.cumsum(turned)
        if float(heading.max() - heading.min()) >= STRAIGHT_RAD:
            return None
        own = frames.own
        x, y = own["x"], own["y"]
        first, last = span.start, span.stop - 1
        length = float(np.hypot(x[last] - x[first], y[last] - y[first]))
        if not length > 1.0:
            return None
        ux, uy = (x[last] - x[first]) / length, (y[last] - y[first]) / length
        shifted = (y[ends] - y[begins]) * ux - (x[ends] - x[begins]) * uy
    return np.where(same_lane & np.isfinite(shifted), shifted, 0.0)


def _mean(column: FloatArray, pieces: Pieces) -> FloatArray:
    """Mean of a channel over each piece; each piece is summed by itself."""
    return np.array([column[first:last].mean() for first, last in zip(pieces.first, pieces.last, strict=True)])


def _compare(channel: FloatArray, path: FloatArray) -> tuple[float, float]:
    """Correlation about zero of a channel's change and the path's, and the factor between them; 0 without evidence."""
    known = np.isfinite(channel) & np.isfinite(path)
    a, b = channel[known], path[known]
    together = float(np.sum(a * b))
    size = float(np.sum(a * a)) * float(np.sum(b * b))
    if len(a) < LEAST_PIECES or not size > 0.0:
        return 0.0, 0.0
    return together / size**0.5, float(np.sum(a * a)) / together if together else 0.0

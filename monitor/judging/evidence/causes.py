"""What makes two channels disagree, as far as their course tells: another unit, a sign, a delay, a scale, a channel
that is not filled. A guess for a person to look at; it decides nothing."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from monitor.judging.evidence.bodies import BREAK_S, Body, cumulated, cut, turn_of
from monitor.judging.evidence.closure import close
from monitor.judging.evidence.pairs import OFFSET_LINE, Pair, headed_steps
from monitor.measures.columns import FloatArray, IntArray

Kind = Literal["unit", "sign", "not filled", "late", "scale", ""]

PIECE_S = 0.5
LEAST_PIECES = 8
ALIKE = 0.9
NEAR_UNIT = 0.05
SCALED = 0.02
LATE_S = 0.03

UNITS: dict[str, tuple[tuple[float, str], ...]] = {
    "speed": ((3.6, "km/h"), (2.2369362920544, "mph"), (3.280839895013123, "ft/s"), (1.9438444924406, "kn")),
    "accel": ((1.0 / 9.80665, "g"), (3.280839895013123, "ft/s²"), (3.6, "km/h a second")),
    "yaw_rate": ((57.29577951308232, "degrees a second"),),
    "heading": ((57.29577951308232, "degrees"),),
    "station": ((3.280839895013123, "ft"), (100.0, "cm"), (0.001, "km")),
    "place": ((3.280839895013123, "ft"), (100.0, "cm")),
}
"""SI units in others: 1/0.44704 mph, 1/0.3048 ft, 3600/1852 kn (international mile, foot and nautical mile, NIST SP
811; standard acceleration of free fall 9.80665 m/s²)."""


@dataclass(frozen=True, slots=True)
class Cause:
    """A guess: its kind, the channel that is at fault (empty: either), and words for the end of a sentence."""

    kind: Kind
    channel: str
    words: str


NO_GUESS = Cause("", "", "")


def likely_cause(body: Body, pair: Pair, at_fault: str) -> Cause:
    """What makes a pair disagree. `at_fault`: the channel that other pairs speak against; empty where they don't."""
    moved = _pieces(body, pair)
    if moved is None:
        return NO_GUESS
    first, second = moved
    if pair.rate_channel is not None and not np.nan_to_num(body.channel(pair.rate_channel)).any():
        return Cause("not filled", pair.second, f"{pair.second} is always 0: not filled?")
    together, size = float(np.sum(first * second)), float(np.sum(first**2)) * float(np.sum(second**2))
    if not size > 0.0:
        return NO_GUESS
    likeness = together / size**0.5
    if abs(likeness) < ALIKE:
        return NO_GUESS
    factor = float(np.sum(second**2)) / together
    channel = at_fault or pair.second
    by = factor if channel == pair.second else 1.0 / factor
    for known, unit in UNITS.get(channel, ()):
        if abs(abs(by) / known - 1.0) < NEAR_UNIT:
            turned = " with the opposite sign" if by < 0.0 else ""
            return Cause("unit", channel, f"{channel} is {abs(by):.3g} times what the other says: {unit}{turned}?")
    if factor < 0.0:
        return Cause("sign", channel, f"{channel} has the opposite sign")
    late_s = _late_s(body, pair)
    if late_s is not None:
        return Cause("late", channel, f"{pair.second} {'late' if late_s > 0 else 'early'} by {abs(late_s):.2f} s?")
    if abs(by - 1.0) > SCALED:
        return Cause("scale", channel, f"{channel} is {by:.2f} times what the other says: a scale?")
    return NO_GUESS


def _pieces(body: Body, pair: Pair) -> tuple[FloatArray, FloatArray] | None:
    """Change of the first channel and of what the second one says of it, over pieces of half a second."""
    series = pair.series(body)
    if series is None or pair is OFFSET_LINE:
        return None
    dt = np.diff(body.t)
    usable = series.usable & (dt <= BREAK_S)
    if pair.rate_channel is not None:
        rate = np.where(np.isfinite(series.rate), series.rate, 0.0)
        second = np.where(usable, 0.5 * (rate[1:] + rate[:-1]) * dt, 0.0)
        first = np.where(usable, series.step, 0.0)
    else:
        second = np.where(usable, headed_steps(body), 0.0)
        first = np.where(usable, series.step, 0.0) + second
    grid = cut(body.t, PIECE_S)
    if len(grid) <= LEAST_PIECES:
        return None
    return np.diff(cumulated(first)[grid]), np.diff(cumulated(second)[grid])


def _late_s(body: Body, pair: Pair) -> float | None:
    """By how much the integrated channel is late: the residue then goes with the change of that channel."""
    closed = close(body, pair)
    if pair.rate_channel is None or closed is None:
        return None
    grid = cut(body.t, PIECE_S)
    rate = body.channel(pair.rate_channel)
    residue, changed = np.diff(closed.residue[grid]), np.diff(rate[grid])
    use = np.isfinite(changed)
    size = float(np.sum(residue[use] ** 2)) * float(np.sum(changed[use] ** 2))
    together = float(np.sum(residue[use] * changed[use]))
    if not size > 0.0 or abs(together) / size**0.5 < ALIKE:
        return None
    late_s = together / float(np.sum(changed[use] ** 2))
    return late_s if abs(late_s) > LATE_S else None


def spoken_against(body: Body, pairs: tuple[Pair, ...], flagged: set[str]) -> str:
    """The channel that every flagged pair has in common, where at least two are flagged and a pair without it holds."""
    told = [pair for pair in pairs if pair.name in flagged]
    holding = [pair for pair in pairs if pair.name not in flagged and close(body, pair) is not None]
    if len(told) < 2:
        return ""
    common = {told[0].first, told[0].second}.intersection(*({one.first, one.second} for one in told[1:]))
    cleared = {name for pair in holding for name in (pair.first, pair.second)}
    left = common - cleared or common
    return next(iter(left)) if len(left) == 1 else ""


STRAIGHT_RAD = 0.05
"""A heading that stays within this: a straight way, from the first place to the last one."""
SHIFTED_M = 0.05
TURNED_RAD = 0.005
"""Least movement aside and least turn, summed over the pieces, that say anything of a sign."""
WHEEL_M = 43.0
"""Wheel angle over curvature: a steering ratio of 16 times a wheelbase of 2.7 m (common practice, no source)."""
IN_DEGREES = (25.0, 130.0)
"""A wheel that turns by so many times what the curvature asks for is in degrees: 57.3, and cars differ by twice."""


def turned_channels(body: Body) -> list[Cause]:
    """Yaw rate, steering wheel and lane offset of own car against the path: another sign, or a wheel in degrees.

    The path is cut into pieces of half a second. Correlations are about zero, so that a constant turn counts; a sign
    shows long before it would make a residue run away.
    """
    known: list[Cause] | None = body.memo.get("turned channels")
    if known is None:
        known = body.memo["turned channels"] = _turned_channels(body) if body.has("heading") else []
    return known


def _turned_channels(body: Body) -> list[Cause]:
    grid = cut(body.t, PIECE_S)
    if len(grid) <= LEAST_PIECES:
        return []
    found = []
    course = cumulated(turn_of(np.diff(body.channel("heading"))))
    turned = np.diff(course[grid])
    seconds = np.diff(body.t[grid])
    if float(np.nansum(np.abs(turned))) >= TURNED_RAD:
        likeness, _ = _compare(_means(body.channel("yaw_rate"), grid) * seconds, turned)
        if likeness < -ALIKE:
            found.append(Cause("sign", "yaw_rate", "yaw_rate has the opposite sign of the car's turns"))
        found += _wheel(body, grid, turned)
    aside = _moved_aside(body)
    if aside is not None:
        lane = body.channel("lane")[grid]
        same_lane = (np.diff(lane) == 0.0) | np.isnan(np.diff(lane))
        shifted = np.where(same_lane, np.diff(aside[grid]), np.nan)
        if float(np.nansum(np.abs(shifted))) >= SHIFTED_M:
            likeness, _ = _compare(np.diff(body.channel("lane_offset")[grid]), shifted)
            if likeness < -ALIKE:
                found.append(Cause("sign", "lane_offset", "lane_offset has the opposite sign of the car's path"))
    return found


def _wheel(body: Body, grid: IntArray, turned: FloatArray) -> list[Cause]:
    if not body.has("steering_angle", "x", "y"):
        return []
    steps = headed_steps(body)
    way = np.diff(cumulated(np.where(np.isfinite(steps), steps, 0.0))[grid])
    with np.errstate(divide="ignore", invalid="ignore"):
        curvature = np.where(np.abs(way) > 0.5, turned / way, np.nan)
    angle = _means(body.channel("steering_angle"), grid)
    likeness, factor = _compare(angle, WHEEL_M * curvature)
    if likeness < -ALIKE:
        return [Cause("sign", "steering_angle", "steering_angle has the opposite sign of the car's turns")]
    if likeness > ALIKE and IN_DEGREES[0] < factor < IN_DEGREES[1]:
        words = f"steering_angle is {factor:.0f} times what the car's turns ask for: degrees?"
        return [Cause("unit", "steering_angle", words)]
    return []


def _means(column: FloatArray, grid: IntArray) -> FloatArray:
    """Mean of a column over each piece; each piece is summed by itself. NaN for a piece without a frame."""
    pieces = pairwise(grid.tolist())
    return np.array([column[first:last].mean() if last > first else np.nan for first, last in pieces])


def _moved_aside(body: Body) -> FloatArray | None:
    """The body's place aside of the road's line; without one, of a straight way from its first place to its last."""
    if not body.has("lane_offset", "x", "y"):
        return None
    if body.way is not None:
        return body.way.d * np.where(np.cos(body.channel("heading") - body.way.heading) < 0.0, -1.0, 1.0)
    x, y = body.channel("x"), body.channel("y")
    length = float(np.hypot(x[-1] - x[0], y[-1] - y[0]))
    if float(np.ptp(np.unwrap(body.channel("heading")))) >= STRAIGHT_RAD or not length > 1.0:
        return None
    ux, uy = (x[-1] - x[0]) / length, (y[-1] - y[0]) / length
    return np.asarray(y * ux - x * uy)


def _compare(channel: FloatArray, path: FloatArray) -> tuple[float, float]:
    """Correlation about zero of a channel and the path, and the factor between them; 0 without evidence."""
    known = np.isfinite(channel) & np.isfinite(path)
    a, b = channel[known], path[known]
    together, size = float(np.sum(a * b)), float(np.sum(a * a)) * float(np.sum(b * b))
    if len(a) < LEAST_PIECES or not size > 0.0:
        return 0.0, 0.0
    return together / size**0.5, float(np.sum(a * a)) / together if together else 0.0

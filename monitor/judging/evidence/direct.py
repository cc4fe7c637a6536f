"""Direct: two tellings of one instant, meaned over a quarter of a second, one and four seconds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.judging.evidence.bodies import MAD, Body, cumulated, hold_of, middle, third_difference_noise, turn_of
from monitor.judging.evidence.closure import K
from monitor.judging.evidence.pairs import ALONG
from monitor.measures.columns import FloatArray, IntArray

OVER_S = (0.25, 1.0, 2.0, 4.0)
LEAST_FRAMES, LEAST_SHARE = 3, 0.5
LENGTHS = 7.0
"""Noise that wanders is measured over windows of a length that the stretch holds so many of: one step in it then takes
part in less than half of them, and does not count as noise."""

WANDERS = 1.35
"""Means that differ by so many times what white noise makes them: in some hundred of them that is no chance, and below
it the limit is still 4.4 standard errors."""

MOST_WANDER = {"lane offset": 0.15, "heading": 0.05, "gap": 0.5}
"""In m and rad: what comes apart by more, over seconds, is no noise that wanders (common practice, no source)."""

OFFSET_ALLOWED_M = 0.05
HEADING_ALLOWED_RAD = 0.06
SIDESLIP_M = 2.5
"""The centre of a box lies so far ahead of the axle that does not slide: times the curvature, the angle between heading
and way (the kinematic bicycle model's; the distance is assumed)."""
CHORD_HALF_S, CHORD_LEAST_M, CHORD_SIGMAS = 0.25, 2.5, 20.0
HEADING_OVER_S = (4.0,)
"""A gust moves a body sideways without its heading, which is over in four seconds, and large only for a slow body."""

GAP_ALLOWED_M, GAP_ALLOWED_BARE_M = 0.15, 0.3
LANE_DISTANCE_M = 3.6


@dataclass(frozen=True, slots=True)
class Means:
    """Differences of two tellings meaned over windows of one length, shapes (w,); `end` are frame indices."""

    what: str
    seconds: float
    begin: IntArray
    end: IntArray
    difference: FloatArray
    limit: FloatArray
    noise: FloatArray


@dataclass(frozen=True, slots=True)
class Apart:
    """By how much two tellings differ in each frame and what of it is allowed, shapes (n,), in m or rad. `hold`: frames
    from one that says something new to the next."""

    what: str
    t: FloatArray
    difference: FloatArray
    allowed: FloatArray
    period_s: float
    hold: float


def mean_differences(apart: Apart, over_s: tuple[float, ...] = OVER_S) -> list[Means]:
    """A difference that should be zero, held against its noise and what is allowed, over windows of every length.

    The noise is the greater of that from frame to frame and that of means over the stretch: noise that wanders slowly
    does not go away in a mean.
    """
    t, period_s, hold = apart.t, apart.period_s, apart.hold
    known = np.isfinite(apart.difference) & np.isfinite(apart.allowed)
    values = np.where(known, apart.difference, 0.0)
    steady = values[known]
    sigma = third_difference_noise(steady[:: max(round(hold), 1)])
    sums, counts = cumulated(values), cumulated(known.astype(np.float64))
    most = cumulated(np.where(known, apart.allowed, 0.0))
    slow = 0.0
    pieces = []
    for seconds in over_s:
        end = np.arange(len(t))[:: max(round(0.25 * min(seconds, 0.4) / period_s), 1)]
        end = np.unique(np.append(end, len(t) - 1))
        begin = t.searchsorted(t[end] - seconds - 0.1 * period_s, side="left")
        number = counts[end + 1] - counts[begin]
        least = max(LEAST_FRAMES, LEAST_SHARE * seconds / period_s)
        whole = (number >= least) & (t[end] - t[begin] >= seconds - 2.0 * period_s)
        begin, end, number = begin[whole], end[whole], number[whole]
        if not len(begin):
            continue
        mean = (sums[end + 1] - sums[begin]) / number
        noise = sigma / np.sqrt(np.maximum(number / hold, 1.0))
        if t[-1] - t[0] >= LENGTHS * seconds and len(mean) >= 8:
            before = np.searchsorted(t[end], t[end] - seconds + period_s, side="right") - 1
            steps = (mean - mean[np.maximum(before, 0)])[before >= 0]
            # two tellings that come apart steadily are no noise
            spread = middle(np.abs(steps - middle(steps))) if len(steps) else 0.0
            wanders = MAD * spread / 2.0**0.5
            # white noise is as large by both, and goes away in longer means
            slow = max(slow, wanders if wanders > WANDERS * middle(noise) else 0.0)
        pieces.append((seconds, begin, end, mean, noise, (most[end + 1] - most[begin]) / number))
    found = []
    slow = min(slow, MOST_WANDER[apart.what])
    for seconds, begin, end, mean, noise, may in pieces:
        # what wanders is about as large in a mean over less time, and over not much more
        noise = np.maximum(noise, slow)
        found.append(Means(apart.what, seconds, begin, end, mean, K * noise + may, noise))
    return found


def worst_of(differences: list[Means], t: FloatArray, from_t: float, to_t: float) -> tuple[Means, int] | None:
    """Of all means that meet the time asked about the one that is nearest to its limit, or furthest beyond it."""
    best: tuple[float, Means, int] | None = None
    for means in differences:
        meets = np.flatnonzero((t[means.end] >= from_t) & (t[means.begin] <= to_t))
        if len(meets):
            reached = np.abs(means.difference[meets]) / means.limit[meets]
            at = int(reached.argmax())
            if best is None or reached[at] > best[0]:
                best = float(reached[at]), means, int(meets[at])
    return None if best is None else best[1:]


def offset_by_line(body: Body) -> FloatArray:
    """Lane offset by the road's line: from the centre of the lane that the body's centre is in."""
    way = body.way
    if way is None:
        return np.full(len(body), np.nan)
    along = np.where(np.cos(body.channel("heading") - way.heading) < 0.0, -1.0, 1.0)
    lane = np.clip(np.floor(way.d / way.lane_width + 0.5 * way.lanes), 0.0, way.lanes - 1.0)
    aligned = np.abs(np.cos(body.channel("heading") - way.heading)) > ALONG
    offset = along * (way.d - (lane - 0.5 * (way.lanes - 1)) * way.lane_width)
    return np.where(aligned, offset, np.nan)


def offset_difference(body: Body) -> FloatArray:
    """Lane offset less that by the road's line, shape (n,). A lane counted from another edge shifts every centre by
    half a lane, and a lane change is told a little earlier by one of the two: so it is taken to the nearest centre."""
    if body.way is None or not body.has("lane_offset", "x", "y", "heading"):
        return np.full(len(body), np.nan)
    width = body.way.lane_width
    offset = body.channel("lane_offset")
    difference = offset - offset_by_line(body)
    nearest = np.remainder(difference + 0.5 * width, width) - 0.5 * width
    # a lane change may be told late, when the body is half in the next lane; nobody counts a lane on beyond that
    known = np.abs(offset[np.isfinite(offset)])
    return nearest if not len(known) or float(known.max()) <= 0.75 * width else difference


def offset_differences(body: Body) -> list[Means]:
    """Lane offset against the road's line, computed once; empty where the feed has not both."""
    known: list[Means] | None = body.memo.get("offset")
    if known is None:
        known = []
        difference = offset_difference(body)
        if body.way is not None and np.isfinite(difference).any():
            allowed = np.full(len(body), OFFSET_ALLOWED_M + body.way.sagitta_m)
            known = mean_differences(Apart("lane offset", body.t, difference, allowed, body.sampling.period_s, 1.0))
        body.memo["offset"] = known
    return known


def heading_differences(body: Body) -> list[Means]:
    """Heading against the way moved, along chords of half a second."""
    known: list[Means] | None = body.memo.get("heading by way")
    if known is None:
        known = body.memo["heading by way"] = _heading_differences(body)
    return known


def _heading_differences(body: Body) -> list[Means]:
    if not body.has("x", "y", "heading") or len(body) < 8:
        return []
    t, period = body.t, body.sampling.period_s
    x, y, heading = body.channel("x"), body.channel("y"), body.channel("heading")
    begin = t.searchsorted(t - CHORD_HALF_S - 0.1 * period, side="left")
    end = np.minimum(t.searchsorted(t + CHORD_HALF_S + 0.1 * period, side="right") - 1, len(t) - 1)
    whole = (t[end] - t >= CHORD_HALF_S - 1.5 * period) & (t - t[begin] >= CHORD_HALF_S - 1.5 * period)
    dx, dy = x[end] - x[begin], y[end] - y[begin]
    chord = np.hypot(dx, dy)
    changed = np.flatnonzero((np.diff(x) != 0.0) | (np.diff(y) != 0.0))
    sigma = max(third_difference_noise(x[changed]), third_difference_noise(y[changed]))
    way = np.arctan2(dy, dx)
    course = cumulated(turn_of(np.diff(heading)))
    middle = heading[begin] + 0.5 * (course[end] - course[begin])
    difference = turn_of(way - middle)
    # a body that backs up moves against its heading
    backs = np.abs(difference) > 0.5 * np.pi
    speed = body.channel("speed")
    difference = np.where(backs & ~(speed > 1.0), turn_of(difference + np.pi), difference)
    turn = np.abs(course[end] - course[begin])
    with np.errstate(divide="ignore", invalid="ignore"):
        allowed = HEADING_ALLOWED_RAD + SIDESLIP_M * turn / chord + 6.0 * sigma / (2.0**0.5 * chord) + 0.25 * turn
    use = whole & (chord > max(CHORD_LEAST_M, CHORD_SIGMAS * sigma))
    difference, allowed = np.where(use, difference, np.nan), np.where(use, allowed, np.nan)
    hold = hold_of(np.concatenate([[True], (np.diff(x) != 0.0) | (np.diff(y) != 0.0)]), period)
    # chords overlap: a mean over less than a chord has the noise of one
    hold = max(hold, CHORD_HALF_S / period)
    return mean_differences(Apart("heading", t, difference, allowed, period, hold), HEADING_OVER_S)


@dataclass(frozen=True, slots=True)
class Placing:
    """Where a body is and heads, shapes (n,)."""

    x: FloatArray
    y: FloatArray
    heading: FloatArray


@dataclass(frozen=True, slots=True)
class PlacedPair:
    """Own car and another vehicle at times of shape (n,), and whether there is a road to place them along."""

    t: FloatArray
    own: Placing
    other: Placing
    has_road: bool


def gap_differences(pair: PlacedPair, apart_m: FloatArray, period_s: float) -> list[Means]:
    """The gap by the stations against the gap by the boxes; `apart_m`: by how much they differ, shape (n,).

    Without a road the boxes are placed by the arc that own car drives, which a bend ahead leaves: what that can come to
    is allowed. Lanes of one road differ in length by the turn between the two bodies times their distance.
    """
    own, other = pair.own, pair.other
    turn = np.abs(turn_of(other.heading - own.heading))
    dx, dy = other.x - own.x, other.y - own.y
    chord = np.hypot(dx, dy)
    if pair.has_road:
        allowed = GAP_ALLOWED_M + LANE_DISTANCE_M * turn
    else:
        aside = turn_of(np.arctan2(dy, dx) - own.heading)
        allowed = GAP_ALLOWED_BARE_M + LANE_DISTANCE_M * turn + 0.125 * chord * (turn**2 + aside**2)
    hold = hold_of(np.concatenate([[True], (np.diff(other.x) != 0.0) | (np.diff(other.y) != 0.0)]), period_s)
    return mean_differences(Apart("gap", pair.t, apart_m, allowed, period_s, hold))

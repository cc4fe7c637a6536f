"""Closure: what one channel changed by, less the integral of another, stays the same if both are true.

A scale or an offset of either makes the residue run away, a channel that stands makes a ramp, a jump a step, a delay a
part of it that goes with the rate. The test is on the change of the residue over windows of half a second to eight: its
mean in the last quarter less its mean in the first one. The limit is k standard errors and what the pair is allowed.

Each window is held against its own frames; sums run over the stretch and no further.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from monitor.judging.evidence.bodies import (
    BREAK_S,
    MAD,
    Body,
    Grain,
    cumulated,
    grain_of,
    hold_of,
    middles,
    third_difference_noises,
    turn_of,
)
from monitor.judging.evidence.pairs import PAIRS, STATION_LINE, Pair, Series
from monitor.measures.columns import BoolArray, FloatArray, IntArray

WINDOWS_S = (0.5, 1.0, 2.0, 4.0, 8.0)
LEAST_FRAMES = 8
K = 6.0
"""Standard errors: with some 10,000 windows a drive, a normal residue exceeds this in one drive of 50,000."""

BETWEEN = 0.75
"""The centres of the first and the last quarter lie this share of a window apart."""

STRIDE_S = 0.1
"""Windows end this far apart, and at the last frame."""

LENGTHS, LEAST_WINDOWS = 5.0, 20
"""Noise that wanders is measured over windows of a length that the stretch holds so many of; over longer ones it is
taken to grow with the root of the length, as an integral of noise does."""


@dataclass(frozen=True, slots=True)
class Windows:
    """A pair over all windows of one length, shapes (w,). `change` is the residue's, `limit` what it may be, `noise`
    one standard error of it; `begin` and `end` are frame indices (both belong to the window). `early` is the mean of
    the residue in the first quarter."""

    pair: Pair
    seconds: float
    begin: IntArray
    end: IntArray
    change: FloatArray
    limit: FloatArray
    noise: FloatArray
    early: FloatArray

    @property
    def between_s(self) -> float:
        """The time over which `change` came about."""
        return BETWEEN * self.seconds

    def disagrees(self, at: int) -> bool:
        """Whether the change over one of them is more than noise and allowances."""
        return bool(abs(self.change[at]) > self.limit[at])


@dataclass(frozen=True, slots=True)
class Closure:
    """A pair of a body: its residue, shape (n,) over the body's frames, and all windows, by length. Of all of them one
    after the other, shapes (w,): begin and end in s, and how much of its limit each reaches."""

    pair: Pair
    residue: FloatArray
    windows: tuple[Windows, ...]
    begin_t: FloatArray
    end_t: FloatArray
    reached: FloatArray
    fits: bool
    """Whether no window is at its limit, or beyond it."""

    def worst(self, from_t: float, to_t: float) -> tuple[Windows, int] | None:
        """The window that meets the time asked about and is nearest to its limit, or furthest beyond it."""
        meets = np.flatnonzero((self.end_t >= from_t) & (self.begin_t <= to_t))
        if not len(meets):
            return None
        at = int(meets[self.reached[meets].argmax()])
        for windows in self.windows:
            if at < len(windows.end):
                return windows, at
            at -= len(windows.end)
        raise AssertionError("a window beyond the last")


def close(body: Body, pair: Pair) -> Closure | None:
    """A pair of a body, computed once; None where the feed has not both channels."""
    known: dict[str, Closure] | None = body.memo.get("closures")
    if known is None:
        known = body.memo["closures"] = _close_all(body)
    return known.get(pair.name)


def _close_all(body: Body) -> dict[str, Closure]:
    """All pairs of a body. Those that are told by every frame, as most are, are one table of windows: a pair by itself
    costs some ninety calls of numpy over a few hundred numbers each."""
    if len(body) < LEAST_FRAMES:
        return {}
    together: list[tuple[Pair, Series]] = []
    found: dict[str, Closure] = {}
    for pair in PAIRS:
        series = pair.series(body)
        if series is None:
            continue
        kept = _kept(body, pair)
        if len(kept) == len(body) and bool(series.usable.all()):
            together.append((pair, series))
        elif len(kept) >= LEAST_FRAMES:
            found |= _over_windows(body, [(pair, series)], kept)
    return found | _over_windows(body, together, np.arange(len(body))) if together else found


def _kept(body: Body, pair: Pair) -> IntArray:
    """The frames that say something new of a pair: those between that slow traffic is sent in don't. Where it stands
    for longer, they do."""
    changed = np.zeros(len(body), dtype=np.bool_)
    for name in pair.step_channels:
        changed |= body.changed(name)
    place = np.arange(len(body))
    hold = hold_of(changed, body.sampling.period_s)
    if hold <= 1.0:
        return place
    since = place - np.maximum.accumulate(np.where(changed, place, 0))
    return np.flatnonzero(changed | (since >= 2.0 * hold))


def _over_windows(body: Body, those: list[tuple[Pair, Series]], kept: IntArray) -> dict[str, Closure]:
    """Pairs over all windows of the frames that are kept: a row each. Where there are several, they may be used in the
    same frames."""
    pairs = [pair for pair, _ in those]
    t = body.t[kept]
    dt = np.diff(t)
    near = dt <= BREAK_S
    period = float(dt[near].mean()) if bool(near.any()) else body.sampling.period_s
    may = np.stack([one.usable for _, one in those])
    usable = (np.diff(cumulated((~may).astype(np.float64))[:, kept]) == 0.0) & near
    step = np.diff(cumulated(np.where(may, np.stack([one.step for _, one in those]), 0.0))[:, kept])
    rate = np.stack([one.rate for _, one in those])
    rate = np.where(np.isfinite(rate), rate, 0.0)[:, kept]
    size = np.abs(rate)
    grains = [grain_of(body, pair.rate_channel) if pair.rate_channel else Grain(1.0, 0.0, 0.0) for pair in pairs]
    grain_sigma, resolution = _column(one.sigma for one in grains), _column(one.resolution for one in grains)
    rate_hold = _column(max(one.hold * body.sampling.period_s / period, 1.0) for one in grains)
    integral = np.where(usable, 0.5 * (rate[:, 1:] + rate[:, :-1]) * dt, 0.0)
    residue = cumulated(np.where(usable, step, 0.0) - integral)
    sigma = third_difference_noises(residue)[:, None]
    residues, rates = cumulated(residue), cumulated(rate)
    sizes = cumulated(np.where(usable, 0.5 * (size[:, 1:] + size[:, :-1]) * dt, 0.0))
    jerks = np.maximum(np.abs(np.diff(rate)) - 6.0 * grain_sigma, 0.0)
    jerks = cumulated(np.where(usable, 0.5 * dt * jerks, 0.0))
    way = _way(body)[kept]
    places = _places(body, t, period)
    part = cumulated((~usable[0]).astype(np.float64))
    if part[-1] > 0.0:
        places = places.where(part[places.end] == part[places.begin])
    begin, end, first, last, seconds = places.begin, places.end, places.first, places.last, places.seconds
    early, late = first - begin + 1, end - last + 1
    first_mean = (residues[:, first + 1] - residues[:, begin]) / early
    change = (residues[:, end + 1] - residues[:, last]) / late - first_mean
    before = (rates[:, first + 1] - rates[:, begin]) / early
    after = (rates[:, end + 1] - rates[:, last]) / late
    rise = after - before
    frames = np.minimum(early, late)
    noise = np.sqrt(2.0 * sigma**2 / frames + grain_sigma**2 * rate_hold * period * seconds)
    moved = way[end] - way[begin]
    signed = cumulated(integral)
    summed = signed[:, end] - signed[:, begin]
    summed[[pair.rate_channel is None for pair in pairs]] = moved
    slow, span_s = np.zeros((len(pairs), 1)), float(t[-1] - t[0])
    lengths = places.lengths()
    for length_s, these in lengths:
        slow = slow * 2.0**0.5
        if span_s >= LENGTHS * length_s and these.stop - these.start >= LEAST_WINDOWS:
            end_t = t[end[these]]
            lag = end_t.searchsorted(end_t - length_s + period, side="right") - 1
            found = _slow_noise(change[:, these], lag, summed[:, these], rise[:, these])[:, None]
            slow = np.fmax(slow, found)  # where a number is too large to be squared, nothing is known of the noise
        noise[:, these] = np.maximum(noise[:, these], slow)
    allow = [pair.allowance for pair in pairs]
    limit = (
        K * noise
        + body.sampling.clock_s * np.maximum(np.abs(before), np.abs(after)) / np.sqrt(frames)
        + (period + _column(one.delay_s for one in allow)) * np.abs(rise)
        + (jerks[:, end] - jerks[:, begin])
        + _column(one.share for one in allow) * (sizes[:, end] - sizes[:, begin])
        + (_column(one.rate for one in allow) + 0.5 * BETWEEN * resolution) * seconds
        + _column(max(pair.allowance.step, body.steps.get(pair.first, 0.0)) for pair in pairs)
        + _column(one.share_of_way for one in allow) * moved
    )
    if any(one.by_turn for one in allow):
        turned, heading = _turned(body)[kept], body.channel("heading")[kept]
        net = np.abs(turn_of(heading[end] - heading[begin]))
        turns = np.where(np.isfinite(net), turned[end] - turned[begin] + net, 0.0)
        limit = limit + _column(one.by_turn for one in allow) * turns
    if STATION_LINE in pairs and body.way is not None:
        off_line_m = float(np.nanmax(np.abs(body.way.d), initial=0.0))
        limit[pairs.index(STATION_LINE)] += body.way.vertex_rad * off_line_m
    from_frame, to_frame = kept[begin], kept[end]
    at = np.maximum(kept.searchsorted(np.arange(len(body)), side="right") - 1, 0)
    shown, begin_t, end_t, reached = residue[:, at], t[begin], t[end], np.abs(change) / limit
    most = reached.max(axis=1, initial=0.0)
    return {
        pair.name: Closure(
            pair,
            shown[row],
            tuple(
                Windows(
                    pair,
                    length_s,
                    from_frame[these],
                    to_frame[these],
                    change[row, these],
                    limit[row, these],
                    noise[row, these],
                    first_mean[row, these],
                )
                for length_s, these in lengths
            ),
            begin_t,
            end_t,
            reached[row],
            bool(most[row] < 1.0),
        )
        for row, pair in enumerate(pairs)
    }


def _column(numbers: Iterable[float]) -> FloatArray:
    """A number for each row, shape (p, 1)."""
    return np.array([*numbers])[:, None]


@dataclass(frozen=True, slots=True)
class _Places:
    """Where the windows of all lengths lie among the frames that are kept, shapes (w,), the shortest ones first: begin
    and end, the last frame of the first quarter and the first frame of the last one; and their lengths in s."""

    begin: IntArray
    end: IntArray
    first: IntArray
    last: IntArray
    seconds: FloatArray

    def where(self, these: BoolArray) -> _Places:
        """Some of them."""
        return _Places(self.begin[these], self.end[these], self.first[these], self.last[these], self.seconds[these])

    def lengths(self) -> list[tuple[float, slice]]:
        """Each length that there are windows of, and which ones they are."""
        bounds = self.seconds.searchsorted([*WINDOWS_S, np.inf]).tolist()
        found = zip(WINDOWS_S, bounds, bounds[1:], strict=False)
        return [(seconds, slice(begin, end)) for seconds, begin, end in found if end > begin]


def _places(body: Body, t: FloatArray, period: float) -> _Places:
    """The windows of all lengths in the frames that are kept; computed once for a body whose frames all are."""
    known: _Places | None = body.memo.get("places") if len(t) == len(body) else None
    if known is None:
        each = [_windows(t, seconds, period) for seconds in WINDOWS_S]
        begin, end, first, last = (np.concatenate(columns) for columns in zip(*each, strict=True))
        known = _Places(begin, end, first, last, np.repeat(WINDOWS_S, [len(one[0]) for one in each]))
        if len(t) == len(body):
            body.memo["places"] = known
    return known


def _windows(t: FloatArray, seconds: float, period: float) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Begin and end of the windows of one length, the last frame of the first quarter, the first frame of the last."""
    nothing = np.empty(0, dtype=np.int64)
    last_t = float(t[-1])
    if last_t - float(t[0]) < seconds - period:
        return nothing, nothing, nothing, nothing
    count = int((last_t - float(t[0]) - seconds + period) / STRIDE_S)
    ends_t = last_t - STRIDE_S * np.arange(count, -1, -1)
    slack = 0.1 * period
    end = np.maximum(t.searchsorted(ends_t + slack, side="right") - 1, 0)
    begin = t.searchsorted(t[end] - seconds - slack, side="left")
    # a window must be filled: what lies before it may be a break
    filled = (t[end] - t[begin] >= seconds - 2.0 * period - slack) & (end - begin + 1 >= LEAST_FRAMES)
    begin, end = begin[filled], end[filled]
    first = t.searchsorted(t[begin] + 0.25 * seconds + slack, side="right") - 1
    last = t.searchsorted(t[end] - 0.25 * seconds - slack, side="left")
    return begin, end, first, last


def _way(body: Body) -> FloatArray:
    """The way that the body moved up to each frame in m, by the greater of what speed and place say, smoothed."""
    known: FloatArray | None = body.memo.get("way")
    if known is None:
        speed = np.abs(body.channel("speed"))
        dt = np.diff(body.t)
        by_speed = 0.5 * (speed[1:] + speed[:-1]) * dt
        known = cumulated(np.where(np.isfinite(by_speed) & (dt <= BREAK_S), by_speed, 0.0))
        body.memo["way"] = known
    return known


def _turned(body: Body) -> FloatArray:
    """The turn of the heading up to each frame in rad, summed over pieces of a second: noise must not add up."""
    known: FloatArray | None = body.memo.get("turned")
    if known is None:
        heading, t = body.channel("heading"), body.t
        use = np.isfinite(heading)
        if int(use.sum()) < 2:
            known = np.zeros(len(t))
        else:
            course = np.unwrap(heading[use])
            grid = np.append(np.arange(t[use][0], t[use][-1], 1.0), t[use][-1])
            turns = cumulated(np.abs(np.diff(np.interp(grid, t[use], course))))
            known = np.interp(t, grid, turns)
        body.memo["turned"] = known
    return known


def _slow_noise(change: FloatArray, lag: IntArray, *regressors: FloatArray) -> FloatArray:
    """One standard deviation of the changes over windows of one length, less what goes with any of the regressors, for
    each row, shape (p,). Shapes (p, w), of `lag` (w,).

    What a scale, an offset or a delay does goes with the integral, with time or with the rate's change, and is taken
    out by least squares; a fault that begins half-way shows in the differences of windows side by side (`lag`: the
    place of the one before) only about its begin; what a jump or a standing channel does is in few windows, and a
    median passes it over. So noise that wanders more slowly than from frame to frame is measured at the length at
    which it counts.
    """
    table = np.stack([np.ones(change.shape), *regressors], axis=-1)
    size = np.sqrt((table * table).mean(axis=1, keepdims=True))
    table = table / np.where(size > 0.0, size, 1.0)
    across = table.transpose(0, 2, 1)
    square = across @ table + 1e-9 * len(lag) * np.eye(table.shape[2])
    rest = change - (table @ np.linalg.solve(square, across @ change[:, :, None]))[:, :, 0]
    found = middles(np.abs(rest))
    first = int(lag.searchsorted(0))  # the first window that has one before it
    if first < len(lag):
        both = np.stack([rest, change])
        beside = middles(np.abs(both[:, :, first:] - both[:, :, lag[first:]])) / 2.0**0.5
        found = np.minimum(found, beside.min(axis=0))
    return MAD * found

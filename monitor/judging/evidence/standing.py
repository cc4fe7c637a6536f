"""Standing: a channel that repeats its last digit while something else of the body says that it moved."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.judging.evidence.bodies import BREAK_S, Body, Grain, cumulated, cut, grain_of
from monitor.judging.evidence.pairs import headed_steps, signed_speed
from monitor.measures.columns import BoolArray, FloatArray, IntArray
from monitor.measures.runs import runs_of

LEAST_REPEATS = 2
MOVED_M = 0.3
"""A place that stands while the speed says that the body moved by so much …"""
MOVED_SIGMAS = 8.5
SPEED_CHANGED_MPS, ACCEL_CHANGED_MPS2, YAW_CHANGED_RAD = 0.3, 0.5, 0.01
"""… and a speed, an acceleration, a heading that stands while what it should go with changed by so much."""
LONG_S, LONG_CHANGED_MPS = 3.0, 0.15
"""A speed that stands for so long while the way moved in a second, over half seconds, changes by so much."""
DRIFT_SIGMAS = 6.0
NOISY_SIGMAS = 3.0
"""A channel with noise of so many resolutions never repeats its last digit by itself."""
ROLLS_MPS = 1.0
"""A body that moves at all: the channels of a parked one may all stand."""


@dataclass(frozen=True, slots=True)
class Stand:
    """A channel stood from frame `begin` to frame `end` of its body; `moved` is what the other telling changed by."""

    channel: str
    by: str
    begin: int
    end: int
    moved: float
    unit: str


def stands(body: Body, channels: tuple[str, ...] = ("place", "station", "speed", "accel", "heading")) -> list[Stand]:
    """Every stand of a body's channels, by begin; computed once for the same channels."""
    known: list[Stand] | None = body.memo.get(("stands", channels))
    if known is None:
        found: list[Stand] = []
        for name in channels:
            still = ~np.logical_or.reduce([body.changed(one) for one in _COLUMNS.get(name, (name,))])
            # most channels of a drive never repeat a digit twice, and are not looked at any more
            if (still[1:] & still[:-1]).any():
                found += _TESTS[name](body, still)
        known = body.memo["stands", channels] = sorted(found, key=lambda one: (one.begin, one.channel))
    return known


def _place(body: Body, still: BoolArray) -> list[Stand]:
    if not body.has("x", "y", "speed"):
        return []
    x, y = grain_of(body, "x"), grain_of(body, "y")
    both = Grain(min(x.hold, y.hold), max(x.sigma, y.sigma), max(x.resolution, y.resolution))
    return _against_speed(body, "place", still, both)


def _station(body: Body, still: BoolArray) -> list[Stand]:
    if not body.has("station", "speed"):
        return []
    return _against_speed(body, "station", still, grain_of(body, "station"))


def _against_speed(body: Body, name: str, still: BoolArray, grain: Grain) -> list[Stand]:
    moved = _integral(body, signed_speed(body))
    least = math.hypot(max(MOVED_M, 3.0 * grain.resolution), MOVED_SIGMAS * grain.sigma)
    return _runs(body, name, still, grain, _Change("speed", moved, "m", least, grain_of(body, "speed").sigma))


def _speed(body: Body, still: BoolArray) -> list[Stand]:
    if not body.has("speed"):
        return []
    grain = grain_of(body, "speed")
    found = []
    if body.has("accel"):
        changed = _integral(body, body.channel("accel"))
        least = max(SPEED_CHANGED_MPS, 3.0 * grain.resolution)
        change = _Change("accel", changed, "m/s", least, grain_of(body, "accel").sigma)
        found += _runs(body, "speed", still, grain, change)
    found = found or _against_way(body, still, grain.hold)
    return found or _silent(body, "speed", still, grain)


def _against_way(body: Body, still: BoolArray, hold: float) -> list[Stand]:
    """A speed that stands for seconds while the way moved in a second, by its place, changes."""
    if not body.has("x", "y", "heading"):
        return []
    steps = headed_steps(body)
    way = cumulated(np.where(np.isfinite(steps), steps, 0.0))
    sigma = max(grain_of(body, "x").sigma, grain_of(body, "y").sigma)
    begin, end = _repeats(still)
    found = []
    for first, last in zip(begin.tolist(), end.tolist(), strict=True):
        lasts_s = float(body.t[last] - body.t[first])
        if lasts_s < LONG_S or last - first <= hold + 1.0:
            continue
        grid = np.unique(first + cut(body.t[first : last + 1], 0.5))
        if len(grid) < 3:
            continue
        rate = np.diff(way[grid]) / np.diff(body.t[grid])
        least = max(
            LONG_CHANGED_MPS, 12.0 * sigma / 0.5 + 4.0 * body.sampling.clock_s * float(np.median(np.abs(rate))) / 0.5
        )
        if float(np.ptp(rate)) > least:
            found.append(Stand("speed", "place", first, last, float(np.ptp(rate)), "m/s"))
    return found


def _accel(body: Body, still: BoolArray) -> list[Stand]:
    if not body.has("accel", "speed"):
        return []
    return _silent(body, "accel", still, grain_of(body, "accel"))


def _heading(body: Body, still: BoolArray) -> list[Stand]:
    if not body.has("heading", "yaw_rate"):
        return []
    turned = _integral(body, body.channel("yaw_rate"))
    change = _Change("yaw_rate", turned, "rad", YAW_CHANGED_RAD, grain_of(body, "yaw_rate").sigma)
    return _runs(body, "heading", still, grain_of(body, "heading"), change)


def _silent(body: Body, name: str, still: BoolArray, grain: Grain) -> list[Stand]:
    """A channel with noise whose noise is gone while the body moves: whatever it says, it is not measured any more."""
    usual = float(np.count_nonzero(~still)) * grain.hold / max(len(body), 1)
    if not grain.sigma > NOISY_SIGMAS * grain.resolution or usual < 0.5 or not body.has("x", "y", "heading"):
        return []
    if not is_restless(body.channel(name)[~still]):
        return []
    steps = headed_steps(body)
    moved = cumulated(np.where(np.isfinite(steps), steps, 0.0))
    least = math.hypot(MOVED_M, MOVED_SIGMAS * max(grain_of(body, "x").sigma, grain_of(body, "y").sigma))
    return _runs(body, name, still, grain, _Change("noise", moved, "m", least, 0.0))


def is_restless(column: FloatArray) -> bool:
    """Whether a column goes up and down from frame to frame as noise does, and not on and on as a motion does: white
    noise has a correlation of −½ between a step and the next one."""
    steps = np.diff(column[np.isfinite(column)])
    size = float(np.sum(steps**2))
    return len(steps) >= 20 and size > 0.0 and float(np.sum(steps[1:] * steps[:-1])) / size < -0.2


def _integral(body: Body, rate: FloatArray) -> FloatArray:
    dt = np.diff(body.t)
    steps = 0.5 * (rate[1:] + rate[:-1]) * dt
    return cumulated(np.where(np.isfinite(steps) & (dt <= BREAK_S), steps, 0.0))


@dataclass(frozen=True, slots=True)
class _Change:
    """What another telling changed by while a channel stood: summed up to each frame, with the least that counts."""

    by: str
    summed: FloatArray
    unit: str
    least: float
    rate_sigma: float
    """Noise of what was summed, which drifts."""


def _runs(body: Body, name: str, still: BoolArray, grain: Grain, change: _Change) -> list[Stand]:
    begin, end = _repeats(still)
    repeats = end - begin
    moved = change.summed[end] - change.summed[begin]
    drift = DRIFT_SIGMAS * change.rate_sigma * np.sqrt(repeats) * body.sampling.period_s
    stood = (
        (repeats >= LEAST_REPEATS) & (repeats > grain.hold + 1.0) & (np.abs(moved) > np.maximum(change.least, drift))
    )
    return [
        Stand(name, change.by, int(begin[at]), int(end[at]), float(moved[at]), change.unit)
        for at in np.flatnonzero(stood)
    ]


def _repeats(still: BoolArray) -> tuple[IntArray, IntArray]:
    """First frame (the one that is repeated) and last frame of each run of repeats."""
    starts, stops = runs_of(still)
    return np.maximum(starts - 1, 0), stops - 1


_COLUMNS = {"place": ("x", "y")}
"""The columns of a channel that has not its own name."""

_TESTS = {"place": _place, "station": _station, "speed": _speed, "accel": _accel, "heading": _heading}

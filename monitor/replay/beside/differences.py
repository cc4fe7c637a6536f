"""What differs between two runs that are laid over each other: instants first, then numbers, in order of time.

A difference counts where people would see it, not where noise ends: an instant that is 0.05 s off, a number that stays
off by its threshold for a quarter of a second (common practice, no source). Where a condition has a band the threshold
is a quarter of its width; else it is that of the number's unit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from monitor.measures.columns import FloatArray
from monitor.replay.beside.runs import AFTER_S, BEFORE_S, LaidRun
from monitor.replay.series import Series

STEP_S = 0.05
INSTANT_OFF_S = 0.05
STAYS_S = 0.25
MEANED_S = 1.0
"""How much a number is off is told of the first second in which it is."""
BEGINS_MPS2 = 1.0
"""The other vehicle brakes from this deceleration on: above coasting, below any scripted braking."""
COME_WITH_S = 0.15
"""A number that departs this soon after an instant that is off is the same difference, and is told after it."""

THRESHOLDS = {"s": 0.2, "m": 1.0, "m/s": 0.5, "m/s²": 0.5, "rad": 0.05, "rad/s": 0.02}
LATERAL_OFF_M = 0.2
TTC_AT_MOST_S = 6.0
"""A TTC above this says that nothing is near, not how far it is off (common practice, no source)."""

LEFT_OUT = ("x", "y", "heading", "station", "length", "width", "lane", "lane_width")
"""Where the cars are and what they are is not how they drive; the place is what `place` lays the runs at."""
DERIVED = (
    *("distance_headway", "time_headway", "distance_gap", "closing_speed", "drac", "required_decel", "ttc_accel"),
    *("time_to_line", "distance_to_line"),
)
"""These follow from numbers that are compared themselves."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that differs: from when on (seconds from the zero), by how much (second less first), in words."""

    what: str
    at_s: float
    by: float
    unit: str
    sentence: str


def differences(first: LaidRun, second: LaidRun) -> tuple[Difference, ...]:
    """All that differs, the first one first."""
    grid = np.arange(-BEFORE_S, AFTER_S, STEP_S)
    instants = [*_instants(first, second, grid), *_lost("first", first), *_lost("second", second)]
    numbers = list(_numbers(first, second, grid))

    def told_at(one: Difference) -> float:
        """A number that departs with an instant comes after it, and with it what else departs then."""
        came_with = [begin.at_s for begin in instants if begin.at_s - STEP_S <= one.at_s <= begin.at_s + COME_WITH_S]
        return min(came_with) + 1e-6 if came_with and one not in instants else one.at_s

    return tuple(sorted([*instants, *numbers], key=told_at))


def _instants(first: LaidRun, second: LaidRun, grid: FloatArray) -> Iterator[Difference]:
    found: list[tuple[str, float | None, float | None]] = [
        (f"the {first.trigger.role} began to brake", _braking_from(first, grid), _braking_from(second, grid))
    ]
    marks = {(one.kind, one.label) for one in (*first.stretch.marks, *second.stretch.marks)}
    found += [
        (
            label if label.startswith(kind) else f"{kind} {label}".rstrip(),
            _mark(first, kind, label),
            _mark(second, kind, label),
        )
        for kind, label in sorted(marks)
        if kind not in ("note", "loss", "finding", "expected")
    ]
    for what, here, there in found:
        if here is not None and there is not None:
            if abs(there - here) > INSTANT_OFF_S:
                way = "later" if there > here else "earlier"
                when = f"{_signed(here)} and {_signed(there)} s"
                sentence = f"{_capital(what)} {abs(there - here):.2f} s {way} ({when})."
                yield Difference(what, min(here, there), there - here, "s", sentence)
        elif here is not None:
            yield Difference(what, here, np.nan, "s", f"Only in the first run: {what}, at {_signed(here)} s.")
        elif there is not None:
            yield Difference(what, there, np.nan, "s", f"Only in the second run: {what}, at {_signed(there)} s.")


def _lost(which: str, run: LaidRun) -> Iterator[Difference]:
    for after_t, before_t in run.stretch.lost:
        at_s, long_s = after_t - run.zero_t, before_t - after_t
        words = f"In the {which} run frames are missing for {long_s:.2f} s from {_signed(at_s)} s on."
        yield Difference(f"frames of the {which} run", at_s, long_s, "s", words)


def _braking_from(run: LaidRun, grid: FloatArray) -> float | None:
    """When the vehicle ahead began the braking of the hazard, seconds from the zero."""
    decel = -run.values("lead.accel", grid)
    rule = run.trigger.hazard
    level = rule.decel_at_least_mps2 if rule is not None and rule.decel_at_least_mps2 else 2.0
    reached = np.flatnonzero((decel >= level) & (grid >= -1.0))
    if not len(reached):
        return None
    begin = int(reached[0])
    while begin > 0 and decel[begin - 1] > BEGINS_MPS2:
        begin -= 1
    t, fine = run.t, run.stretch.named("lead.accel")
    assert fine is not None
    near = np.flatnonzero((t >= grid[begin] - 2 * STEP_S) & (-fine.value > BEGINS_MPS2))
    return float(t[near[0]]) if len(near) else float(grid[begin])


def _mark(run: LaidRun, kind: str, label: str) -> float | None:
    times = [one.t - run.zero_t for one in run.stretch.marks if (one.kind, one.label) == (kind, label)]
    return min(times, key=abs, default=None)


def _numbers(first: LaidRun, second: LaidRun, grid: FloatArray) -> Iterator[Difference]:
    for series in first.stretch.series:
        name, unit = series.name, series.measure.unit
        if name in LEFT_OUT or name in DERIVED or second.stretch.named(name) is None:
            continue
        here, there = first.values(name, grid), second.values(name, grid)
        if name == "ttc":
            here, there = np.where(here < TTC_AT_MOST_S, here, np.nan), np.where(there < TTC_AT_MOST_S, there, np.nan)
        apart = there - here
        at = _first_lasting(np.abs(apart) > _threshold(series, here), round(STAYS_S / STEP_S))
        if at is None:
            continue
        by = float(np.nanmedian(apart[at : at + round(MEANED_S / STEP_S)]))
        label = "TTC" if name == "ttc" else _capital(name.replace("_", " "))
        amount = f"{abs(by):.2f} {unit}".rstrip()
        words = f"{label} was {amount} {_way(name, by)} from {_signed(float(grid[at]))} s on."
        yield Difference(name, float(grid[at]), by, unit, words)


def _threshold(series: Series, value: FloatArray) -> float:
    """From where on a number counts as another one; `value`: the number in the first run."""
    widths = [
        band.at_most - band.at_least
        for _, band in series.bands
        if band.at_least is not None and band.at_most is not None and band.at_most > band.at_least
    ]
    if widths:
        return min(widths) / 4.0
    if series.name == "lane_offset":
        return LATERAL_OFF_M
    if series.measure.unit in THRESHOLDS:
        return THRESHOLDS[series.measure.unit]
    known = value[np.isfinite(value)]
    return max(0.25 * float(known.max() - known.min()), 0.1) if len(known) else 0.1


def _first_lasting(off: np.ndarray[tuple[int], np.dtype[np.bool_]], frames: int) -> int | None:
    """The first index from which on it holds for so many steps."""
    run = 0
    for index, one in enumerate(off.tolist()):
        run = run + 1 if one else 0
        if run >= frames:
            return index - frames + 1
    return None


def _way(name: str, by: float) -> str:
    if name == "lane_offset":
        return "further left" if by > 0.0 else "further right"
    if "speed" in name:
        return "faster" if by > 0.0 else "slower"
    if "gap" in name or name == "ttc":
        return "longer" if by > 0.0 else "shorter"
    return "more" if by > 0.0 else "less"


def _signed(seconds: float) -> str:
    return f"{seconds:+.2f}".replace("-", "−")


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]

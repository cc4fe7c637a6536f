"""Numbers that differ between two runs: from when on, and by how much.

A number counts as another one where people would see it, not where noise ends: once it stays off by its threshold for a
quarter of a second (common practice, no source). Where a condition has a band the threshold is a quarter of its width;
else it is that of the number's unit; and it is never below three times the noise of both.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from monitor.measures.columns import BoolArray, FloatArray
from monitor.measures.runs import runs_of
from monitor.replay.beside.difference import Difference, capital, signed
from monitor.replay.beside.runs import LaidRun
from monitor.replay.series import Series

STAYS_S = 0.25
MEANED_S = 1.0
"""How much a number is off is told of the first second in which it is."""

THRESHOLDS = {"s": 0.2, "m": 1.0, "m/s": 0.5, "m/s²": 0.5, "rad": 0.05, "rad/s": 0.02}
LATERAL_OFF_M = 0.2
TTC_AT_MOST_S = 6.0
"""A TTC above this says that nothing is near, not how far it is off (common practice, no source)."""
NOISES = 3.0
MAD_TO_SIGMA = 1.4826
"""Median absolute deviation of a normal distribution, in standard deviations (NIST/SEMATECH e-Handbook, 1.3.5.6 names
it without the factor; the factor is 1 / 0.6745)."""

LEFT_OUT = ("x", "y", "heading", "station", "length", "width", "lane", "lane_width")
"""Where the cars are and what they are is not how they drive; the place is what `place` lays the runs at."""
DERIVED = (
    *("distance_headway", "time_headway", "distance_gap", "closing_speed", "drac", "required_decel", "ttc_accel"),
    *("time_to_line", "distance_to_line"),
)
"""These follow from numbers that are compared themselves."""


def compared_names(run: LaidRun) -> tuple[str, ...]:
    """The numbers of a run that are held against the other's, in the order of its series."""
    return tuple(
        one.name
        for one in run.stretch.series
        if one.name not in LEFT_OUT and one.name not in DERIVED and np.isfinite(one.value).any()
    )


def numbers(first: LaidRun, second: LaidRun, grid: FloatArray) -> Iterator[Difference]:
    """Those that differ. `grid`: times from the zero, evenly spaced."""
    step_s = float(grid[1] - grid[0])
    theirs = compared_names(second)
    for name in compared_names(first):
        series, other = first.stretch.named(name), second.stretch.named(name)
        if name not in theirs or series is None or other is None:
            continue
        here, there = first.values(name, grid), second.values(name, grid)
        known = np.flatnonzero(np.isfinite(here) & np.isfinite(there))
        if name == "ttc":
            here, there = np.where(here < TTC_AT_MOST_S, here, np.nan), np.where(there < TTC_AT_MOST_S, there, np.nan)
        apart = there - here
        least = max(_threshold(series, here), NOISES * math.hypot(noise_of(series.value), noise_of(other.value)))
        spans = _lasting(np.abs(apart) > least, round(STAYS_S / step_s))
        if not spans:
            continue
        at, stop = spans[0]
        by = float(np.median(apart[at : min(stop, at + round(MEANED_S / step_s))]))
        lasts_s = (stop - at) * step_s
        when = f"from {signed(float(grid[at]))} s on"
        if at == known[0]:
            when = f"from {signed(float(grid[at]))} s on, as far back as both are known"
        elif lasts_s < MEANED_S:
            when = f"for {lasts_s:.2f} s from {signed(float(grid[at]))} s on"
        words = f"{_label(first, name)} was {_amount(by, series.measure.unit)} {_way(name, by)} {when}."
        yield Difference(name, float(grid[at]), by, series.measure.unit, words, abs(by) / least)


def noise_of(value: FloatArray) -> float:
    """Standard deviation of what changes from frame to frame without going anywhere: from second differences, whose
    variance is 6 times that of white noise."""
    known = value[np.isfinite(value)]
    return MAD_TO_SIGMA * float(np.median(np.abs(np.diff(known, 2)))) / math.sqrt(6.0) if len(known) > 3 else 0.0


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


def _lasting(off: BoolArray, steps: int) -> list[tuple[int, int]]:
    """Where it holds for so many steps: first index, and the index after the last."""
    starts, stops = runs_of(off)
    return [(at, stop) for at, stop in zip(starts.tolist(), stops.tolist(), strict=True) if stop - at >= steps]


def _label(run: LaidRun, name: str) -> str:
    if name == "ttc":
        return "TTC"
    role, _, channel = name.rpartition(".")
    words = f"the {role}'s {channel}" if role else "own speed" if name == "speed" else name
    return capital(words.replace("_", " "))


def _amount(by: float, unit: str) -> str:
    digits = 2 if abs(by) >= 0.095 else 3
    return f"{abs(by):.{digits}f} {unit}".rstrip()


def _way(name: str, by: float) -> str:
    if name == "lane_offset":
        return "further left" if by > 0.0 else "further right"
    if "speed" in name:
        return "faster" if by > 0.0 else "slower"
    if "gap" in name or name == "ttc":
        return "longer" if by > 0.0 else "shorter"
    return "more" if by > 0.0 else "less"

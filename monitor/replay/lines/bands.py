"""For a condition that was not met: the band with which it would have been, found by judging again.

Nothing here decides by itself whether a condition is met: each candidate band is given to judging. A wider band can
only let more frames in, so that the least one is found by halving.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from monitor.judging.case.conditions import judge_condition, window_of
from monitor.judging.case.stretch import Stretch
from monitor.judging.case.trial import Result
from monitor.judging.case.values import Cast, values_on
from monitor.measures.columns import FloatArray
from monitor.study.band import Band
from monitor.study.terms import Condition

SIDE_PERIODS = 2.0
"""Frames beside the window that may count at the fire (two periods to either side)."""


@dataclass(frozen=True, slots=True)
class NeededBand:
    """What would have let a condition pass: a looser edge, and the tolerance that does the same.

    `at_least` and `at_most` are the study's where they need not change. All None with `why_not` where no band would do.
    """

    condition: str
    unit: str
    at_least: float | None
    at_most: float | None
    tolerance: float | None
    why_not: str = ""
    outside: tuple[float, float] | None = None

    @property
    def band(self) -> Band:
        """The band itself."""
        return Band(self.at_least, self.at_most, outside=self.outside)


@dataclass(frozen=True, slots=True)
class Asked:
    """A condition with all that judging asks it on."""

    condition: Condition
    stretch: Stretch
    fired_at: float
    cast: Cast

    def with_band(self, band: Band) -> Result:
        """The result with another band."""
        condition = replace(self.condition, band=band)
        return judge_condition(condition, self.stretch, self.fired_at, self.cast).result

    def values(self) -> FloatArray:
        """The numbers in the condition's window and two periods beside it, rising."""
        start_s, end_s = window_of(self.condition)
        beside_s = SIDE_PERIODS * self.stretch.period_s
        span = self.stretch.window(self.fired_at + start_s - beside_s, self.fired_at + end_s + beside_s)
        rows_of = self.cast.rows_in(self.stretch)
        measured = values_on(self.stretch, self.condition.measure, rows_of, fired_at=self.fired_at)
        value = measured.value[span]
        return np.unique(value[np.isfinite(value)])


MET: tuple[Result, ...] = ("met",)


def needed_tolerance(asked: Asked, results: tuple[Result, ...] = MET) -> float | None:
    """The least tolerance with which the condition has one of these results, 0.0 where it needs none; None where none
    is enough."""
    band = asked.condition.band
    value = asked.values()
    needed = band.tolerance_for(value)
    return _least(needed[needed > 0.0], lambda tolerance: replace(band, tolerance=tolerance), asked, results)


def needed_band(asked: Asked) -> NeededBand:
    """The least looser band for a condition that was not met: one that passes without any tolerance."""
    condition = asked.condition
    unit = condition.measure.unit
    if condition.or_else:
        why_not = "one of several measures is enough, so that no single band is looked for"
        return NeededBand(condition.name, unit, None, None, None, why_not)
    tolerance = needed_tolerance(asked)
    if tolerance is None:
        return NeededBand(condition.name, unit, None, None, None, _why_not(asked))
    band = replace(condition.band, tolerance=0.0)
    value = asked.values()
    at_least, at_most = band.at_least, band.at_most
    if at_most is not None:
        edge = at_most
        over = _least(value[value > edge] - edge, lambda more: replace(band, at_most=_just(value, edge, more)), asked)
        if over is not None:
            return NeededBand(condition.name, unit, at_least, _just(value, edge, over), tolerance)
    if at_least is not None:
        edge = at_least
        short = _least(
            edge - value[value < edge], lambda more: replace(band, at_least=_just(value, edge, -more)), asked
        )
        if short is not None:
            return NeededBand(condition.name, unit, _just(value, edge, -short), at_most, tolerance)
    if band.outside is not None:
        nearer = (band.outside[0] + tolerance, band.outside[1] - tolerance)
        return NeededBand(condition.name, unit, None, None, tolerance, outside=nearer)
    low = None if at_least is None else at_least - tolerance
    high = None if at_most is None else at_most + tolerance
    return NeededBand(condition.name, unit, low, high, tolerance)


def _just(value: FloatArray, edge: float, more: float) -> float:
    """The value that lies `more` beyond an edge, to the last digit: rounding must not leave it outside."""
    if more == 0.0 or not len(value):
        return edge
    return float(value[int(np.argmin(np.abs(value - (edge + more))))])


def _least(
    candidates: FloatArray, band_with: Callable[[float], Band], asked: Asked, results: tuple[Result, ...] = MET
) -> float | None:
    """The least candidate (or 0) whose band gives one of the results."""
    steps = [0.0, *np.unique(candidates).tolist()]
    if asked.with_band(band_with(steps[-1])) not in results:
        return None
    low, high = 0, len(steps) - 1
    while low < high:
        middle = (low + high) // 2
        if asked.with_band(band_with(steps[middle])) in results:
            high = middle
        else:
            low = middle + 1
    return float(steps[low])


def _why_not(asked: Asked) -> str:
    condition = asked.condition
    without = judge_condition(
        replace(condition, band=Band(None, None), if_missing="undecided"),
        asked.stretch,
        asked.fired_at,
        asked.cast,
    )
    if without.result != "met":
        return f"no band would do: frames or values are missing ({without.state or 'frames lost'})"
    return "no band would do"

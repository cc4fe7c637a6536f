"""Times to a response with those who never responded: the curve, its median, and what can be said of both.

Product-limit estimate after Kaplan & Meier 1958; standard error after Greenwood 1926; interval on the log(−log) scale
(Kalbfleisch & Prentice). All times in seconds from the study's origin. scipy has the curve and its interval, and
neither the numbers at risk nor the standard error nor the restricted mean, which all come from one table here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from monitor.measures.columns import BoolArray, FloatArray, IntArray
from monitor.study.model import MedianConvention

LEVEL = 0.95
SLACK = 1e-9
"""A product of fractions that is one half exactly may be so much beside it in floating point."""

GRID = 1_000_000
"""Steps of a second to which times are rounded, so that the same number of frames is the same time."""
SHIFT = 1 / 60
"""Added before rounding down to a step, in steps beyond one half: with a frame period of 0.0166667 s every tenth time
ends in half a microsecond, where float noise would part a tie. No fraction of a step with a denominator up to 16 (so
multiples of 1/60, 1/90, 1/144, 1/240 s, and of a tenth of a microsecond) comes nearer than 0.016 of a step to the edge,
and the noise of a difference of two simulation times below 10⁵ s is 3·10⁻⁵ of a step."""


def on_grid(t_s: float) -> float:
    """A time rounded to a microsecond, so that ties are ties: 0.7999999999999972 and 0.8000000000000007 are 0.8."""
    return math.floor(t_s * GRID + 0.5 + SHIFT) / GRID if math.isfinite(t_s) else t_s


@dataclass(frozen=True, slots=True, eq=False)
class Times:
    """Times of one group, shape (n,), ascending; where `event` is False the time is right-censored.

    At equal times the events stand first: whoever was censored at a time was still at risk at it.
    """

    t: FloatArray
    event: BoolArray

    def __len__(self) -> int:
        return len(self.t)

    @classmethod
    def of(cls, pairs: Iterable[tuple[float, bool]]) -> Times:
        """From (time, event) in any order; times are put on the grid of microseconds. Raises `ValueError` for a time
        that is none: it has no place in any order."""
        ordered = sorted(((on_grid(t), bool(event)) for t, event in pairs), key=lambda pair: (pair[0], not pair[1]))
        if not all(math.isfinite(t) for t, _ in ordered):
            raise ValueError("a time to a response is no finite number")
        return cls(
            np.array([t for t, _ in ordered], dtype=np.float64), np.array([e for _, e in ordered], dtype=np.bool_)
        )

    @property
    def events(self) -> int:
        """How many responded."""
        return int(self.event.sum())

    @property
    def censored(self) -> int:
        """How many are known only to have not responded up to their time."""
        return len(self) - self.events

    @property
    def censored_last(self) -> bool:
        """Whether nobody responded after somebody's censoring: then censored times simply rank last."""
        if self.censored == 0 or self.events == 0:
            return True
        return bool(self.t[~self.event].min() >= self.t[self.event].max())


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """Kaplan–Meier curve at the m distinct times of events, each array of shape (m,).

    `survival` is the share still without a response just after each time. `lower` and `upper` are NaN where the
    estimate is 0 (the interval is not defined there).
    """

    t: FloatArray
    at_risk: IntArray
    events: IntArray
    survival: FloatArray
    se: FloatArray
    lower: FloatArray
    upper: FloatArray
    last_t: float
    """The largest time of all, event or not; NaN for nobody."""
    complete: bool
    """Whether the largest time is an event's, so that the curve ends at 0 and is known for ever."""


def kaplan_meier(times: Times, level: float = LEVEL) -> Curve:
    """The curve with Greenwood's standard error and the log(−log) interval at each event."""
    t, d = np.unique(times.t[times.event], return_counts=True)
    at_risk = len(times) - np.searchsorted(times.t, t, side="left")
    survival: FloatArray = np.asarray(np.cumprod(1.0 - d / at_risk), dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(d / (at_risk * (at_risk - d).astype(np.float64)))
        se: FloatArray = np.asarray(survival * np.sqrt(greenwood), dtype=np.float64)
        wide = z_of(level) * np.sqrt(greenwood) / np.log(survival)
        lower, upper = survival ** np.exp(-wide), survival ** np.exp(wide)
    gone = survival <= 0.0
    last = float(times.t[-1]) if len(times) else math.nan
    complete = bool(len(times) and times.event[times.t == last].all())
    return Curve(t, at_risk, d, survival, _hidden(se, gone), _hidden(lower, gone), _hidden(upper, gone), last, complete)


def survival_at(curve: Curve, t: float) -> float | None:
    """The share still without a response at `t`; None beyond the last time of a curve that does not end at 0."""
    if math.isnan(curve.last_t) or (t > curve.last_t and not curve.complete):
        return None
    place = int(np.searchsorted(curve.t, t, side="right"))
    return float(curve.survival[place - 1]) if place else 1.0


def median(curve: Curve, convention: MedianConvention = "first") -> float | None:
    """The time at which the curve comes down to one half; None where it stays above.

    Where it is one half exactly from one event to the next, "first" takes the first of the two times and "midpoint" the
    middle between them, as some statistics programs do (from memory); both are in use. They are the same elsewhere.
    """
    return first_at_half(curve.t, curve.survival, convention)


def first_at_half(t: FloatArray, falling: FloatArray, convention: MedianConvention) -> float | None:
    """The first `t` at which a falling share is at or below one half, by the convention of `median`."""
    below = np.flatnonzero(falling <= 0.5 + SLACK)
    if not len(below):
        return None
    first = float(t[below[0]])
    further = np.flatnonzero(falling < 0.5 - SLACK)
    if convention == "first" or not len(further):
        return first
    return (first + float(t[further[0]])) / 2.0


def restricted_mean(curve: Curve, horizon: float) -> tuple[float, float] | None:
    """The mean time up to a horizon (area under the curve) and its standard error; None where the curve is not known
    up to there. Variance: the sum over events of (area from there to the horizon)² d / (n (n − d))."""
    if math.isnan(curve.last_t) or (horizon > curve.last_t and not curve.complete):
        return None
    inside = curve.t < horizon
    edges = np.concatenate([[0.0], curve.t[inside], [horizon]])
    steps = np.concatenate([[1.0], curve.survival[inside]])
    areas = np.diff(edges) * steps
    after = np.cumsum(areas[::-1])[::-1][1:]
    n, d = curve.at_risk[inside].astype(np.float64), curve.events[inside]
    left = n > d
    variance = np.sum(after[left] ** 2 * d[left] / (n[left] * (n[left] - d[left])))
    return float(areas.sum()), float(math.sqrt(variance))


def z_of(level: float) -> float:
    """The normal distribution's quantile for a two-sided interval of this level."""
    return NormalDist().inv_cdf(0.5 + level / 2.0)


def _hidden(column: FloatArray, where: BoolArray) -> FloatArray:
    return np.where(where, np.nan, column)

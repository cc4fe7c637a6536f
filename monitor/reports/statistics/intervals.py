"""Intervals: of a median by ranks or from its curve, of a difference of medians by seeded resampling, of a share."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from monitor.measures.columns import FloatArray
from monitor.reports.statistics.scipys import scipy_stats
from monitor.reports.statistics.survival import LEVEL, SLACK, Curve, Times, kaplan_meier, median, z_of
from monitor.study.model import MedianConvention

DRAWS = 2000
SEED = 20_311
"""Seed of every resampling, stated in the output, so that anybody comes to the same interval."""

FEWEST = 6
"""Fewer values than this have no 95 % interval of their median by ranks, and resampling them makes one up."""

Method = Literal["order statistics", "log-log", "resampling", "none"]


@dataclass(frozen=True, slots=True)
class Interval:
    """An interval, None on a side where it is open. `coverage` is exact for order statistics, else nominal."""

    low: float | None
    high: float | None
    method: Method
    coverage: float | None


NO_INTERVAL = Interval(None, None, "none", None)


def common_method(groups: Iterable[Times]) -> Method:
    """The one way in which the medians of all groups of a comparison get their intervals.

    By ranks, which is exact, where in every group censored times rank last; else from the curves (Brookmeyer & Crowley
    1982, log(−log) scale), because a time censored before another one's response has no rank.
    """
    return "order statistics" if all(one.censored_last for one in groups) else "log-log"


def median_interval(times: Times, method: Method | None = None, level: float = LEVEL) -> Interval:
    """The interval of a group's median; `high` is None where it falls on somebody who never responded. Raises
    `AnalysisMissing` without scipy."""
    if len(times) < FEWEST:
        return NO_INTERVAL
    if (method or common_method([times])) == "log-log":
        return _from_curve(kaplan_meier(times, level), level)
    low, high, coverage = order_statistic_ranks(len(times), level)
    return Interval(_event_at(times, low), _event_at(times, high), "order statistics", coverage)


def order_statistic_ranks(n: int, level: float = LEVEL) -> tuple[int, int, float]:
    """Ranks (from 1) of the two values that enclose the median of any continuous distribution, and how surely.

    The narrowest symmetric pair whose coverage, by the binomial distribution with one half, reaches `level`; for 95 %
    that needs n of at least `FEWEST`.
    """
    binomial = scipy_stats().binom(n, 0.5)
    low = int(binomial.ppf((1.0 - level) / 2.0))  # the number below the lower value is less than this in the tail only
    return low, n + 1 - low, float(1.0 - 2.0 * binomial.cdf(low - 1))


def difference_interval(
    first: Times,
    second: Times,
    convention: MedianConvention = "first",
    level: float = LEVEL,
    seed: int = SEED,
) -> Interval:
    """The interval of median of `second` − median of `first`, by resampling both; open where a median often is not
    reached."""
    if min(len(first), len(second)) < FEWEST:
        return NO_INTERVAL
    one, other = _resampled_medians(first, convention, seed), _resampled_medians(second, convention, seed + 1)
    with np.errstate(invalid="ignore"):
        apart = other - one
    if np.isnan(apart).any():  # both not reached in the same draw: nothing can be said
        return NO_INTERVAL
    return _percentiles(apart, level)


def median_difference(first: Times, second: Times, convention: MedianConvention = "first") -> float | None:
    """Median of `second` − median of `first`, in seconds; None where one of them is not reached."""
    one, other = (median(kaplan_meier(times), convention) for times in (first, second))
    return None if one is None or other is None else other - one


def wilson(count: int, n: int, level: float = LEVEL) -> tuple[float, float] | None:
    """Wilson's score interval of a share (Wilson 1927); None for nobody. Written out, because `tally` has no scipy."""
    if n == 0:
        return None
    z = z_of(level)
    share = count / n
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    return (0.0 if count == 0 else middle - half, 1.0 if count == n else middle + half)


def _event_at(times: Times, rank: int) -> float | None:
    return float(times.t[rank - 1]) if times.event[rank - 1] else None


def _from_curve(curve: Curve, level: float) -> Interval:
    """From the first time at which the lower limit is at or below one half to that of the upper limit."""
    low, high = (
        next((float(t) for t, limit in zip(curve.t, limits, strict=True) if limit <= 0.5), None)
        for limits in (curve.lower, curve.upper)
    )
    if low is None and len(curve.t) and curve.survival[-1] <= 0.0:
        low = float(curve.t[-1])  # the curve falls past one half to 0, where there is no limit, in one step
    return Interval(low, high, "log-log", level)


def _resampled_medians(times: Times, convention: MedianConvention, seed: int) -> FloatArray:
    """Medians of `DRAWS` samples drawn with replacement; infinite where one is not reached. Shape (DRAWS,)."""
    n = len(times)
    # the older generator on purpose: its stream is frozen, so that the interval is the same with every version of numpy
    drawn = np.sort(np.random.RandomState(seed).randint(0, n, size=(DRAWS, n)), axis=1)  # sorted as `times` is
    survival = np.cumprod(1.0 - times.event[drawn] / np.arange(n, 0, -1), axis=1)
    first = _first_time(times, drawn, survival <= 0.5 + SLACK)
    if convention == "first":
        return first
    after = _first_time(times, drawn, survival < 0.5 - SLACK)
    return (first + np.where(np.isinf(after), first, after)) / 2.0


def _first_time(times: Times, drawn: np.ndarray[tuple[int, int], np.dtype[np.int64]], where: np.ndarray) -> FloatArray:
    found = times.t[np.take_along_axis(drawn, where.argmax(axis=1)[:, None], axis=1)[:, 0]]
    return np.where(where.any(axis=1), found, np.inf)


def _percentiles(values: FloatArray, level: float) -> Interval:
    ordered = np.sort(values)
    tail = (1.0 - level) / 2.0
    low = float(ordered[int(tail * len(ordered))])
    high = float(ordered[math.ceil((1.0 - tail) * len(ordered)) - 1])
    return Interval(low if math.isfinite(low) else None, high if math.isfinite(high) else None, "resampling", level)

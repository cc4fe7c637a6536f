"""Intervals: of a median by ranks or by seeded resampling, of a difference of medians, and of a share."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

import numpy as np

from monitor.measures.columns import FloatArray
from monitor.reports.statistics.survival import HALF, LEVEL, Times, kaplan_meier, median

DRAWS = 2000
SEED = 20_311
"""Seed of every resampling, stated in the output, so that anybody comes to the same interval."""

FEWEST = 6
"""Fewer values than this have no 95 % interval of their median by ranks, and resampling them makes one up."""

Method = Literal["order statistics", "resampling", "none"]


@dataclass(frozen=True, slots=True)
class Interval:
    """An interval, None on a side where it is open. `coverage` is exact for order statistics, else nominal."""

    low: float | None
    high: float | None
    method: Method
    coverage: float | None


def order_statistic_ranks(n: int, level: float = LEVEL) -> tuple[int, int, float] | None:
    """Ranks (from 1) of the two values that enclose the median of any continuous distribution, and how surely.

    The narrowest symmetric pair whose coverage, by the binomial distribution with one half, reaches `level`; None where
    not even the smallest and the largest value do (n < 6 for 95 %).
    """
    found = None
    outside = 0
    for rank in range(1, n // 2 + 1):
        outside += math.comb(n, rank - 1)
        coverage = 1.0 - 2.0 * outside / 2**n
        if coverage < level:
            break
        found = (rank, n + 1 - rank, coverage)
    return found


def median_interval(times: Times, level: float = LEVEL, seed: int = SEED) -> Interval:
    """The interval of a group's median.

    By ranks, which is exact, where censored times rank last; else by resampling, because a time censored before another
    one's response has no rank. `high` is None where it falls on somebody who never responded.
    """
    if len(times) < FEWEST:
        return Interval(None, None, "none", None)
    if not times.censored_last:
        return _percentiles(_resampled_medians(times, seed), level)
    ranks = order_statistic_ranks(len(times), level)
    if ranks is None:
        return Interval(None, None, "none", None)
    low, high, coverage = ranks
    return Interval(_event_at(times, low), _event_at(times, high), "order statistics", coverage)


def difference_interval(first: Times, second: Times, level: float = LEVEL, seed: int = SEED) -> Interval:
    """The interval of median of `second` − median of `first`, by resampling both; open where a median often is not
    reached."""
    if min(len(first), len(second)) < FEWEST:
        return Interval(None, None, "none", None)
    one, other = _resampled_medians(first, seed), _resampled_medians(second, seed + 1)
    with np.errstate(invalid="ignore"):
        apart = other - one
    if np.isnan(apart).any():  # both not reached in the same draw: nothing can be said
        return Interval(None, None, "none", None)
    return _percentiles(apart, level)


def median_difference(first: Times, second: Times) -> float | None:
    """Median of `second` − median of `first`, in seconds; None where one of them is not reached."""
    one, other = median(kaplan_meier(first)), median(kaplan_meier(second))
    return None if one is None or other is None else other - one


def wilson(count: int, n: int, level: float = LEVEL) -> tuple[float, float] | None:
    """Wilson's score interval of a share (Wilson 1927); None for nobody."""
    if n == 0:
        return None
    z = NormalDist().inv_cdf(0.5 + level / 2.0)
    share = count / n
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    return (0.0 if count == 0 else middle - half, 1.0 if count == n else middle + half)


def _event_at(times: Times, rank: int) -> float | None:
    return float(times.t[rank - 1]) if times.event[rank - 1] else None


def _resampled_medians(times: Times, seed: int) -> FloatArray:
    """Medians of `DRAWS` samples drawn with replacement; infinite where one is not reached. Shape (DRAWS,)."""
    n = len(times)
    # the older generator on purpose: its stream is frozen, so that the interval is the same with every version of numpy
    drawn = np.sort(np.random.RandomState(seed).randint(0, n, size=(DRAWS, n)), axis=1)  # sorted as `times` is
    survival = np.cumprod(1.0 - times.event[drawn] / np.arange(n, 0, -1), axis=1)
    below = survival <= HALF
    reached = below.any(axis=1)
    return np.where(reached, times.t[np.take_along_axis(drawn, below.argmax(axis=1)[:, None], axis=1)[:, 0]], np.inf)


def _percentiles(values: FloatArray, level: float) -> Interval:
    ordered = np.sort(values)
    tail = (1.0 - level) / 2.0
    low = float(ordered[int(tail * len(ordered))])
    high = float(ordered[math.ceil((1.0 - tail) * len(ordered)) - 1])
    return Interval(low if math.isfinite(low) else None, high if math.isfinite(high) else None, "resampling", level)

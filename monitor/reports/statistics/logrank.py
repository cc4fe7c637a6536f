"""Whether groups differ in their times: the log-rank test, all groups at once and two by two.

Mantel 1966, Peto & Peto 1972: observed against expected responses at each time, with the hypergeometric variance. The
shortcut Σ(O − E)²/E is another statistic and is not used.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np

from monitor.errors import WitnessError
from monitor.measures.columns import FloatArray
from monitor.reports.statistics.survival import Times

Weighting = Literal["log-rank", "gehan"]


class AnalysisMissing(WitnessError):
    """Raised where a p value is asked for and scipy is not installed."""


@dataclass(frozen=True, slots=True, eq=False)
class GroupTest:
    """A test over k groups. `statistic` is None where there is nothing to compare (then `df` is 0)."""

    statistic: float | None
    df: int
    observed: FloatArray
    """Responses of each group (weighted, for Gehan), or their sums of ranks; shape (k,)."""
    expected: FloatArray
    variance: FloatArray
    """Shape (k, k)."""
    exact_p: float | None = None
    """By counting, where that can be done; else p is that of χ²."""


def log_rank(groups: Sequence[Times], weighting: Weighting = "log-rank") -> GroupTest:
    """The test over groups; "gehan" weighs each time by the number at risk (Gehan 1965, Breslow 1970), which makes
    early differences count more."""
    k = len(groups)
    every = np.unique(np.concatenate([one.t[one.event] for one in groups] or [np.empty(0)]))
    at_risk = np.array([len(one) - np.searchsorted(one.t, every, side="left") for one in groups], dtype=np.float64)
    events = np.array([_counts_at(one, every) for one in groups], dtype=np.float64)
    at_risk, events = at_risk.reshape(k, len(every)), events.reshape(k, len(every))
    n, d = at_risk.sum(axis=0), events.sum(axis=0)
    weight = n if weighting == "gehan" else np.ones_like(n)
    expected_each = at_risk * d / n
    observed, expected = (events * weight).sum(axis=1), (expected_each * weight).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.where(n > 1, weight**2 * d * (n - d) / (n - 1), 0.0)
    share = at_risk / n
    variance = np.diag((share * spread).sum(axis=1)) - (share * spread) @ share.T if len(every) else np.zeros((k, k))
    apart = (observed - expected)[:-1]
    inner = variance[:-1, :-1]
    df = int(np.linalg.matrix_rank(inner)) if k > 1 else 0
    statistic = float(apart @ np.linalg.pinv(inner) @ apart) if df else None
    return GroupTest(statistic, df, observed, expected, variance)


def chi_square_tail(statistic: float, df: int) -> float:
    """Probability of a χ² value as large or larger. Raises `AnalysisMissing` without scipy."""
    try:
        from scipy.special import chdtrc
    except ImportError as error:
        raise AnalysisMissing(
            "p values need scipy, which is not installed; install it with: pip install 'trialwitness[analysis]'"
        ) from error
    return float(chdtrc(df, statistic))


def pairwise(groups: Mapping[str, Times], weighting: Weighting = "log-rank") -> dict[tuple[str, str], GroupTest]:
    """The test for each two groups, in the order of the groups."""
    return {
        (first, second): log_rank([groups[first], groups[second]], weighting)
        for first, second in combinations(groups, 2)
    }


def holm(p_values: Sequence[float]) -> list[float]:
    """The p values adjusted for their number (Holm 1979), in the order given."""
    count = len(p_values)
    adjusted = [1.0] * count
    largest = 0.0
    for place, which in enumerate(sorted(range(count), key=lambda one: p_values[one])):
        largest = max(largest, min(1.0, (count - place) * p_values[which]))
        adjusted[which] = largest
    return adjusted


def _counts_at(times: Times, every: FloatArray) -> FloatArray:
    t = times.t[times.event]
    counts: FloatArray = np.asarray(
        np.searchsorted(t, every, side="right") - np.searchsorted(t, every, side="left"), dtype=np.float64
    )
    return counts

"""Whether groups differ in their times: the log-rank test over any number of groups, and Holm's adjustment.

Mantel 1966, Peto & Peto 1972: observed against expected responses at each time, with the hypergeometric variance. The
shortcut Σ(O − E)²/E is another statistic and is not used. scipy has this test for two groups and without weights.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from monitor.measures.columns import FloatArray
from monitor.reports.statistics.scipys import scipy_stats
from monitor.reports.statistics.survival import Times

Weighting = Literal["log-rank", "gehan"]


@dataclass(frozen=True, slots=True, eq=False)
class GroupTest:
    """A test over k groups. `statistic` and `p` are None where there is nothing to compare (then `df` is 0)."""

    statistic: float | None
    df: int
    p: float | None
    exact: bool
    """Whether p was counted; else it is that of χ²."""
    observed: FloatArray
    """Responses of each group (weighted, for Gehan), or their sums of ranks; shape (k,)."""
    expected: FloatArray


def log_rank(groups: Sequence[Times], weighting: Weighting = "log-rank") -> GroupTest:
    """The test over groups; "gehan" weighs each time by the number at risk (Gehan 1965, Breslow 1970), which makes
    early differences count more. Raises `AnalysisMissing` without scipy."""
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
    if df == 0:
        return GroupTest(None, 0, None, False, observed, expected)
    statistic = float(apart @ np.linalg.pinv(inner) @ apart)
    p = float(scipy_stats().chi2.sf(statistic, df))
    return GroupTest(statistic, df, p, False, observed, expected)


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

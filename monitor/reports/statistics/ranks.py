"""Whether groups differ by the ranks of their times: Kruskal & Wallis 1952 over groups, Mann & Whitney 1947 for two.

Whoever never responded is ranked last, all tied. That is right only where everybody was waited for equally long, longer
than anybody took: a time that was censored before has no rank, and then there is no test by ranks. With contacts as the
worst rank of all it is a worst-rank test (Lachin 1999).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitor.measures.columns import FloatArray
from monitor.reports.statistics.logrank import GroupTest
from monitor.reports.statistics.scipys import scipy_stats
from monitor.reports.statistics.survival import Times

MOST_COUNTED = 80
"""Times of two groups up to which all ways of dealing out the ranks are counted; beyond, χ² is as good. scipy counts
them only where nothing is tied, and everybody without a response is tied here."""


def have_ranks(groups: Sequence[Times]) -> bool:
    """Whether each time has a rank: all censored ones are as long as one another, and none is below a response."""
    events = np.concatenate([one.t[one.event] for one in groups] or [np.empty(0)])
    censored = np.concatenate([one.t[~one.event] for one in groups] or [np.empty(0)])
    if not len(censored):
        return True
    return bool((censored == censored[0]).all() and (not len(events) or censored[0] >= events.max()))


def rank_test(groups: Sequence[Times]) -> GroupTest:
    """The test where every time has a rank, see `ranked_test`; none where one has not."""
    if not have_ranks(groups):
        nothing = np.zeros(len(groups))
        return GroupTest(None, 0, None, False, nothing, nothing)
    return ranked_test([np.where(one.event, one.t, np.inf) for one in groups])


def ranked_test(groups: Sequence[FloatArray]) -> GroupTest:
    """Kruskal and Wallis's H, corrected for ties, with χ² of k − 1 degrees; of two groups p is counted.

    Takes each group's values, shape (n,), larger is worse. Raises `AnalysisMissing` without scipy.
    """
    sizes = np.array([len(one) for one in groups])
    total, k = int(sizes.sum()), len(groups)
    every = np.concatenate([*groups, np.empty(0)])
    stats = scipy_stats()
    ranks: FloatArray = stats.rankdata(every)
    parts = np.split(ranks, np.cumsum(sizes)[:-1]) if k else []
    sums = np.array([part.sum() for part in parts])
    expected = sizes * (total + 1) / 2.0
    if k < 2 or len(np.unique(every)) < 2 or not sizes.all():
        return GroupTest(None, 0, None, False, sums, expected)
    found = stats.kruskal(*parts)
    if k == 2 and total <= MOST_COUNTED:
        exact = _exact_p(ranks, int(sizes[0]), float(sums[0]))
        return GroupTest(float(found.statistic), 1, exact, True, sums, expected)
    return GroupTest(float(found.statistic), k - 1, float(found.pvalue), False, sums, expected)


def _exact_p(ranks: FloatArray, size: int, observed: float) -> float:
    """Two-sided: the share of all ways to deal `size` of these ranks whose sum is as far from the mean, or further."""
    doubled = [round(2.0 * one) for one in ranks]  # whole numbers, with the halves of ties
    ways: list[dict[int, int]] = [{0: 1}, *({} for _ in range(size))]
    for rank in doubled:
        for taken in range(size, 0, -1):
            into = ways[taken]
            for sum_, number in ways[taken - 1].items():
                into[sum_ + rank] = into.get(sum_ + rank, 0) + number
    middle_times_n = size * sum(doubled)  # the mean sum, times the number of ranks: a whole number, too
    far = abs(round(2.0 * observed) * len(doubled) - middle_times_n)
    extreme = sum(number for sum_, number in ways[size].items() if abs(sum_ * len(doubled) - middle_times_n) >= far)
    return extreme / sum(ways[size].values())

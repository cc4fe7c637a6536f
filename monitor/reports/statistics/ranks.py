"""Whether groups differ by the ranks of their times: Kruskal & Wallis 1952 over groups, Mann & Whitney 1947 for two.

Whoever never responded is ranked last, all tied. That is right only where everybody was waited for equally long, longer
than anybody took: a time that was censored before has no rank, and then there is no test by ranks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np

from monitor.measures.columns import FloatArray
from monitor.reports.statistics.logrank import GroupTest
from monitor.reports.statistics.survival import Times

MOST_COUNTED = 80
"""Times of two groups up to which all ways of dealing out the ranks are counted; beyond, χ² is as good."""


def have_ranks(groups: Sequence[Times]) -> bool:
    """Whether each time has a rank: all censored ones are as long as one another, and none is below a response."""
    events = np.concatenate([one.t[one.event] for one in groups] or [np.empty(0)])
    censored = np.concatenate([one.t[~one.event] for one in groups] or [np.empty(0)])
    if not len(censored):
        return True
    return bool((censored == censored[0]).all() and (not len(events) or censored[0] >= events.max()))


def rank_test(groups: Sequence[Times]) -> GroupTest:
    """Kruskal and Wallis's H, corrected for ties, with χ² of k − 1 degrees; of two groups also the exact p."""
    sizes = np.array([len(one) for one in groups])
    total, k = int(sizes.sum()), len(groups)
    ranks = _mid_ranks(groups)
    sums = np.array(
        [ranks[start : start + size].sum() for start, size in zip(np.cumsum(sizes) - sizes, sizes, strict=True)]
    )
    expected = sizes * (total + 1) / 2.0
    nothing = GroupTest(None, 0, sums, expected, np.zeros((k, k)))
    if k < 2 or not have_ranks(groups):
        return nothing
    variance_of_one = float(((ranks - ranks.mean()) ** 2).sum()) / (total - 1)  # has the correction for ties in it
    if variance_of_one == 0.0:
        return nothing
    statistic = float((((sums - expected) ** 2) / sizes).sum() / variance_of_one)
    share = sizes / total
    variance = variance_of_one * total * (np.diag(share) - np.outer(share, share))
    exact = _exact_p(ranks, int(sizes[0]), float(sums[0])) if k == 2 and total <= MOST_COUNTED else None
    return GroupTest(statistic, k - 1, sums, expected, variance, exact)


def pairwise_ranks(groups: Mapping[str, Times]) -> dict[tuple[str, str], GroupTest]:
    """The test for each two groups, in the order of the groups."""
    return {(first, second): rank_test([groups[first], groups[second]]) for first, second in combinations(groups, 2)}


def mann_whitney_u(first: Times, second: Times) -> float:
    """How many pairs have the first group's time above the second's, ties as halves."""
    ranks = _mid_ranks([first, second])
    return float(ranks[: len(first)].sum()) - len(first) * (len(first) + 1) / 2.0


def _mid_ranks(groups: Sequence[Times]) -> FloatArray:
    """Ranks from 1 over all groups, ties by their mean; whoever never responded last."""
    t = np.concatenate([np.where(one.event, one.t, np.inf) for one in groups] or [np.empty(0)])
    _, place, count = np.unique(t, return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    ranks: FloatArray = (last - (count - 1) / 2.0)[place]
    return ranks


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

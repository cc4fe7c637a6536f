"""Tests by ranks against published values, counting by hand, and scipy."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from monitor.reports.statistics.ranks import have_ranks, rank_test
from monitor.reports.statistics.survival import Times
from tests.lazily import Lazily
from tests.reports.published import ALERT_A, ALERT_B, ALERT_C, HALF_TIMES, PERMEABILITY, times

stats = Lazily("scipy.stats")


def test_two_groups_of_hollander_and_wolfe_1973() -> None:
    x, y = PERMEABILITY
    found = rank_test([x, y])
    assert found.observed[0] - 10 * 11 / 2 == 35.0  # U from the sum of ranks
    assert found.p == pytest.approx(0.2544, abs=5e-5)  # computed from the published data; one-sided 0.1272
    assert found.df == 1


def test_three_groups_of_hollander_and_wolfe_1973() -> None:
    found = rank_test(HALF_TIMES)
    assert found.statistic == pytest.approx(0.77143, abs=5e-6)
    assert found.df == 2
    assert found.p == pytest.approx(0.6800, abs=5e-5)
    assert not found.exact


def test_who_never_responded_is_ranked_last_and_tied() -> None:
    found = rank_test([ALERT_A, ALERT_B, ALERT_C])
    assert found.statistic == pytest.approx(9.8126, abs=5e-5)  # computed with another program
    assert found.p == pytest.approx(0.00740, abs=5e-6)


def test_a_small_case_counted_by_hand() -> None:
    # ranks 1 2 of 1..4: the lowest of six sums, 3; as far from the mean 5 is only 7: p = 2/6
    assert rank_test([times("1 2"), times("3 4")]).p == pytest.approx(2 / 6)
    # with a tie: ranks 1, 2.5 | 2.5, 4: the sums of two are 3.5 3.5 5 5 6.5 6.5, mean 5; 3.5 and 6.5 are as far: 4/6
    assert rank_test([times("1 2"), times("2 3")]).p == pytest.approx(4 / 6)


@pytest.mark.parametrize("seed", range(6))
def test_it_is_that_of_scipy(seed: int) -> None:
    source = np.random.default_rng(seed)
    groups = [source.normal(size=n) for n in (7, 9)]
    found = rank_test([Times.of((float(t), True) for t in group) for group in groups])
    expected = stats.mannwhitneyu(*groups, method="exact")
    assert found.p == pytest.approx(expected.pvalue)
    tied = [np.round(source.exponential(size=n), 1) for n in (6, 8, 11)]
    found = rank_test([Times.of((float(t), True) for t in group) for group in tied])
    h, p = stats.kruskal(*tied)
    assert (found.statistic, found.p) == pytest.approx((h, p))
    # with ties: all 1287 ways to deal out five of 13 ranks, one by one
    few = np.round(source.exponential(size=13), 0)
    ranks = stats.rankdata(few)
    sums = np.array([sum(ranks[list(chosen)]) for chosen in combinations(range(13), 5)])
    far = abs(sums - sums.mean()) >= abs(ranks[:5].sum() - sums.mean()) - 1e-9
    found = rank_test([Times.of((float(t), True) for t in few[:5]), Times.of((float(t), True) for t in few[5:])])
    if found.statistic is not None:
        assert found.p == pytest.approx(far.mean())


def test_a_time_censored_among_the_others_has_no_rank() -> None:
    assert have_ranks([ALERT_A, ALERT_B, ALERT_C])
    for group in ("0.7 0.9+ 1.2", "0.7 3.0+ 4.0+"):
        assert not have_ranks([ALERT_A, times(group)])
        assert rank_test([ALERT_A, times(group)]).statistic is None
    assert rank_test([times("1 1"), times("1 1")]).statistic is None  # nothing differs
    assert rank_test([ALERT_A]).statistic is None


def test_rejects_as_often_as_it_says_where_there_is_no_difference() -> None:
    source = np.random.default_rng(5)
    rounds, rejected = 800, 0
    for _ in range(rounds):
        groups = [Times.of((float(t), True) for t in source.lognormal(size=10)) for _ in range(2)]
        rejected += (rank_test(groups).p or 1.0) <= 0.05
    # the exact test of 10 and 10 rejects in 4.33 % (scipy's table of U: U <= 23); 34.6 of 800, standard deviation 5.8
    assert abs(rejected - 34.6) < 4 * 5.8

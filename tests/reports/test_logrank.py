"""Tests between groups, against published values and against scipy."""

from __future__ import annotations

import sys
from itertools import combinations

import numpy as np
import pytest

from monitor.reports.statistics.logrank import holm, log_rank
from monitor.reports.statistics.scipys import AnalysisMissing, scipy_stats
from monitor.reports.statistics.survival import Times
from tests.reports.published import ALERT_A, ALERT_B, ALERT_C, MAINTAINED, MERCAPTOPURINE, NOT_MAINTAINED, PLACEBO


def test_two_groups_of_freireich_1963() -> None:
    # Freireich et al. 1963: log-rank 16.79 as printed in textbooks; further digits, O, E and variance computed from it
    found = log_rank([MERCAPTOPURINE, PLACEBO])
    assert found.statistic == pytest.approx(16.7929, abs=5e-5)
    assert found.df == 1
    assert found.observed.tolist() == [9, 21]
    assert found.expected == pytest.approx([19.2505, 10.7495], abs=5e-5)
    # the variance of O - E, 6.2570, stands in the statistic
    assert (found.observed[0] - found.expected[0]) ** 2 / (found.statistic or 0.0) == pytest.approx(6.2570, abs=5e-5)
    assert found.p == pytest.approx(4.17e-5, rel=2e-3)
    # it is not the shortcut sum of (O - E)^2 / E
    shortcut = float(((found.observed - found.expected) ** 2 / found.expected).sum())
    assert shortcut == pytest.approx(15.2329, abs=5e-5)


def test_two_groups_with_gehan_weights() -> None:
    found = log_rank([MERCAPTOPURINE, PLACEBO], "gehan")
    assert found.statistic == pytest.approx(13.4579, abs=5e-5)
    assert found.p == pytest.approx(2.44e-4, rel=2e-3)


def test_two_groups_of_miller_1981() -> None:
    found = log_rank([MAINTAINED, NOT_MAINTAINED])
    assert found.observed.tolist() == [7, 11]
    assert found.expected == pytest.approx([10.689, 7.311], abs=5e-4)
    assert found.statistic == pytest.approx(3.3964, abs=5e-5)
    assert found.p == pytest.approx(0.0653, abs=5e-5)


def test_three_alerts_all_at_once_and_two_by_two() -> None:
    # invented times; the expected values were computed with another program
    groups = {"A": ALERT_A, "B": ALERT_B, "C": ALERT_C}
    found = log_rank(list(groups.values()))
    assert found.observed.tolist() == [8, 7, 6]
    assert found.expected == pytest.approx([2.985, 6.792, 11.223], abs=5e-4)
    assert found.statistic == pytest.approx(12.4631, abs=5e-5)
    assert found.df == 2
    assert found.p == pytest.approx(0.001966, abs=5e-7)
    pairs = {pair: log_rank([groups[name] for name in pair]) for pair in combinations(groups, 2)}
    assert {pair: one.statistic for pair, one in pairs.items()} == pytest.approx(
        {("A", "B"): 3.2960, ("A", "C"): 12.3344, ("B", "C"): 1.8410}, abs=5e-5
    )
    p_values = [one.p or 0.0 for one in pairs.values()]
    assert p_values == pytest.approx([0.0694, 0.000445, 0.1748], abs=5e-5)
    # printed from rounded p values: twice 0.0694 is 0.1388
    assert holm(p_values) == pytest.approx([0.1388, 0.00133, 0.1748], abs=1.01e-4)


def test_holm_is_monotone_and_at_most_one() -> None:
    # worked by hand: 4 × 0.01, 3 × 0.02, then 2 × 0.02 may not fall below 0.06, and 0.9
    assert holm([0.02, 0.9, 0.01, 0.02]) == pytest.approx([0.06, 0.9, 0.04, 0.06])
    assert holm([0.6, 0.7]) == [1.0, 1.0]
    assert holm([]) == []


def test_groups_in_another_order_give_the_same() -> None:
    one = log_rank([ALERT_A, ALERT_B, ALERT_C])
    other = log_rank([ALERT_C, ALERT_A, ALERT_B])
    assert one.statistic == pytest.approx(other.statistic)


def test_nothing_to_compare_is_said_and_not_computed() -> None:
    nobody = Times.of([])
    for groups in ([ALERT_A], [ALERT_A, nobody], [Times.of([(1.0, False)]), Times.of([(2.0, False)])], []):
        found = log_rank(groups)
        assert (found.statistic, found.df) == (None, 0)
    # an empty group among others costs a degree of freedom and nothing else
    assert log_rank([ALERT_A, nobody, ALERT_B]).statistic == pytest.approx(3.2960, abs=5e-5)
    assert log_rank([ALERT_A, nobody, ALERT_B]).df == 1


def test_rejects_as_often_as_it_says_where_there_is_no_difference() -> None:
    source = np.random.default_rng(7)
    rejected = 0
    for _ in range(1500):
        groups = []
        for _ in range(4):
            t = source.exponential(1.0, 12)
            groups.append(Times.of(zip(np.minimum(t, 2.0), t < 2.0, strict=True)))
        found = log_rank(groups)
        rejected += (found.p or 1.0) < 0.05
    # 5 % of 1500 = 75, standard deviation 8.4; the test is slightly liberal with 12 a group
    assert 45 <= rejected <= 115


def test_without_scipy_one_plain_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "scipy", None)
    with pytest.raises(AnalysisMissing, match=r"needs scipy.*pip install 'trialwitness\[analysis\]'"):
        scipy_stats()

"""Intervals and exact tests, against published values, against scipy, and by how often they hold the truth."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.reports.statistics.exact import exact_test
from monitor.reports.statistics.intervals import (
    SEED,
    common_method,
    difference_interval,
    median_difference,
    median_interval,
    order_statistic_ranks,
    wilson,
)
from monitor.reports.statistics.survival import Times, kaplan_meier, median
from monitor.study.model import MedianConvention
from tests.lazily import Lazily
from tests.reports.published import ALERT_A, ALERT_C, MERCAPTOPURINE, times

stats = Lazily("scipy.stats")


@pytest.mark.parametrize(
    ("n", "expected"),
    # common tables of the sign test's interval; coverage computed from the binomial distribution
    [
        (8, (1, 8, 0.9922)),
        (10, (2, 9, 0.9785)),
        (12, (3, 10, 0.9614)),
        (16, (4, 13, 0.9787)),
        (20, (6, 15, 0.9586)),
        (24, (7, 18, 0.9773)),
    ],
)
def test_the_ranks_that_enclose_the_median(n: int, expected: tuple[int, int, float]) -> None:
    assert order_statistic_ranks(n) == pytest.approx(expected, abs=5e-5)


def test_the_interval_by_ranks_is_open_where_it_falls_on_who_never_responded() -> None:
    found = median_interval(times(".6 .7 .8 .9 1.0 1.1 1.2 1.3 1.4 1.5 4.0+ 4.0+"))
    assert (found.low, found.high, found.method) == (0.8, 1.5, "order statistics")
    found = median_interval(times(".6 .7 .8 .9 1.0 1.1 1.2 1.3 1.4 4.0+ 4.0+ 4.0+"))
    assert (found.low, found.high) == (0.8, None)
    assert median_interval(ALERT_C).coverage == pytest.approx(0.9922, abs=5e-5)


def test_a_time_censored_among_the_others_has_no_rank() -> None:
    # Freireich et al. 1963: limits of 0.5378 at 22 weeks are 0.268 to 0.747, so the interval of the median 23 is open
    found = median_interval(MERCAPTOPURINE)
    assert (found.low, found.high, found.method) == (13.0, None, "log-log")


def test_all_groups_of_a_comparison_have_their_intervals_in_one_way() -> None:
    assert common_method([ALERT_A, ALERT_C]) == "order statistics"
    assert common_method([ALERT_A, MERCAPTOPURINE]) == "log-log"
    assert median_interval(ALERT_C, "log-log").method == "log-log"


def test_nobody_and_few_have_no_interval() -> None:
    assert median_interval(Times.of([])).method == "none"
    assert median_interval(times("1 2 3")).method == "none"
    assert difference_interval(Times.of([]), ALERT_A).method == "none"


def test_the_difference_of_medians() -> None:
    assert median_difference(ALERT_A, ALERT_C) == pytest.approx(0.65)
    found = difference_interval(ALERT_A, ALERT_C)
    assert found.low is not None
    assert 0.0 < found.low < 0.65
    assert found.high is None or found.high > 0.65
    assert median_difference(ALERT_A, times("1+ 2+")) is None


def test_wilson_of_nobody() -> None:
    assert wilson(0, 0) is None


@given(st.tuples(st.integers(0, 15), st.integers(0, 15)), st.tuples(st.integers(0, 15), st.integers(0, 15)))
def test_two_groups_are_fishers_exact_test(first: tuple[int, int], second: tuple[int, int]) -> None:
    # reference: scipy.stats.fisher_exact
    assert exact_test([first, second]) == pytest.approx(stats.fisher_exact([first, second]).pvalue, abs=1e-9)


def test_the_tea_tasting_of_fisher_1935() -> None:
    # Fisher 1935, The Design of Experiments: 3 of 4 cups right; two-sided 34/70
    assert exact_test([(3, 1), (1, 3)]) == pytest.approx(34 / 70)


def test_more_groups_count_every_table() -> None:
    # by hand: 3 groups of 2, 2 in all: 15 tables of equal margins, (2, 0, 0) and its like weigh 1, (1, 1, 0) weigh 4
    assert exact_test([(2, 0), (0, 2), (0, 2)]) == pytest.approx(3 / 15)
    assert exact_test([(1, 1), (1, 1), (0, 2)]) == pytest.approx(1.0)
    assert exact_test([(0, 5), (0, 7)]) == 1.0
    assert exact_test([(0, 0), (0, 0)]) == 1.0
    assert exact_test([(1, 4), (0, 6), (2, 7), (9, 3)]) == pytest.approx(
        brute_force([(1, 4), (0, 6), (2, 7), (9, 3)]), abs=1e-12
    )


def brute_force(table: list[tuple[int, int]]) -> float:
    sizes = [a + b for a, b in table]
    total = sum(a for a, _ in table)
    weights = {
        counts: math.prod(math.comb(size, count) for size, count in zip(sizes, counts, strict=True))
        for counts in np.ndindex(*(size + 1 for size in sizes))
        if sum(counts) == total
    }
    observed = weights[tuple(a for a, _ in table)]
    return sum(weight for weight in weights.values() if weight <= observed) / sum(weights.values())


def test_a_table_too_large_is_refused_in_bounded_time() -> None:
    assert exact_test([(9, 40 + 7 * group) for group in range(14)]) is None


def test_the_interval_by_ranks_holds_the_true_median_as_often_as_it_says() -> None:
    # lognormal, median 0.90 s, horizon 2.0 s; n = 12: exactly 96.14 %
    source = np.random.default_rng(11)
    held = 0
    rounds = 2000
    for _ in range(rounds):
        t = 0.90 * np.exp(0.3 * source.standard_normal(12))
        found = median_interval(Times.of(zip(np.minimum(t, 2.0), t < 2.0, strict=True)))
        assert found.method == "order statistics"
        held += (found.low or 0.0) <= 0.90 and (found.high is None or found.high >= 0.90)
    # 1922.8 expected, standard deviation 8.6
    assert abs(held - 0.9614 * rounds) < 4 * 8.6


def test_the_difference_of_medians_is_held_at_about_the_nominal_rate() -> None:
    source = np.random.default_rng(12)
    held = 0
    rounds = 400
    for _ in range(rounds):
        one, other = (
            Times.of((float(t), True) for t in centre * np.exp(0.3 * source.standard_normal(16)))
            for centre in (0.82, 1.30)
        )
        found = difference_interval(one, other)
        assert found.low is not None
        assert found.high is not None
        held += found.low <= 0.48 <= found.high
    # nominal 95 %: 380, standard deviation 4.4; the percentile interval of a median is a little wide
    assert 365 <= held <= 398


@pytest.mark.parametrize("convention", ["first", "midpoint"])
@pytest.mark.parametrize("text", ["6 6 6 6+ 7 9+ 9 10+ 11+ 13 16", "1 1+ 2 2+ 2+ 3 3+ 4", "5+ 5 5 5+ 6+ 7 8+ 9"])
def test_resampling_is_that_of_the_curve_itself_with_ties_too(
    text: str, convention: MedianConvention, monkeypatch: pytest.MonkeyPatch
) -> None:
    # the same draws, each sample's median taken from its Kaplan-Meier curve; less a group that always has the median 0
    draws = 400
    monkeypatch.setattr("monitor.reports.statistics.intervals.DRAWS", draws)
    group, zero = times(text), times("0 0 0 0 0 0")
    drawn = np.random.RandomState(SEED + 1).randint(0, len(group), size=(draws, len(group)))
    medians = []
    for rows in drawn.tolist():
        sample = Times.of((float(group.t[row]), bool(group.event[row])) for row in rows)
        found = median(kaplan_meier(sample), convention)
        medians.append(math.inf if found is None else found)
    ordered = sorted(medians)
    low, high = ordered[int(0.025 * draws)], ordered[math.ceil(0.975 * draws) - 1]
    interval = difference_interval(zero, group, convention)
    assert interval.method == "resampling"
    assert (interval.low, interval.high) == (low, None if math.isinf(high) else high)

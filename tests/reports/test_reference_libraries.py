"""Every statistic against lifelines, statsmodels and scipy, on 100 random data sets each with ties.

The times lie on the grid of a simulator's frames (60, 90, 120, 240 Hz, ticks of 15.6 and 16.6667 ms) and carry the
noise of a difference of two simulation times; the libraries are given the same times without noise. Tolerance 1e-9
throughout, where no other is stated.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pytest

from monitor.measures.columns import BoolArray, FloatArray, IntArray
from monitor.reports.statistics.exact import exact_test
from monitor.reports.statistics.incidence import incidence, share_by
from monitor.reports.statistics.intervals import median_interval, order_statistic_ranks, wilson
from monitor.reports.statistics.logrank import holm, log_rank
from monitor.reports.statistics.ranks import have_ranks, rank_test, ranked_test
from monitor.reports.statistics.survival import Times, kaplan_meier, median, on_grid, restricted_mean
from tests.lazily import Lazily

lifelines = Lazily("lifelines")
lifelines_statistics, lifelines_utils = Lazily("lifelines.statistics"), Lazily("lifelines.utils")
stats = Lazily("scipy.stats")
survfunc = Lazily("statsmodels.duration.survfunc")
multitest, proportion = Lazily("statsmodels.stats.multitest"), Lazily("statsmodels.stats.proportion")

ON_RANDOM_SETS = pytest.mark.parametrize(
    "seeds", [range(20), pytest.param(range(20, 100), marks=pytest.mark.slow)], ids=["20", "further 80"]
)
"""Of five things broken on purpose three were found by one of the first 28, one by none of 200."""
PERIODS_S = (1 / 60, 1 / 90, 1 / 120, 0.0166667, 1 / 240, 0.0156)
EXACT = 1e-9


@dataclass(frozen=True)
class DataSet:
    """Times that tie, as a library wants them and as a simulator gives them, of three groups."""

    t: FloatArray
    noisy: FloatArray
    cause: IntArray
    """1 responded, 2 contact, 0 censored."""
    group: IntArray

    @property
    def event(self) -> BoolArray:
        return np.equal(self.cause, 1)

    def of(self, which: int) -> DataSet:
        rows = self.group == which
        return DataSet(self.t[rows], self.noisy[rows], self.cause[rows], self.group[rows])

    def times(self) -> Times:
        return Times.of(zip(self.noisy.tolist(), self.event.tolist(), strict=True))


def data_set(seed: int) -> DataSet:
    source = np.random.default_rng(seed)
    period = PERIODS_S[seed % len(PERIODS_S)]
    n = int(source.integers(18, 60))
    # few distinct numbers of frames, so that there are ties within and between groups
    frames = np.ceil(source.exponential(12.0, n)).astype(np.int64) * int(source.integers(1, 5))
    t0 = np.round(source.uniform(20.0, 900.0, n) / period) * period
    noisy = (t0 + frames * period) - t0
    cause = source.choice([0, 1, 2], p=[0.2, 0.65, 0.15], size=n)
    cause[:2] = 1, 2
    group = np.arange(n) % 3
    exact = np.array([on_grid(one * period) for one in frames])
    return DataSet(exact, noisy, cause, group)


def test_times_that_differ_by_noise_are_one_time() -> None:
    assert on_grid(0.7999999999999972) == on_grid(0.8000000000000007) == 0.8
    source = np.random.default_rng(1)
    for period in (*PERIODS_S, 0.0083333, 1 / 128, 1 / 144, 1 / 512, 1 / 1000, 1 / 1024):
        for frames in range(1, 400):
            starts = source.uniform(0.0, 50_000.0, 20)
            found = {on_grid((start + frames * period) - start) for start in starts.tolist()}
            assert len(found) == 1, (period, frames)
            assert found.pop() == pytest.approx(frames * period, abs=0.52e-6)


def test_the_log_rank_test_that_lost_its_ties() -> None:
    # three pairs of times that are equal on a grid of 50 ms and were parted by float noise
    one = [0.65, 0.75, 0.7999999999999972, 0.8499999999999943, 0.95, 1.1500000000000057]
    other = [0.8000000000000007, 0.8500000000000014, 1.1499999999999986, 1.35, 1.55, 2.05]
    found = log_rank([Times.of((t, True) for t in group) for group in (one, other)])
    rounded = np.round([*one, *other], 6)
    chi2, p = survfunc.survdiff(rounded, np.ones(12), np.repeat([0, 1], 6))
    assert (found.statistic, found.p) == pytest.approx((chi2, p), abs=EXACT)
    parted, _ = survfunc.survdiff(np.array([*one, *other]), np.ones(12), np.repeat([0, 1], 6))
    assert found.statistic != pytest.approx(parted, abs=1e-3)


@ON_RANDOM_SETS
def test_the_curve_its_error_and_its_interval(seeds: range) -> None:
    for seed in seeds:
        data = data_set(seed)
        curve = kaplan_meier(data.times())
        reference = survfunc.SurvfuncRight(data.t, data.event.astype(int))
        at = np.searchsorted(reference.surv_times, curve.t - 1e-9)
        assert curve.survival == pytest.approx(reference.surv_prob[at], abs=EXACT)
        assert curve.at_risk == pytest.approx(reference.n_risk[at])
        assert curve.events == pytest.approx(reference.n_events[at])
        inside = curve.survival > 0
        assert curve.se[inside] == pytest.approx(reference.surv_prob_se[at][inside], abs=EXACT)
        fitter = lifelines.KaplanMeierFitter().fit(data.t, data.event)
        limits = fitter.confidence_interval_.loc[curve.t].to_numpy()
        assert curve.lower[inside] == pytest.approx(limits[inside, 0], abs=EXACT)
        assert curve.upper[inside] == pytest.approx(limits[inside, 1], abs=EXACT)
        ecdf = stats.ecdf(stats.CensoredData.right_censored(data.t, ~data.event)).sf
        assert curve.survival == pytest.approx(ecdf.evaluate(curve.t), abs=EXACT)


@ON_RANDOM_SETS
def test_the_median_and_its_interval_from_the_curve(seeds: range) -> None:
    for seed in seeds:
        data = data_set(seed)
        fitter = lifelines.KaplanMeierFitter().fit(data.t, data.event)
        found = median(kaplan_meier(data.times()))
        # lifelines compares with one half itself: where the curve is that but for rounding, it may take the next time
        if not np.isclose(fitter.survival_function_.to_numpy(), 0.5, atol=1e-9).any():
            assert found == (None if np.isinf(fitter.median_survival_time_) else fitter.median_survival_time_)
        interval = median_interval(data.times(), "log-log")
        limits = lifelines_utils.median_survival_times(fitter.confidence_interval_).to_numpy()[0]
        assert interval.low == (None if np.isinf(limits[0]) else limits[0])
        if (
            kaplan_meier(data.times()).survival[-1] > 0.0
        ):  # at a survival of 0 lifelines has a limit where there is none
            assert interval.high == (None if np.isinf(limits[1]) else limits[1])


@ON_RANDOM_SETS
def test_the_restricted_mean(seeds: range) -> None:
    for seed in seeds:
        data = data_set(seed)
        curve = kaplan_meier(data.times())
        horizon = float(np.quantile(data.t, 0.8))
        found = restricted_mean(curve, horizon)
        assert found is not None
        fitter = lifelines.KaplanMeierFitter().fit(data.t, data.event)
        assert found[0] == pytest.approx(lifelines_utils.restricted_mean_survival_time(fitter, t=horizon), abs=EXACT)


@ON_RANDOM_SETS
def test_the_log_rank_tests_of_three_and_two_groups(seeds: range) -> None:
    for seed in seeds:
        data = data_set(seed)
        groups = [data.of(which).times() for which in range(3)]
        found = log_rank(groups)
        chi2, p = survfunc.survdiff(data.t, data.event.astype(int), data.group)
        assert (found.statistic, found.p) == pytest.approx((chi2, p), abs=EXACT)
        theirs = lifelines_statistics.multivariate_logrank_test(data.t, data.group, data.event)
        assert (found.statistic, found.p) == pytest.approx((theirs.test_statistic, theirs.p_value), abs=EXACT)
        weighted = log_rank(groups, "gehan")
        chi2, p = survfunc.survdiff(data.t, data.event.astype(int), data.group, weight_type="gb")
        assert (weighted.statistic, weighted.p) == pytest.approx((chi2, p), abs=EXACT)
        theirs = lifelines_statistics.multivariate_logrank_test(data.t, data.group, data.event, weightings="wilcoxon")
        assert weighted.statistic == pytest.approx(theirs.test_statistic, abs=EXACT)
        two = [stats.CensoredData.right_censored(one.t, ~one.event) for one in (data.of(0), data.of(1))]
        reference = stats.logrank(*two)
        assert log_rank(groups[:2]).statistic == pytest.approx(reference.statistic**2, abs=EXACT)
        assert log_rank(groups[:2]).p == pytest.approx(reference.pvalue, abs=EXACT)


@ON_RANDOM_SETS
def test_incidences_of_response_and_contact(seeds: range) -> None:
    for seed in seeds:
        data = data_set(seed)
        ends = list(zip(data.noisy.tolist(), data.cause.tolist(), strict=True))
        reference = survfunc.CumIncidenceRight(data.t, data.cause)
        for cause in (1, 2):
            found = incidence(ends, cause)
            at = np.searchsorted(reference.times, found.t - 1e-9)
            assert found.share == pytest.approx(reference.cinc[cause - 1][at], abs=EXACT)
            se = reference.cinc_se[cause - 1][at]  # NaN at the time at which nobody is left; the limit is taken here
            assert found.se[np.isfinite(se)] == pytest.approx(se[np.isfinite(se)], abs=EXACT)
            assert np.isfinite(found.se).all()
        # lifelines cannot have ties between ends: it is given every time once, and the same times go into ours
        source = np.random.default_rng(seed)
        apart = source.permutation(len(data.t)) + 1.0
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fitter = lifelines.AalenJohansenFitter(calculate_variance=True).fit(apart, data.cause, event_of_interest=1)
        found = incidence(zip(apart.tolist(), data.cause.tolist(), strict=True), 1)
        expected = fitter.cumulative_density_.loc[found.t].to_numpy()[:, 0]
        assert found.share == pytest.approx(expected, abs=EXACT)


@ON_RANDOM_SETS
def test_without_other_censoring_the_incidence_is_the_plain_share(seeds: range) -> None:
    for seed in seeds:
        data = data_set(seed)
        cause = np.where(data.cause == 0, 2, data.cause)
        t = float(np.median(data.t))
        share, _ = share_by(incidence(zip(data.noisy.tolist(), cause.tolist(), strict=True), 1), t)
        assert share == pytest.approx(((cause == 1) & (data.t <= t)).mean(), abs=EXACT)
        # response and contact together are all that the curve of either has left
        either = kaplan_meier(Times.of((one, True) for one in data.noisy.tolist()))
        both = [
            share_by(incidence(zip(data.noisy.tolist(), cause.tolist(), strict=True), which), t)[0] for which in (1, 2)
        ]
        place = np.searchsorted(either.t, t, side="right") - 1
        assert sum(one for one in both if one is not None) == pytest.approx(
            1.0 - (either.survival[place] if place >= 0 else 1.0), abs=EXACT
        )


def test_an_incidence_is_not_known_beyond_the_last_who_was_waited_for() -> None:
    cut = [(0.5, 1), (0.8, 0), (1.2, 0)]
    assert share_by(incidence(cut, 1), 1.2)[0] == pytest.approx(1 / 3)
    assert share_by(incidence(cut, 1), 1.3) == (None, None)
    assert share_by(incidence([], 1), 0.0) == (None, None)
    # all came to an end: known for ever, as the reference has it
    assert share_by(incidence([(0.5, 1), (0.8, 2)], 1), 9.0)[0] == pytest.approx(0.5)
    assert share_by(incidence([(0.5, 0), (0.8, 2), (0.8, 0)], 2), 0.9) == (None, None)


@ON_RANDOM_SETS
def test_the_tests_by_ranks(seeds: range) -> None:
    for seed in seeds:
        data = data_set(seed)
        never = float(data.t.max()) + 1.0
        pairs = [
            [(t if event else never, bool(event)) for t, event in zip(one.noisy, one.event, strict=True)]
            for one in (data.of(which) for which in range(3))
        ]
        groups = [Times.of(own) for own in pairs]
        assert have_ranks(groups)
        plain = [np.where(data.of(which).event, data.of(which).t, never) for which in range(3)]
        h, p = stats.kruskal(*plain)
        found = rank_test(groups)
        assert (found.statistic, found.p) == pytest.approx((h, p), abs=EXACT)
        # two small groups, no ties: counted by scipy, too
        source = np.random.default_rng(seed)
        values = source.permutation(16).astype(np.float64)
        exact = ranked_test([values[:7], values[7:]])
        assert exact.exact
        assert exact.p == pytest.approx(stats.mannwhitneyu(values[:7], values[7:], method="exact").pvalue, abs=EXACT)
        # and with ties, where scipy deals out the ranks one by one
        tied = np.floor(values / 3.0)
        ranks = stats.rankdata(tied[:11])
        of_ranks = stats.permutation_test(
            (ranks[:4], ranks[4:]),
            lambda one, other, axis: np.round(np.abs(one.mean(axis=axis) - other.mean(axis=axis)), 9),
            vectorized=True,
            alternative="greater",
            n_resamples=np.inf,
        )
        assert ranked_test([tied[:4], tied[4:11]]).p == pytest.approx(of_ranks.pvalue, abs=EXACT)


@ON_RANDOM_SETS
@pytest.mark.slow
def test_shares_exact_tables_and_adjusted_p_values(seeds: range) -> None:
    for seed in seeds:
        source = np.random.default_rng(seed)
        n = int(source.integers(1, 40))
        of = int(source.integers(0, n + 1))
        assert wilson(of, n) == pytest.approx(proportion.proportion_confint(of, n, method="wilson"), abs=EXACT)
        table = source.integers(0, 12, (2, 2))
        rows = [(int(table[0, 0]), int(table[0, 1])), (int(table[1, 0]), int(table[1, 1]))]
        assert exact_test(rows) == pytest.approx(stats.fisher_exact(table).pvalue, abs=EXACT)
        p_values = source.uniform(0.0, 0.2, int(source.integers(1, 7))).tolist()
        assert holm(p_values) == pytest.approx(multitest.multipletests(p_values, method="holm")[1], abs=EXACT)


@pytest.mark.parametrize("n", range(6, 60))
def test_the_ranks_that_enclose_the_median(n: int) -> None:
    low, high, coverage = order_statistic_ranks(n)
    assert (high, coverage >= 0.95) == (n + 1 - low, True)
    # one rank further in would not be enough
    assert 1.0 - 2.0 * stats.binom.cdf(low, n, 0.5) < 0.95
    # scipy's interval of a quantile of the same ranks as values
    values = np.arange(1.0, n + 1.0)
    interval = stats.quantile_test(values, p=0.5).confidence_interval(0.95)
    assert interval.low <= low + 1
    assert interval.high >= high - 1

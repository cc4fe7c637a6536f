"""The curve, its median and the restricted mean, against published values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.reports.statistics.survival import Times, kaplan_meier, median, restricted_mean, survival_at
from tests.reports.published import (
    ALERT_A,
    ALERT_B,
    ALERT_C,
    MAINTAINED,
    MERCAPTOPURINE,
    NOT_MAINTAINED,
    PLACEBO,
    times,
)

# t, at risk, events, S, SE, 95 % log-log: Freireich et al. 1963; S as printed in textbooks, the rest computed from it
MERCAPTOPURINE_TABLE = [
    (6, 21, 3, 0.8571, 0.0764, 0.620, 0.952),
    (7, 17, 1, 0.8067, 0.0869, 0.563, 0.923),
    (10, 15, 1, 0.7529, 0.0963, 0.503, 0.889),
    (13, 12, 1, 0.6902, 0.1068, 0.432, 0.849),
    (16, 11, 1, 0.6275, 0.1141, 0.368, 0.805),
    (22, 7, 1, 0.5378, 0.1282, 0.268, 0.747),
    (23, 6, 1, 0.4482, 0.1346, 0.188, 0.680),
]
PLACEBO_TABLE = [
    (1, 21, 2, 0.9048, 0.0641),
    (2, 19, 2, 0.8095, 0.0857),
    (3, 17, 1, 0.7619, 0.0929),
    (4, 16, 2, 0.6667, 0.1029),
    (5, 14, 2, 0.5714, 0.1080),
    (8, 12, 4, 0.3810, 0.1060),
    (11, 8, 2, 0.2857, 0.0986),
    (12, 6, 2, 0.1905, 0.0857),
    (15, 4, 1, 0.1429, 0.0764),
    (17, 3, 1, 0.0952, 0.0641),
    (22, 2, 1, 0.0476, 0.0465),
    (23, 1, 1, 0.0, math.nan),
]


def test_the_table_of_the_treated_group() -> None:
    curve = kaplan_meier(MERCAPTOPURINE)
    columns = (curve.t, curve.at_risk, curve.events, curve.survival, curve.se, curve.lower, curve.upper)
    for found, expected in zip(columns, zip(*MERCAPTOPURINE_TABLE, strict=True), strict=True):
        assert found == pytest.approx(expected, abs=5.1e-4)


def test_the_table_of_the_placebo_group() -> None:
    curve = kaplan_meier(PLACEBO)
    for found, expected in zip(
        (curve.t, curve.at_risk, curve.events, curve.survival, curve.se),
        zip(*PLACEBO_TABLE, strict=True),
        strict=True,
    ):
        assert found == pytest.approx(expected, abs=5.1e-5, nan_ok=True)


@pytest.mark.parametrize(
    ("group", "expected"),
    [
        (MERCAPTOPURINE, 23),  # Freireich et al. 1963
        (PLACEBO, 8),
        (MAINTAINED, 31),  # Miller 1981
        (NOT_MAINTAINED, 23),
        # the curve is one half exactly at these: the first time is the median, not the middle of it and the next
        (ALERT_A, 0.80),
        (ALERT_B, 1.02),
        (ALERT_C, 1.45),
        (times("1 2+ 3+ 4+"), None),
        (times("2+ 3+"), None),
        (Times.of([]), None),
    ],
)
def test_the_median_is_the_first_time_at_or_below_one_half(group: Times, expected: float | None) -> None:
    assert median(kaplan_meier(group)) == expected


@pytest.mark.parametrize(
    ("group", "expected"),
    [
        (ALERT_A, 0.84),  # S is one half exactly from 0.80 to 0.88
        (ALERT_B, 1.06),
        (MERCAPTOPURINE, 23),  # S passes one half: nothing to choose
        (times("1 2 3+ 4+"), 2),  # and here no further time has an event
    ],
)
def test_the_median_by_the_other_convention_is_the_middle_to_the_next_time(group: Times, expected: float) -> None:
    assert median(kaplan_meier(group), "midpoint") == pytest.approx(expected)


def test_leaving_out_who_never_responded_makes_the_worst_alert_look_good() -> None:
    responders = Times.of((float(t), True) for t in ALERT_C.t[ALERT_C.event])
    assert median(kaplan_meier(responders)) == 1.28
    assert median(kaplan_meier(ALERT_C)) == 1.45


def test_the_restricted_mean_to_20_weeks() -> None:
    # Freireich et al. 1963: 16.1165 against 8.4286
    treated, placebo = (restricted_mean(kaplan_meier(one), 20.0) for one in (MERCAPTOPURINE, PLACEBO))
    assert treated is not None
    assert placebo is not None
    assert treated[0] == pytest.approx(16.1165, abs=5e-5)
    assert placebo[0] == pytest.approx(8.4286, abs=5e-5)
    # without censoring before the horizon it is the mean of min(t, horizon), and its error that of a mean (with n)
    cut = np.minimum(PLACEBO.t, 20.0)
    assert placebo == pytest.approx((cut.mean(), cut.std() / math.sqrt(len(cut))))


def test_the_restricted_mean_is_not_said_beyond_what_was_seen() -> None:
    curve = kaplan_meier(times("1 2 3+"))
    assert restricted_mean(curve, 3.0) is not None
    assert restricted_mean(curve, 3.5) is None
    assert survival_at(curve, 3.0) == pytest.approx(1 / 3)
    assert survival_at(curve, 3.5) is None
    assert survival_at(kaplan_meier(times("1 2 3")), 9.0) == 0.0
    assert restricted_mean(kaplan_meier(Times.of([])), 1.0) is None


def test_at_equal_times_the_censored_one_was_still_at_risk() -> None:
    curve = kaplan_meier(times("5+ 5 7 9"))
    assert curve.at_risk.tolist() == [4, 2, 1]


@given(st.lists(st.tuples(st.integers(1, 30), st.booleans()), min_size=1, max_size=40))
@settings(max_examples=200)
def test_a_curve_falls_from_one_and_stays_in_its_interval(pairs: list[tuple[int, bool]]) -> None:
    found = kaplan_meier(Times.of((float(t), event) for t, event in pairs))
    assert (np.diff(np.concatenate([[1.0], found.survival])) < 0).all()
    inside = ~np.isnan(found.lower)
    assert (found.lower[inside] <= found.survival[inside]).all()
    assert (found.survival[inside] <= found.upper[inside]).all()
    assert found.events.sum() == sum(event for _, event in pairs)


@pytest.mark.parametrize("t", [math.nan, math.inf, -math.inf])
def test_what_is_no_time_is_refused(t: float) -> None:
    with pytest.raises(ValueError, match="no finite number"):
        Times.of([(1.0, True), (t, True), (2.0, False)])

"""The mean rate of change over a window, against the mean value theorem's own examples worked by hand."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.measures.change import rate_of_change
from monitor.measures.measured import measured

PERIOD_S = 0.1


def rates(t: np.ndarray, value: np.ndarray, over_s: float) -> np.ndarray:
    return rate_of_change(t, measured(value), over_s, PERIOD_S).value


def test_of_a_straight_line_it_is_the_slope() -> None:
    t = np.arange(20) * PERIOD_S
    got = rates(t, 3.0 - 0.5 * t, 1.0)
    assert np.isnan(got[:10]).all()
    assert got[10:] == pytest.approx(-0.5)


def test_of_a_parabola_it_is_the_slope_in_the_middle_of_the_window() -> None:
    # d/dt of t² at the middle of [t − 1, t] is 2·(t − 0.5)
    t = np.arange(30) * PERIOD_S
    assert rates(t, t * t, 1.0)[10:] == pytest.approx(2.0 * (t[10:] - 0.5))


def test_a_value_that_is_missing_at_either_end_gives_none_and_one_between_them_does_not_matter() -> None:
    t = np.arange(25) * PERIOD_S
    value = 2.0 * t
    value[3] = np.nan
    got = rates(t, value, 1.0)
    assert np.isnan(got[13])
    assert got[[12, 14]] == pytest.approx([2.0, 2.0])
    lost = np.delete(np.arange(25), [4, 5])  # the frame that stood for t − 1 s is not there
    got = rates(t[lost], value[lost], 1.0)
    assert np.isnan(got[t[lost] == t[15]]).all()


@given(st.lists(st.floats(-50, 50), min_size=2, max_size=60), st.data())
def test_a_frame_sees_only_what_is_behind_it(values: list[float], data: st.DataObject) -> None:
    t, value = np.arange(len(values)) * PERIOD_S, np.array(values)
    cut = data.draw(st.integers(1, len(values)))
    np.testing.assert_array_equal(rates(t[:cut], value[:cut], 0.5), rates(t, value, 0.5)[:cut])


def test_pairs_of_frames_give_the_plain_quotient() -> None:
    t = np.array([0.0, 0.1, 0.2, 0.3])
    value = np.array([1.0, 4.0, 2.0, 2.0])
    plain = [(b - a) / PERIOD_S for a, b in pairwise(value)]
    assert rates(t, value, PERIOD_S)[1:] == pytest.approx(plain)

"""Bands to either side of two edges: in, out, margin, tolerance, words, worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.study.band import Band

ASIDE = Band(None, None, outside=(-0.5, 0.8))


@pytest.mark.parametrize(
    ("value", "inside", "margin", "beyond"),
    [
        (-0.7, True, 0.2, 0),
        (-0.5, True, 0.0, 0),
        (-0.3, False, -0.2, -1),
        (0.0, False, -0.5, -1),
        (0.7, False, -0.1, -1),
        (0.8, True, 0.0, 0),
        (2.0, True, 1.2, 0),
        (0.80000001 - 1e-7, True, 0.0, 0),  # within the float slack
    ],
)
def test_to_either_side(value: float, inside: bool, margin: float, beyond: int) -> None:
    assert ASIDE.contains_one(value) is inside
    assert bool(ASIDE.contains(np.array([value]))[0]) is inside
    assert float(ASIDE.margin(np.array([value]))[0]) == pytest.approx(margin, abs=1e-6)
    assert ASIDE.beyond(value) == beyond


def test_a_tolerance_narrows_what_lies_between() -> None:
    assert Band(None, None, 0.1, (-0.5, 0.8)).contains(np.array([-0.41, -0.39, 0.69, 0.71])).tolist() == [
        True,
        False,
        False,
        True,
    ]
    assert ASIDE.tolerance_for(np.array([-0.3, 0.6, 1.0])) == pytest.approx([0.2, 0.2, 0.0], abs=2e-6)


def test_a_range_must_lie_on_one_side_to_be_in_for_sure() -> None:
    low, high = np.array([-0.9, -0.9, 0.0, -0.4, 0.9]), np.array([-0.6, 0.9, 0.9, 0.7, 1.0])
    assert ASIDE.contains_all(low, high).tolist() == [True, False, False, False, True]
    assert ASIDE.contains_none(low, high).tolist() == [False, False, False, True, False]


def test_the_next_edge() -> None:
    assert (ASIDE.next_edge(0.0, rising=True), ASIDE.next_edge(0.0, rising=False)) == (0.8, -0.5)
    assert (ASIDE.next_edge(1.0, rising=True), ASIDE.next_edge(1.0, rising=False)) == (math.inf, 0.8)
    inner = Band(1.0, 2.0, 0.1)
    assert (inner.next_edge(0.0, rising=True), inner.next_edge(1.5, rising=True)) == (0.9, 2.1)


def test_the_words_and_what_is_infinitely_large() -> None:
    assert ASIDE.words("m") == "outside -0.5 to 0.8 m"
    assert Band(None, None, 0.1, (-0.5, 0.8)).words("m") == "outside -0.5 to 0.8 m ± 0.1"
    assert ASIDE.takes_unbounded


@given(st.floats(-5, 5), st.floats(-2, 2), st.floats(0.01, 2))
def test_outside_is_all_that_the_band_between_leaves_but_its_edges(value: float, low: float, width: float) -> None:
    between, aside = Band(low, low + width), Band(None, None, outside=(low, low + width))
    assert aside.contains_one(value) or between.contains_one(value)
    if abs(value - low) > 1e-5 and abs(value - low - width) > 1e-5:
        assert aside.contains_one(value) != between.contains_one(value)
        assert float(aside.margin(np.array([value]))[0]) == pytest.approx(-float(between.margin(np.array([value]))[0]))

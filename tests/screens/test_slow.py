"""Lane keeping over a long drive: a row a measure, and bars that tell in and out of band without a colour."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.following.view import SlowView
from monitor.screens.drawing.picture import Picture
from monitor.screens.panels.slow import BARS, HALF, bars_of, draw_slow, levels_of
from monitor.study.band import Band
from tests.screens import conftest as kit


def slow(values: list[float], band: Band | None = None) -> SlowView:
    t = 10.0 * np.arange(1.0, len(values) + 1)
    return SlowView("sdlp", "LANE SD", "m", 60.0, t, np.array(values), band, None, None)


@given(st.lists(st.floats(0.0, 5.0), min_size=1, max_size=40), st.floats(0.01, 3.0))
def test_a_bar_is_above_the_half_exactly_where_the_value_is_beyond_the_edge(values: list[float], edge: float) -> None:
    row = slow(values, Band(None, edge))
    for value, level in zip(values, levels_of(row, row.value), strict=True):
        assert (level > HALF) is (value > edge)
        assert 1 <= level <= 8


def test_a_cell_shows_the_greatest_value_of_its_time_and_a_blank_where_there_is_none() -> None:
    row = slow([0.1, 0.4, math.nan, math.nan, 0.2, 0.2, 0.4, 0.0])
    # two values a cell: the greatest of all fills it, half of it half
    assert bars_of(row, 4) == BARS[8] + " " + BARS[4] + BARS[8]


def test_at_the_beginning_of_a_drive_a_value_fills_the_time_that_it_stands_for() -> None:
    row = slow([math.nan, 0.2, 0.4])
    assert bars_of(row, 9) == "   " + BARS[4] * 3 + BARS[8] * 3
    late = replace(row, t=row.t + 60.0)  # the first value is of 70 s: before it nothing is known
    assert bars_of(late, 9) == " " * 7 + BARS[4] + BARS[8]


@pytest.mark.parametrize("width", [80, 120, 200])
def test_a_row_says_what_how_much_and_whether_it_is_in_band(width: int) -> None:
    text = draw_slow(Picture(kit.states()["long drive"]), width, 3).text().splitlines()
    assert text[0].split()[:7] == ["LANE", "SD", "60", "s", "0.33", "m", "╳"]
    assert "not met" in text[0]
    assert ("≤ 0.30 m" in text[0]) is (width >= 100)
    assert text[0].endswith(" 2:29:50")
    assert text[1].split()[:5] == ["REVERSALS", "60", "s", "21.0", "1/min"]


@pytest.mark.parametrize("state", ["stale", "masked", "not measured"])
def test_without_a_value_there_is_a_word_and_no_verdict(state: str) -> None:
    view = kit.live_view(slow=kit.slow(state=state, result=None))
    row = draw_slow(Picture(view), 120, 1).text()
    assert state in row
    assert "0.33" not in row
    assert "met ≤" not in row


def test_a_picture_that_stands_still_shows_no_value_as_if_it_were_of_now() -> None:
    row = draw_slow(Picture(kit.states()["long drive"], still_for_s=2.0), 120, 1).text()
    assert "stale" in row
    assert "0.33" not in row


def test_before_the_first_value_it_says_so() -> None:
    assert "not measured yet" in draw_slow(Picture(replace(kit.live_view(), slow_used=1)), 80, 1).text()

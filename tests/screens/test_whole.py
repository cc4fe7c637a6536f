"""The strips of the whole drive: each piece in its column of the time line, and the band where judging has it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.following.view import WholeStrip
from monitor.screens.drawing.layout import arrange
from monitor.screens.drawing.picture import Picture
from monitor.screens.panels.timeline import draw_timeline, line_cells
from monitor.screens.panels.whole import columns_over, draw_whole
from monitor.study.band import Band
from tests.screens import conftest as kit

BAND = Band(1.0, 2.0)


def strip(values: list[float], piece_s: float = 1.0) -> WholeStrip:
    return WholeStrip("time_gap", "s", piece_s, np.array(values), np.array(values) + 0.5, BAND)


def test_pieces_that_are_shorter_than_a_column_give_its_extremes() -> None:
    low, high = columns_over(strip([3.0, 1.0, 2.0, 5.0]), 4, 8.0)
    assert low.tolist()[:2] == [1.0, 2.0]
    assert high.tolist()[:2] == [3.5, 5.5]
    assert np.isnan(low[2:]).all()


def test_a_piece_that_is_longer_than_a_column_fills_all_that_it_touches() -> None:
    low, high = columns_over(strip([3.0, 1.0]), 8, 4.0)
    assert low.tolist()[:4] == [3.0, 3.0, 1.0, 1.0]
    assert high.tolist()[:4] == [3.5, 3.5, 1.5, 1.5]
    assert np.isnan(low[4:]).all()


@pytest.mark.parametrize(("value", "row"), [(2.01, 0), (1.5, 1), (0.99, 2)])
def test_what_is_out_of_the_band_stands_outside_its_row(value: float, row: int) -> None:
    view = kit.live_view(whole=(WholeStrip("time_gap", "s", 1.0, np.full(192, value), np.full(192, value), BAND),))
    left, _ = line_cells(200, 300)
    drawn = draw_whole(Picture(view), 200, 3)
    has = ["⠀" < drawn.chars[y][left + 5] <= "⣿" for y in range(3)]
    assert has == [y == row for y in range(3)]
    assert [drawn.roles[y][left + 5] for y in range(3)].count("band") == 1


def test_it_ends_where_the_time_line_says_that_it_is_now() -> None:
    view = kit.after_fire(kit.trial())
    drawn, line = draw_whole(Picture(view), 200, 9), draw_timeline(Picture(view), 200, 3)
    now = line.line(1).index("▌")
    offset = drawn.line(7)
    assert max(x for x, char in enumerate(offset) if "⠀" < char <= "⣿") in (now - 1, now)
    fired = line.line(1).index("T")
    assert "┆" in [drawn.chars[y][fired] for y in range(9)], "a line stands where a trigger fired"


def test_before_the_first_second_it_says_so() -> None:
    assert "nothing measured yet" in draw_whole(Picture(kit.live_view(whole=())), 200, 9).text()


def test_what_is_old_has_no_band_to_look_live_by() -> None:
    view = kit.live_view()
    drawn = draw_whole(Picture(replace(view, feed=replace(view.feed, state="stale"))), 200, 9)
    assert "band" not in {role for row in drawn.roles for role in row}


@pytest.mark.parametrize(
    ("size", "rows"), [((200, 56), 9), ((200, 60), 9), ((200, 66), 12), ((200, 55), 0), ((120, 60), 0)]
)
def test_it_stands_where_there_is_room(size: tuple[int, int], rows: int) -> None:
    regions = arrange(*size).regions
    assert (regions["whole"].height if "whole" in regions else 0) == rows
    if rows:
        assert "whole" in arrange(size[0], size[1] + 1, replay=True).regions
        assert regions["whole"].bottom == regions["timeline"].y

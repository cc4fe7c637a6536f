"""The layouts: at every size the panels cover the screen and none overlaps another."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.screens.drawing.layout import LEAST_HEIGHT, LEAST_WIDTH, arrange


@given(st.integers(1, 260), st.integers(1, 90), st.booleans(), st.integers(0, 3))
def test_panels_cover_the_screen_exactly(width: int, height: int, replay: bool, used: int) -> None:
    layout = arrange(width, height, replay=replay, slow_used=used)
    regions = layout.regions.values()
    assert sum(region.area for region in regions) == width * height
    cells = {(x, y) for one in regions for y in range(one.y, one.bottom) for x in range(one.x, one.right)}
    assert len(cells) == width * height


@pytest.mark.parametrize(
    ("size", "kind"),
    [
        ((80, 24), "small"),
        ((120, 36), "medium"),
        ((200, 60), "large"),
        ((59, 40), "too small"),
        ((90, 19), "too small"),
    ],
)
def test_the_kind_of_layout_goes_by_size(size: tuple[int, int], kind: str) -> None:
    assert arrange(*size).kind == kind


@given(st.integers(LEAST_WIDTH, 260), st.integers(LEAST_HEIGHT, 90), st.booleans(), st.integers(0, 3))
def test_the_heading_is_large_and_the_numbers_have_their_three_rows(
    width: int, height: int, replay: bool, used: int
) -> None:
    regions = arrange(width, height, replay=replay, slow_used=used).regions
    assert regions["slab"].height >= 3
    for name in ("first", "second", "third"):
        assert regions[name].height >= 5
        assert regions[name].width >= 20
    assert regions["outlook"].height >= 5
    assert ("transport" in regions) is replay


def test_the_state_line_stays_when_the_terminal_is_too_small() -> None:
    assert arrange(40, 10).regions["health"].size == (40, 1)


@pytest.mark.parametrize(
    ("size", "used", "rows"),
    [((80, 24), 0, 0), ((80, 24), 2, 2), ((80, 20), 2, 0), ((120, 36), 1, 1), ((120, 45), 0, 3), ((200, 60), 0, 3)],
)
def test_lane_keeping_has_its_rows_where_the_study_uses_it_or_there_is_room(
    size: tuple[int, int], used: int, rows: int
) -> None:
    regions = arrange(*size, slow_used=used).regions
    assert ("slow" in regions) is (rows > 0)
    assert rows == 0 or regions["slow"].height == rows

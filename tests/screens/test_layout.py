"""The layouts: at every size the panels cover the screen and none overlaps another."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.screens.layout import LEAST_HEIGHT, LEAST_WIDTH, arrange


@given(st.integers(1, 260), st.integers(1, 90), st.booleans())
def test_panels_cover_the_screen_exactly(width: int, height: int, replay: bool) -> None:
    layout = arrange(width, height, replay=replay)
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


@given(st.integers(LEAST_WIDTH, 260), st.integers(LEAST_HEIGHT, 90), st.booleans())
def test_the_heading_is_large_and_the_numbers_have_their_three_rows(width: int, height: int, replay: bool) -> None:
    regions = arrange(width, height, replay=replay).regions
    assert regions["slab"].height >= 3
    for name in ("first", "second", "third"):
        assert regions[name].height >= 5
        assert regions[name].width >= 20
    assert regions["outlook"].height >= 5
    assert ("transport" in regions) is replay


def test_the_state_line_stays_when_the_terminal_is_too_small() -> None:
    assert arrange(40, 10).regions["health"].size == (40, 1)

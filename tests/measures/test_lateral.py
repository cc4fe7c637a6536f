"""Lane offset and time to line: worked examples by hand from SAE J2944 and Godthelp, Milgram & Blaauw 1984."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from monitor.measures.columns import Road, slice_block
from monitor.measures.lateral import lateral_measures
from monitor.measures.measured import State
from tests.measures.conftest import block_of

ROAD = Road(np.array([0.0, 1000.0]), np.array([0.0, 0.0]), lane_width=3.6, lanes=2)
"""Lane centres at y = −1.8 and +1.8."""


def test_body_edge_to_the_nearer_line() -> None:
    """Lane 3.60, car 1.84 wide: 0.45 m left leaves 0.43 m on the left; the edge is on the line at 0.88 m."""
    own = {"width": 1.84, "lane_width": 3.60}
    block = block_of(*[({**own, "lane_offset": offset}, []) for offset in (0.45, -0.45, 0.88, 0.90)])
    _, measures = lateral_measures(None, block, None)
    np.testing.assert_allclose(measures["distance_to_line"].value, [0.43, 0.43, 0.0, -0.02], atol=1e-12)


@pytest.mark.parametrize(("direction", "distance"), [(1, 0.43), (-1, 1.33)])
def test_the_line_that_counts_is_the_one_moved_towards(direction: int, distance: float) -> None:
    """At 0.30 m/s sideways by the heading against the road, 0.45 m left of the centre of the right-hand lane."""
    heading = direction * math.asin(0.30 / 20.0)
    own = {"x": 500.0, "y": -1.8 + 0.45, "heading": heading, "width": 1.84, "speed": 20.0}
    _, measures = lateral_measures(None, block_of((own, [])), ROAD)
    assert measures["lane_offset"].value[0] == pytest.approx(0.45)
    assert measures["lane_width"].value[0] == 3.6
    assert measures["time_to_line"].value[0] == pytest.approx(distance / 0.30)


def test_two_seconds_from_the_line_by_the_change_of_the_offset() -> None:
    """0.60 m from the line at 0.30 m/s: 2.000 s. Lane 3.6, width 1.8: the line is 0.9 m off, so the offset is 0.3 m."""
    offsets = (0.294, 0.300)
    block = block_of(*[({"lane_offset": offset, "lane_width": 3.6}, []) for offset in offsets], period=0.02)
    _, measures = lateral_measures(None, block, None)
    assert measures["time_to_line"].state.tolist() == [State.NOT_MEASURED, State.MEASURED]
    assert measures["time_to_line"].value[1] == pytest.approx(2.000)


def test_at_the_line_and_beyond_it_the_time_is_zero_and_coming_back_it_is_to_the_other_line() -> None:
    offsets = (0.89, 0.90, 0.91, 0.90)
    block = block_of(*[({"lane_offset": offset, "lane_width": 3.6}, []) for offset in offsets], period=0.02)
    _, measures = lateral_measures(None, block, None)
    np.testing.assert_allclose(measures["time_to_line"].value[1:], [0.0, 0.0, (0.9 + 0.90) / 0.5], atol=1e-9)


def test_keeping_the_lane_is_not_departing() -> None:
    block = block_of(*[({"lane_offset": offset, "lane_width": 3.6}, []) for offset in (0.1, 0.1, 0.1001)])
    _, measures = lateral_measures(None, block, None)
    assert measures["time_to_line"].state.tolist() == [State.NOT_MEASURED, State.NOT_DEPARTING, State.NOT_DEPARTING]


def test_without_offset_and_road_nothing_is_measured() -> None:
    _, measures = lateral_measures(None, block_of(({}, []), ({}, [])), None)
    for measure in measures.values():
        assert measure.state.tolist() == [State.NOT_MEASURED] * 2


def test_the_simulators_offset_goes_before_the_roads() -> None:
    own = {"x": 500.0, "y": -1.5, "lane_offset": 0.1, "lane_width": 3.0}
    _, measures = lateral_measures(None, block_of((own, [])), ROAD)
    assert measures["lane_offset"].value[0] == 0.1
    assert measures["lane_width"].value[0] == 3.0


@pytest.mark.parametrize(
    ("y", "heading", "expected"),
    [(-1.5, 0.0, 0.3), (1.5, 0.0, -0.3), (1.5, math.pi, 0.3), (-4.6, 0.0, -2.8)],
)
def test_offset_from_the_nearest_lane_is_left_positive_as_own_car_sees_it(
    y: float, heading: float, expected: float
) -> None:
    _, measures = lateral_measures(None, block_of(({"x": 500.0, "y": y, "heading": heading}, [])), ROAD)
    assert measures["lane_offset"].value[0] == pytest.approx(expected)


@pytest.mark.parametrize(
    ("change", "usable"),
    [
        pytest.param({}, True, id="frame after frame"),
        pytest.param({"lane": 2}, False, id="another lane"),
        pytest.param({"lane_offset": -1.7}, False, id="a jump to the other side of the lane"),
        pytest.param({"lane_offset": None}, False, id="no offset"),
    ],
)
def test_the_sideways_speed_needs_two_frames_of_one_lane(change: dict[str, Any], usable: bool) -> None:
    own = {"lane_offset": 1.70, "lane_width": 3.6, "lane": 1}
    block = block_of((own, []), ({**own, "lane_offset": 1.71, **change}, []))
    _, measures = lateral_measures(None, block, None)
    assert (measures["time_to_line"].state[1] == State.MEASURED) == usable


@pytest.mark.parametrize(("step", "usable"), [(0.02, True), (0.25, True), (0.26, False)])
def test_a_step_too_long_says_nothing(step: float, usable: bool) -> None:
    own = {"lane_width": 3.6}
    block = block_of(({**own, "lane_offset": 0.1}, []), ({**own, "lane_offset": 0.2}, []), period=step)
    _, measures = lateral_measures(None, block, None)
    assert (measures["time_to_line"].state[1] == State.MEASURED) == usable


def test_a_lost_frame_says_nothing() -> None:
    block = block_of(*[({"lane_offset": 0.01 * index, "lane_width": 3.6}, []) for index in range(4)])
    memory, _ = lateral_measures(None, slice_block(block, 0, 2), None)
    for first, state in ((2, State.MEASURED), (3, State.NOT_MEASURED)):
        _, measures = lateral_measures(memory, slice_block(block, first, first + 1), None)
        assert measures["time_to_line"].state.tolist() == [state]


def test_an_empty_block_keeps_the_memory() -> None:
    block = block_of(({"lane_offset": 0.1, "lane_width": 3.6}, []))
    memory, _ = lateral_measures(None, block, None)
    again, measures = lateral_measures(memory, slice_block(block, 0, 0), None)
    assert again == memory
    assert len(measures["lane_offset"].value) == 0

"""Which vehicle is the lead: the nearest ahead whose body overlaps the own lane."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from monitor.measures.columns import Road
from monitor.measures.lead import lead_rows, rows_named, rows_of
from tests.measures.conftest import block_of

TWO_LANES = Road(np.array([0.0, 2000.0]), np.array([0.0, 0.0]), lane_width=3.5, lanes=2)
"""Lane centres at y = −1.75 and y = +1.75."""


def lead(own: dict[str, Any], others: list[dict[str, Any]], road: Road | None = None) -> int | None:
    """The id of the lead in a single frame; ids are 10, 11 … in the order given."""
    block = block_of((own, [{"id": 10 + index, **other} for index, other in enumerate(others)]))
    (row,) = lead_rows(block, road)
    return None if row < 0 else int(block.others.id[row])


def test_the_nearest_ahead_in_the_lane_not_beside_and_not_behind() -> None:
    own = {"x": 100.0, "y": -1.75}
    others = [
        {"x": 160.0, "y": -1.75},
        {"x": 140.0, "y": -1.75},
        {"x": 120.0, "y": 1.75},
        {"x": 80.0, "y": -1.75},
    ]
    assert lead(own, others, TWO_LANES) == 11
    assert lead({**own, "lane_width": 3.5}, others) == 11
    assert lead(own, others) == 11
    assert lead(own, others[2:], TWO_LANES) is None


def test_a_body_reaches_into_the_lane_before_its_centre_does() -> None:
    """Lane from y = −3.5 to 0; a van 2.0 m wide at y = 0.99 overlaps it by 1 cm, at y = 1.01 it does not."""
    own = {"x": 100.0, "y": -1.75}
    assert lead(own, [{"x": 130.0, "y": 0.99, "width": 2.0}], TWO_LANES) == 10
    assert lead(own, [{"x": 130.0, "y": 1.01, "width": 2.0}], TWO_LANES) is None


def test_a_turned_body_reaches_further() -> None:
    """Turned by 30°, 5 m × 2 m reaches (2·cos 30° + 5·sin 30°)/2 = 2.116 m to the side."""
    own = {"x": 100.0, "y": -1.75}
    for y, seen in ((2.10, 10), (2.13, None)):
        turned = {"x": 130.0, "y": y, "width": 2.0, "length": 5.0, "heading": math.radians(30)}
        assert lead(own, [turned], TWO_LANES) == seen


def test_station_and_lane_go_before_places() -> None:
    """Round a bend that no road line tells of: the places say nothing, the stations do."""
    own = {"x": 0.0, "station": 500.0, "lane": 1}
    others = [
        {"x": -300.0, "y": 80.0, "station": 560.0, "lane": 1},
        {"x": -200.0, "y": 80.0, "station": 540.0, "lane": 2},
        {"x": 20.0, "station": 490.0, "lane": 1},
    ]
    assert lead(own, others) == 10


def test_a_vehicle_without_station_is_placed_by_the_road_among_those_with_one() -> None:
    own = {"x": 100.0, "y": -1.75, "station": 100.0, "lane": 0}
    others: list[dict[str, Any]] = [
        {"x": 160.0, "y": -1.75, "station": 160.0, "lane": 0},
        {"x": 130.0, "y": -1.75, "station": None, "lane": None},
    ]
    assert lead(own, others, TWO_LANES) == 11


def test_on_an_arc_of_own_yaw_rate() -> None:
    """20 m/s and 0.1 rad/s make a left-hand bend of 200 m; 60 m along it lies 8.9 m to the left."""
    own = {"speed": 20.0, "yaw_rate": 0.1}
    along = {"x": 200.0 * math.sin(0.3), "y": 200.0 * (1 - math.cos(0.3)), "heading": 0.3}
    straight_on = {"x": 40.0, "y": 0.0}
    assert lead(own, [straight_on, along]) == 11
    assert lead({"speed": 20.0, "yaw_rate": 0.0}, [straight_on, along]) == 10
    assert lead({"speed": 20.0, "yaw_rate": -0.1}, [straight_on, along]) is None


def test_the_lane_is_where_the_simulator_says_own_car_is_in_it() -> None:
    """Own car 1.2 m left of its lane's centre: a car 2.0 m to the left is out of that lane (1.75 + 0.9 < 3.2)."""
    beside = {"x": 40.0, "y": 2.0}
    assert lead({"lane_offset": 1.2, "lane_width": 3.5}, [beside]) is None
    assert lead({"lane_width": 3.5}, [beside]) == 10


def test_driving_against_the_line_the_lead_has_the_smaller_distance_along_it() -> None:
    own = {"x": 500.0, "y": 1.75, "heading": math.pi}
    others = [{"x": 540.0, "y": 1.75, "heading": math.pi}, {"x": 450.0, "y": 1.75, "heading": math.pi}]
    assert lead(own, others, TWO_LANES) == 11


def test_against_the_line_the_offset_in_the_lane_counts_to_own_cars_left() -> None:
    """1.2 m left of the centre of a lane at y = 1.75, which is at y = 0.55; the lane reaches up to y = 3.5."""
    own = {"x": 500.0, "y": 0.55, "heading": math.pi, "lane_offset": 1.2}
    for y, seen in ((4.3, 10), (4.5, None)):
        assert lead(own, [{"x": 450.0, "y": y, "heading": math.pi}], TWO_LANES) == seen


def test_of_two_equally_near_and_of_two_of_one_name_it_is_the_first() -> None:
    pair = [{"x": 30.0, "y": 0.5, "name": "van"}, {"x": 30.0, "y": -0.5, "name": "van"}]
    assert lead({}, pair) == 10
    block = block_of(({}, [{"id": 3, **pair[0]}, {"id": 2, **pair[1]}]))
    assert rows_named(block, "van").tolist() == [0]


def test_what_is_not_measured_is_no_lead() -> None:
    assert lead({"x": None}, [{"x": 40.0}]) is None
    assert lead({}, [{"x": None}, {"x": 60.0}]) == 11
    assert lead({}, []) is None


def test_the_lead_changes_from_frame_to_frame() -> None:
    far, near = {"id": 5, "x": 60.0}, {"id": 9, "x": 30.0}
    block = block_of(({}, [far]), ({}, []), ({}, [near, far]), ({}, [far, near]))
    assert lead_rows(block, None).tolist() == [0, -1, 1, 4]


def test_rows_by_id_and_by_name() -> None:
    van, car = {"id": 7, "name": "van", "x": 30.0}, {"id": 8, "name": None, "x": 50.0}
    block = block_of(({}, [car, van]), ({}, [car]), ({}, [van, car]))
    assert rows_of(block, 7).tolist() == [1, -1, 3]
    assert rows_named(block, "van").tolist() == [1, -1, 3]
    assert rows_of(block, 99).tolist() == [-1, -1, -1]
    assert rows_named(block, "tram").tolist() == [-1, -1, -1]


def test_a_name_belongs_to_the_frame_not_to_the_id() -> None:
    block = block_of(({}, [{"id": 7, "name": "van"}]), ({}, [{"id": 7, "name": "bus"}]), ({}, [{"id": 7}]))
    assert rows_named(block, "van").tolist() == [0, -1, -1]
    assert rows_named(block, "bus").tolist() == [-1, 1, -1]


@pytest.mark.parametrize("frames", [0, 1])
def test_blocks_without_vehicles(frames: int) -> None:
    block = block_of(*[({}, [])] * frames)
    assert lead_rows(block, None).tolist() == [-1] * frames
    assert lead_rows(block, TWO_LANES).tolist() == [-1] * frames

"""Distance and time to a fixed point, worked by hand: path distance from the front end over own speed (common practice,
no source)."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from monitor.measures.arrival import Point, point_measures
from monitor.measures.columns import FrameBlock, Road
from monitor.measures.measured import State
from tests.measures.conftest import block_of

STRAIGHT = Road(np.array([0.0, 2000.0]), np.array([0.0, 0.0]), lane_width=3.5, lanes=2)
AGAINST = Road(np.array([2000.0, 0.0]), np.array([0.0, 0.0]), lane_width=3.5, lanes=2)
CORNER = Road(np.array([0.0, 100.0, 100.0]), np.array([0.0, 0.0, 100.0]), lane_width=3.5, lanes=2)
"""100 m east, then 100 m north."""


def one(block: FrameBlock, point: Point, road: Road | None = None, row: int | None = None) -> tuple[Any, Any]:
    """Distance and time of a single frame: a number, or the state's text."""
    found = point_measures(block, road, point, None if row is None else np.array([row]))
    distance, time = (
        float(each.value[0]) if each.state[0] == State.MEASURED else State(int(each.state[0])).text
        for each in (found["distance_to_point"], found["time_to_arrival"])
    )
    return distance, time


def test_by_station_from_the_front_end() -> None:
    # centre at 1150 m, 4.6 m long: front at 1152.3; 47.7 m to 1200 at 15.9 m/s take 3.0 s
    block = block_of(({"station": 1150.0, "speed": 15.9, "length": 4.6}, []))
    assert one(block, Point("p", 1200.0)) == pytest.approx((47.7, 3.0))


def test_the_near_edge_of_a_conflict_area_counts() -> None:
    block = block_of(({"station": 1150.0, "speed": 15.9, "length": 4.6}, []))
    assert one(block, Point("p", 1200.0, along_m=4.0)) == pytest.approx((45.7, 45.7 / 15.9))


@pytest.mark.parametrize(
    ("own", "road", "distance"),
    [
        pytest.param({"x": 50.0}, STRAIGHT, 47.7, id="along the line"),
        pytest.param({"x": 150.0, "heading": math.pi}, STRAIGHT, 47.7, id="against the line"),
        pytest.param({"x": 50.0}, AGAINST, 47.7, id="the line runs the other way"),
        pytest.param({"x": 50.0}, None, 47.7, id="straight on without a road"),
    ],
)
def test_by_place_along_the_way(own: dict[str, float], road: Road | None, distance: float) -> None:
    assert one(block_of((own, [])), Point("p", None, 100.0, 0.0), road)[0] == pytest.approx(distance)


def test_round_a_corner_it_is_the_way_and_not_the_chord() -> None:
    # from 60 m before the corner to 30 m after it: 90 m of way, 67.1 m as the crow flies
    got = one(block_of(({"x": 40.0}, [])), Point("p", None, 100.0, 30.0), CORNER)
    assert got[0] == pytest.approx(90.0 - 2.3)


def test_who_has_passed_has_no_time_and_a_negative_distance() -> None:
    block = block_of(({"station": 1198.0, "speed": 15.0}, []))
    assert one(block, Point("p", 1200.0)) == (pytest.approx(-0.3), "passed")


def test_who_stands_never_arrives() -> None:
    assert one(block_of(({"station": 1150.0, "speed": 0.05}, [])), Point("p", 1200.0))[1] == "standing still"


def test_without_a_station_there_is_no_telling() -> None:
    assert one(block_of(({"speed": 15.0}, [])), Point("p", 1200.0)) == ("not measured", "not measured")


def test_a_crossing_pedestrian_goes_along_its_own_heading() -> None:
    # 0.6 m long, 8 m to the right of the point, walks left at 1.6 m/s; the area is 3.5 m across: 8 − 0.3 − 1.75
    walker = {"x": 100.0, "y": -8.0, "heading": math.pi / 2, "speed": 1.6, "length": 0.6, "width": 0.6}
    block = block_of(({"x": 20.0}, [walker]))
    point = Point("p", None, 100.0, 0.0, along_m=3.0, across_m=3.5)
    assert one(block, point, STRAIGHT, row=0) == pytest.approx((5.95, 5.95 / 1.6))
    assert one(block, point, STRAIGHT, row=-1) == ("no lead", "no lead")


def test_an_oncoming_vehicle_comes_from_the_other_side() -> None:
    car = {"x": 180.0, "heading": math.pi, "speed": 20.0, "length": 4.6, "station": 180.0}
    block = block_of(({"x": 50.0, "station": 50.0}, [car]))
    assert one(block, Point("p", 100.0), STRAIGHT, row=0) == pytest.approx((77.7, 77.7 / 20.0))

"""The road: its line, its stations and its lanes. Reference for projection: shapely's LineString."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from shapely import LineString, Point

from monitor.simulation.course import BEND_M, Course, lane_at

COURSE = Course(2300.0, 180.0)


def test_the_line_is_straight_then_bends_to_the_left_then_is_straight_again() -> None:
    # area under the curvature: 140 m at 1/400 and two transitions of 50 m at half of it: 0.475 rad
    assert COURSE.place(100.0, 0.0) == pytest.approx((100.0, 0.0, 0.0))
    assert COURSE.place(180.0 + BEND_M + 1.0, 0.0)[2] == pytest.approx(0.475, abs=1e-9)
    assert COURSE.place(2000.0, 0.0)[2] == pytest.approx(0.475, abs=1e-9)
    assert COURSE.curvature(300.0) == pytest.approx(1 / 400)


def test_vertices_are_at_most_ten_metres_apart() -> None:
    steps = [math.dist(one, two) for one, two in pairwise(COURSE.vertices())]
    assert max(steps) <= 10.0 + 1e-9
    assert sum(steps) == pytest.approx(2300.0, abs=0.01)


@pytest.mark.parametrize("offset", [-6.0, -1.75, 0.0, 1.75])
def test_stations_and_offsets_project_back_onto_the_line_to_a_centimetre(offset: float) -> None:
    reference = LineString(COURSE.vertices())
    for station in range(5, 2290, 7):
        x, y, heading = COURSE.place(station, offset)
        assert reference.distance(Point(x, y)) == pytest.approx(abs(offset), abs=0.01)
        # a chord's normal is not the arc's: along the line the projection moves by the offset times that angle, at most
        assert reference.project(Point(x, y)) == pytest.approx(station, abs=0.01 + abs(offset) * 0.0051)
        ahead = COURSE.place(station + 0.01, offset)
        assert math.atan2(ahead[1] - y, ahead[0] - x) == pytest.approx(heading, abs=1e-3)


def test_a_long_road_keeps_the_hello_small() -> None:
    vertices = Course(2_000_000.0, 180.0).vertices()
    assert len(vertices) < 6000
    assert vertices[-1][0] > 1_700_000.0


def test_lanes_are_counted_from_the_right() -> None:
    assert [lane_at(offset) for offset in (-5.0, -3.4, -0.1, 0.1, 3.4, 5.0)] == [-1, 0, 0, 1, 1, 2]

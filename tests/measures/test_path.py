"""Projection on a polyline against shapely, which is a general geometry library, and on exact shapes."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.measures.cells import Cells
from monitor.measures.path import EXTENSION_M, OFF_ROAD_M, Path
from tests.measures.conftest import table

PRINTED = 2e-6
"""The reference tables have six decimals."""


def winding(vertices: int, spacing: float, turn: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """A random walk in heading: a road with bends, and with crossings of itself where it is long."""
    heading = np.cumsum(np.random.default_rng(seed).normal(0.0, turn, vertices))
    return np.cumsum(np.cos(heading) * spacing), np.cumsum(np.sin(heading) * spacing)


def test_the_reference_table() -> None:
    vertices, cases = table("projection_path.csv"), table("projection_cases.csv")
    got = Path(vertices["x"].copy(), vertices["y"].copy()).project(cases["x"].copy(), cases["y"].copy())
    assert len(cases) == 400
    np.testing.assert_allclose(got.s, cases["s"], atol=PRINTED, rtol=0)
    np.testing.assert_allclose(got.d, cases["d_left"], atol=PRINTED, rtol=0)


@pytest.mark.parametrize(
    ("vertices", "spacing", "turn"),
    [(2, 900.0, 0.0), (60, 40.0, 0.3), (800, 5.0, 0.05), (3000, 1.0, 0.02), (800, 0.3, 0.2)],
)
def test_random_points_agree_with_shapely(vertices: int, spacing: float, turn: float) -> None:
    x, y = winding(vertices, spacing, turn, seed=vertices)
    rng = np.random.default_rng(1)
    near = rng.integers(0, len(x), 1500)
    spread = np.where(rng.random(1500) < 0.8, 6.0, 60.0)
    px, py = x[near] + rng.normal(0, 1, 1500) * spread, y[near] + rng.normal(0, 1, 1500) * spread
    path = Path(x, y)
    got = path.project(px, py)

    line, points = shapely.LineString(np.column_stack([x, y])), shapely.points(px, py)
    distance, along = shapely.distance(line, points), shapely.line_locate_point(line, points)
    within = np.isnan(got.s) | ((got.s >= 0) & (got.s <= path.length_m))  # shapely's line ends at its last vertex
    assert within.sum() > 700
    on_road = within & (distance <= OFF_ROAD_M)
    np.testing.assert_allclose(np.abs(got.d[on_road]), distance[on_road], atol=1e-9)
    np.testing.assert_allclose(got.s[on_road], along[on_road], atol=1e-6)
    assert np.isnan(got.s[within & (distance > OFF_ROAD_M)]).all()


def test_the_sign_is_left_positive_and_the_heading_is_the_segments() -> None:
    path = Path(np.array([0.0, 100.0, 100.0]), np.array([0.0, 0.0, 100.0]))
    got = path.project(np.array([50.0, 50.0, 97.0, 103.0]), np.array([2.0, -2.0, 60.0, 60.0]))
    np.testing.assert_allclose(got.s, [50.0, 50.0, 160.0, 160.0])
    np.testing.assert_allclose(got.d, [2.0, -2.0, 3.0, -3.0])
    np.testing.assert_allclose(got.heading, [0.0, 0.0, math.pi / 2, math.pi / 2])


def test_an_open_road_goes_on_straight_beyond_its_ends_and_no_further() -> None:
    path = Path(np.array([0.0, 100.0]), np.array([0.0, 0.0]))
    beyond = EXTENSION_M + OFF_ROAD_M
    got = path.project(np.array([-50.0, 150.0, 101.0 + beyond, np.nan, np.inf]), np.array([1.0, -1.0, 0.0, 0.0, 0.0]))
    np.testing.assert_allclose(got.s, [-50.0, 150.0, np.nan, np.nan, np.nan])
    np.testing.assert_allclose(got.d, [1.0, -1.0, np.nan, np.nan, np.nan])


def test_on_a_circuit_distances_go_round_the_seam() -> None:
    path = Path(np.array([0.0, 100.0, 100.0, 0.0, 0.0]), np.array([0.0, 0.0, 100.0, 100.0, 0.0]))
    assert path.closed
    here, there = np.array([390.0, 10.0, 0.0]), np.array([10.0, 390.0, 150.0])
    np.testing.assert_allclose(path.ahead(here, there), [20.0, -20.0, 150.0])


def test_repeated_vertices_are_passed_over() -> None:
    once = Path(np.array([0.0, 50.0, 100.0]), np.array([0.0, 0.0, 10.0]))
    twice = Path(np.array([0.0, 0.0, 50.0, 50.0, 50.0, 100.0]), np.array([0.0, 0.0, 0.0, 0.0, 0.0, 10.0]))
    px, py = np.array([10.0, 49.0, 80.0]), np.array([1.0, -2.0, 3.0])
    np.testing.assert_array_equal(once.project(px, py).s, twice.project(px, py).s)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    vertices=st.integers(2, 120),
    spacing=st.sampled_from([0.2, 1.0, 7.0, 300.0]),
    turn=st.sampled_from([0.0, 0.1, 1.5]),
)
def test_the_lists_of_the_cells_lose_no_nearest_segment(seed: int, vertices: int, spacing: float, turn: float) -> None:
    """Against trying every segment, bit for bit: the smallest squared distance, and the first segment that has it."""
    x, y = winding(vertices, spacing, turn, seed)
    path = Path(x, y)
    rng = np.random.default_rng(seed)
    near = rng.integers(0, len(x), 50)
    px, py = x[near] + rng.normal(0, 20, 50), y[near] + rng.normal(0, 20, 50)
    segments = path._segments
    cells: Cells = path._cells
    every = np.arange(len(segments.x))
    for one in range(50):
        squared = segments.squared_distance(every, np.full(len(every), px[one]), np.full(len(every), py[one]))
        (cell,) = cells.of(px[one : one + 1], py[one : one + 1])
        if squared.min() <= OFF_ROAD_M**2:
            listed = cells.lists[cells.begin[cell] : cells.begin[cell] + cells.count[cell]]
            assert squared[listed].min() == squared.min()
            assert listed[squared[listed].argmin()] == squared.argmin()


def test_a_point_is_placed_the_same_whatever_is_asked_with_it() -> None:
    x, y = winding(500, 3.0, 0.1, seed=3)
    rng = np.random.default_rng(8)
    near = rng.integers(0, len(x), 300)
    px, py = x[near] + rng.normal(0, 5, 300), y[near] + rng.normal(0, 5, 300)
    path = Path(x, y)
    whole = path.project(px, py)
    single: list[Any] = [path.project(px[i : i + 1], py[i : i + 1]) for i in range(300)]
    for name in ("s", "d", "heading"):
        np.testing.assert_array_equal(getattr(whole, name), [getattr(one, name)[0] for one in single])

"""Time until two bodies touch: hand-computed crossings, the lead in line, and boxes moved on to that very instant."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.measures.bodies import time_to_touch
from monitor.measures.columns import FloatArray
from tests.measures.conftest import block_of

OWN = {"x": 0.0, "y": 0.0, "heading": 0.0, "speed": 14.0, "length": 4.6, "width": 1.8}


def until_touch(own: dict[str, float], other: dict[str, float]) -> float:
    told = {key: None if math.isnan(value) else value for key, value in other.items()}
    return float(time_to_touch(block_of((own, [told])), np.array([0]))[0])


def walker(y: float, speed: float = 2.0) -> dict[str, float]:
    """Half a metre square, 30 m ahead, walking from the left to the right."""
    return {"x": 30.0, "y": y, "heading": -math.pi / 2, "speed": speed, "length": 0.5, "width": 0.5}


def test_a_crossing_by_hand() -> None:
    # along: 30 − 2.3 − 0.25 = 27.45 m at 14 m/s from 1.9607 to 2.3250 s; across: |5 − 2 t| ≤ 1.15 from 1.925 to 3.075 s
    assert until_touch(OWN, walker(5.0)) == pytest.approx(27.45 / 14.0)
    # from 5.2 m on the walker is in the way later than the front is there: 4.05 / 2 s
    assert until_touch(OWN, walker(5.2)) == pytest.approx(4.05 / 2.0)
    assert math.isnan(until_touch(OWN, walker(8.0)))  # in the way from 3.425 s on, when the car has passed
    assert math.isnan(until_touch(OWN, walker(3.0, speed=0.0)))  # stands beside the way
    assert until_touch(OWN, walker(1.15, speed=0.0)) == pytest.approx(27.45 / 14.0)  # at its very edge


@pytest.mark.parametrize("heading", [0.0, 0.7, math.pi, -2.0])
def test_in_line_it_is_gap_over_closing_speed(heading: float) -> None:
    # gap 28 m between boxes of 4.6 m, 20 and 15 m/s: 5.60 s, whichever way the road goes
    own = {**OWN, "heading": heading, "speed": 20.0, "x": 100.0, "y": -50.0}
    ahead = 28.0 + 4.6
    lead = {**own, "speed": 15.0, "x": 100.0 + ahead * math.cos(heading), "y": -50.0 + ahead * math.sin(heading)}
    assert until_touch(own, lead) == pytest.approx(5.60)
    assert math.isnan(until_touch({**own, "speed": 14.0}, lead))
    assert until_touch(own, {**lead, "x": 101.0, "y": -50.0}) == 0.0


@pytest.mark.parametrize("key", ["x", "y", "heading", "speed", "length", "width"])
def test_what_is_not_known_is_not_told(key: str) -> None:
    assert math.isnan(until_touch(OWN, {**walker(5.0), key: math.nan}))


def corners(body: dict[str, float], t: float) -> FloatArray:
    """The corners of a box after `t` seconds, in order."""
    cos, sin = math.cos(body["heading"]), math.sin(body["heading"])
    x, y = body["x"] + body["speed"] * t * cos, body["y"] + body["speed"] * t * sin
    half = body["length"] / 2, body["width"] / 2
    signs = ((1, 1), (-1, 1), (-1, -1), (1, -1))
    along = [(a * half[0], b * half[1]) for a, b in signs]
    return np.array([(x + a * cos - b * sin, y + a * sin + b * cos) for a, b in along])


def clipped_area(one: FloatArray, other: FloatArray) -> float:
    """The area that two convex polygons share: one is cut along each side of the other."""
    shared = [tuple(point) for point in one]
    for index in range(4):
        (ax, ay), (bx, by) = other[index], other[(index + 1) % 4]
        side = [(bx - ax) * (y - ay) - (by - ay) * (x - ax) for x, y in shared]
        cut = []
        for at, (x, y) in enumerate(shared):
            after = (at + 1) % len(shared)
            if side[at] >= 0.0:
                cut.append((x, y))
            if side[at] * side[after] < 0.0:
                part = side[at] / (side[at] - side[after])
                cut.append((x + part * (shared[after][0] - x), y + part * (shared[after][1] - y)))
        shared = cut
        if len(shared) < 3:
            return 0.0
    xs, ys = np.array(shared).T
    return 0.5 * abs(float(np.dot(xs, np.roll(ys, -1)) - np.dot(ys, np.roll(xs, -1))))


@given(
    x=st.floats(-40.0, 40.0),
    y=st.floats(-20.0, 20.0),
    heading=st.floats(-3.1, 3.1),
    speed=st.floats(0.0, 20.0),
    own_heading=st.floats(-3.1, 3.1),
)
def test_moved_on_they_share_nothing_before_and_something_after(
    x: float, y: float, heading: float, speed: float, own_heading: float
) -> None:
    own = {**OWN, "heading": own_heading}
    other = {"x": x, "y": y, "heading": heading, "speed": speed, "length": 5.0, "width": 2.0}
    touch_s = until_touch(own, other)
    end_s = 12.0 if math.isnan(touch_s) else touch_s - 1e-6
    for t in np.linspace(0.0, max(end_s, 0.0), 40) if end_s > 0.0 else ():
        assert clipped_area(corners(own, float(t)), corners(other, float(t))) < 1e-3
    if not math.isnan(touch_s):
        wider = {**other, "length": 5.002, "width": 2.002}
        assert clipped_area(corners(own, touch_s), corners(wider, touch_s)) > 0.0

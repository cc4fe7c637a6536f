"""Pair measures through frames: worked examples, states, bends.

Worked examples by hand from SAE J2944 (gap: bumper to bumper; headway: front to front) and Hayward 1972 (TTC).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from monitor.measures.columns import Road
from monitor.measures.gap import pair_measures
from monitor.measures.lead import lead_rows
from monitor.measures.measured import State
from tests.measures.conftest import block_of

FIRST = np.array([0])
STRAIGHT = Road(np.array([0.0, 2000.0]), np.array([0.0, 0.0]), lane_width=3.5, lanes=3)


def one(own: dict[str, Any], other: dict[str, Any], road: Road | None = None) -> dict[str, Any]:
    """The measures of a single frame with one other vehicle: a number, or the state's text."""
    measures = pair_measures(block_of((own, [other])), road, FIRST)
    return {
        name: measure.value[0] if measure.state[0] == State.MEASURED else State(int(measure.state[0])).text
        for name, measure in measures.items()
    }


def test_gap_and_headway_differ_by_the_leads_length() -> None:
    """Own front at 100.0 m, lead's front at 132.6 m, lead 4.6 m long, own speed 20 m/s."""
    got = one({"x": 100.0 - 2.3}, {"x": 132.6 - 2.3, "speed": 15.0})
    assert got["distance_headway"] == pytest.approx(32.6)
    assert got["distance_gap"] == pytest.approx(28.0)
    assert got["time_headway"] == pytest.approx(1.630)
    assert got["time_gap"] == pytest.approx(1.400)
    assert got["closing_speed"] == 5.0
    assert got["ttc"] == pytest.approx(5.600)  # the headway by mistake would give 6.520
    assert got["drac"] == pytest.approx(0.4464, abs=5e-5)


def test_headway_is_front_to_front_with_unequal_lengths() -> None:
    got = one({"x": 0.0, "length": 4.0}, {"x": 40.0, "length": 12.0})
    assert got["distance_gap"] == pytest.approx(40.0 - 2.0 - 6.0)
    assert got["distance_headway"] == pytest.approx((40.0 + 6.0) - 2.0)


@pytest.mark.parametrize(
    ("own", "other", "name", "expected"),
    [
        pytest.param({}, {"x": 32.6, "speed": 20.0}, "ttc", "not closing", id="same speed"),
        pytest.param({}, {"x": 32.6, "speed": 19.95}, "ttc", "not closing", id="below the floor"),
        pytest.param({}, {"x": 32.6, "speed": 22.0}, "ttc", "not closing", id="opening"),
        pytest.param({}, {"x": 32.6, "speed": 22.0}, "drac", 0.0, id="opening needs no deceleration"),
        pytest.param({}, {"x": 32.6, "speed": 22.0}, "required_decel", 0.0, id="nor braking"),
        pytest.param({"speed": 0.05}, {"x": 32.6}, "time_gap", "standing still", id="standing"),
        pytest.param({"speed": 0.05}, {"x": 32.6}, "time_headway", "standing still", id="standing, headway"),
        pytest.param({"speed": 0.05}, {"x": 32.6}, "distance_gap", 28.0, id="standing has a gap"),
        pytest.param({}, {"x": 4.0}, "ttc", "contact", id="touching"),
        pytest.param({}, {"x": 4.0}, "distance_gap", "contact", id="touching, gap"),
        pytest.param({}, {"x": 4.0}, "drac", "contact", id="touching, no deceleration is enough"),
        pytest.param({}, {"x": -20.0}, "distance_gap", "no lead", id="behind"),
        pytest.param({}, {"x": 2.0, "y": 3.5}, "ttc", "no lead", id="beside"),
        pytest.param({}, {"x": 32.6, "length": None}, "distance_gap", "not measured", id="length not known"),
        pytest.param({}, {"x": 32.6, "length": None}, "closing_speed", 0.0, id="length not needed"),
        pytest.param({}, {"x": 32.6, "speed": math.nan}, "ttc", "not measured", id="lead's speed is NaN"),
        pytest.param({}, {"x": 32.6, "speed": math.inf}, "ttc", "not measured", id="lead's speed is infinite"),
        pytest.param({}, {"x": 32.6, "accel": None}, "ttc_accel", "not measured", id="acceleration not known"),
        pytest.param({"accel": None}, {"x": 32.6}, "ttc_accel", "not measured", id="own acceleration not known"),
        pytest.param({"x": None}, {"x": 32.6}, "distance_gap", "not measured", id="own place not known"),
        pytest.param({}, {"x": 32.6, "speed": 15.0, "accel": -3.0}, "ttc_accel", 2.964148, id="with accelerations"),
        pytest.param({"accel": -4.0}, {"x": 32.6, "speed": 15.0}, "ttc_accel", "not closing", id="no contact"),
    ],
)
def test_numbers_and_states(own: dict[str, Any], other: dict[str, Any], name: str, expected: Any) -> None:
    got = one(own, other)[name]
    assert got == (expected if isinstance(expected, str) else pytest.approx(expected, abs=1e-6))


def test_contact_is_zero_seconds_and_decelerations_have_no_number() -> None:
    measures = pair_measures(block_of(({}, [{"x": 4.0}])), None, FIRST)
    assert [measures[name].value[0] for name in ("distance_gap", "time_gap", "ttc", "ttc_accel")] == [0.0] * 4
    assert math.isnan(measures["drac"].value[0])
    assert math.isnan(measures["required_decel"].value[0])


def test_no_row_is_no_lead_in_every_measure() -> None:
    for measure in pair_measures(block_of(({}, [])), None, np.array([-1])).values():
        assert measure.state.tolist() == [State.NO_LEAD]
        assert math.isnan(measure.value[0])


def test_without_own_place_a_missing_lead_is_not_measured() -> None:
    measures = pair_measures(block_of(({"x": None}, [])), None, np.array([-1]))
    assert measures["ttc"].state.tolist() == [State.NOT_MEASURED]


def bend(radius: float, vertices: int = 721) -> Road:
    """A left-hand circle's upper half and more, starting at the origin eastwards, 1.5 turns of arc length."""
    angle = np.linspace(0.0, 1.5 * math.pi, vertices)
    return Road(radius * np.sin(angle), radius * (1.0 - np.cos(angle)), lane_width=3.5, lanes=1)


def on_bend(radius: float, s: float) -> dict[str, float]:
    angle = s / radius
    return {"x": radius * math.sin(angle), "y": radius * (1.0 - math.cos(angle)), "heading": angle}


@pytest.mark.parametrize("known", ["road", "station and lane", "yaw rate"])
def test_on_a_bend_the_gap_is_along_the_road(known: str) -> None:
    """80 m of arc on a radius of 60 m: the chord is 2·60·sin(80/120) = 74.2 m, 5.8 m short."""
    radius, apart = 60.0, 80.0
    own, other = on_bend(radius, 30.0), on_bend(radius, 30.0 + apart)
    if known == "station and lane":
        own.update(station=30.0, lane=0)
        other.update(station=30.0 + apart, lane=0)
    own["yaw_rate"] = 20.0 / radius if known == "yaw rate" else 0.0
    got = one(own, {**other, "speed": 15.0}, bend(radius) if known == "road" else None)
    chord = math.hypot(other["x"] - own["x"], other["y"] - own["y"])
    assert apart - chord == pytest.approx(5.7956, abs=1e-4)  # what a straight-line gap would be short of
    # A road of straight pieces of 0.39 m is shorter than the circle by (π/960)²/6 of its length, some 0.1 mm.
    assert got["distance_gap"] == pytest.approx(apart - 4.6, abs=2e-4 if known == "road" else 1e-9)
    assert got["ttc"] == pytest.approx((apart - 4.6) / 5.0, abs=1e-4)


def test_an_oncoming_vehicle_closes_with_the_sum_of_the_speeds() -> None:
    own, other = {"x": 100.0}, {"x": 200.0, "heading": math.pi, "speed": 25.0}
    for road in (None, STRAIGHT):
        got = one(own, other, road)
        assert got["closing_speed"] == 45.0
        assert got["ttc"] == pytest.approx((100.0 - 4.6) / 45.0)


def test_round_a_hairpin_a_lead_is_not_oncoming_though_it_heads_the_other_way() -> None:
    radius = 60.0
    own, other = on_bend(radius, 10.0), on_bend(radius, 10.0 + math.pi * radius * 0.9)
    got = one(own, {**other, "speed": 15.0}, bend(radius))
    assert got["closing_speed"] == 5.0
    stationed = one({**own, "station": 10.0, "lane": 1}, {**other, "speed": 15.0, "station": 180.0, "lane": 1})
    assert stationed["closing_speed"] == 5.0


def test_driving_against_the_reference_line_turns_ahead_round() -> None:
    own, ahead = {"x": 500.0, "heading": math.pi}, {"x": 460.0, "heading": math.pi, "speed": 15.0}
    by_road = one(own, ahead, STRAIGHT)
    assert by_road["distance_gap"] == pytest.approx(35.4)
    assert by_road["closing_speed"] == 5.0
    oncoming = one(own, {**ahead, "heading": 0.0}, STRAIGHT)
    assert oncoming["closing_speed"] == 35.0
    stations = one({**own, "station": 500.0, "lane": 1}, {**ahead, "station": 460.0, "lane": 1}, STRAIGHT)
    assert stations["distance_gap"] == pytest.approx(35.4)
    assert stations["closing_speed"] == 5.0


def test_a_circuit_goes_on_past_its_seam() -> None:
    square = Road(np.array([0.0, 300.0, 300.0, 0.0, 0.0]), np.array([0.0, 0.0, 300.0, 300.0, 0.0]), 3.5, 1)
    got = one({"x": 0.0, "y": 20.0, "heading": -math.pi / 2}, {"x": 30.0, "y": 0.0, "heading": 0.0}, square)
    assert got["distance_gap"] == pytest.approx(50.0 - 4.6)


def test_a_lead_beyond_the_roads_last_vertex_is_still_ahead() -> None:
    got = one({"x": 1990.0}, {"x": 2050.0}, STRAIGHT)
    assert got["distance_gap"] == pytest.approx(60.0 - 4.6)


@pytest.mark.parametrize(("degrees", "closing"), [(0, 10.0), (60, 16.0), (90, 22.0), (100, 24.0838), (180, 34.0)])
def test_of_a_vehicle_at_an_angle_the_component_along_the_way_counts(degrees: float, closing: float) -> None:
    """Own 22 m/s, other 12 m/s: 22 - 12·cos of the angle, by hand. On a straight way the road and the arc say the
    same."""
    other = {"x": 60.0, "speed": 12.0, "heading": math.radians(degrees)}
    for road in (None, STRAIGHT):
        got = one({"speed": 22.0}, other, road)
        assert got["closing_speed"] == pytest.approx(closing, abs=1e-4)


def test_a_crossing_vehicle_is_closed_on_with_own_speed_whatever_its_own() -> None:
    """Own 14 m/s, gap along the way 51.5 m: 51.5/14 = 3.6786 s, by hand."""
    for speed in (0.0, 3.0, 14.0, 28.0):
        other = {"x": 51.5 + 4.6, "speed": speed, "heading": math.pi / 2}
        got = one({"speed": 14.0}, other)
        assert (got["closing_speed"], got["ttc"]) == (pytest.approx(14.0), pytest.approx(3.6786, abs=1e-4))


@pytest.mark.parametrize("length", [0.0, -4.6])
def test_a_body_without_a_length_has_no_gap(length: float) -> None:
    for own, other in (({"length": length}, {"x": 40.0}), ({}, {"x": 40.0, "length": length})):
        got = one(own, other)
        assert (got["distance_gap"], got["time_gap"], got["ttc"]) == ("not measured",) * 3
        assert got["closing_speed"] == 0.0


def test_without_yaw_rate_road_and_lanes_no_straight_way_is_taken_for_granted() -> None:
    ahead = {"x": 40.0}
    block = block_of(({"yaw_rate": None}, [ahead]))
    assert lead_rows(block, None).tolist() == [-1]
    for row in (-1, 0):
        measures = pair_measures(block, None, np.array([row]))
        assert {name: one.state.tolist() for name, one in measures.items() if one.state[0] != State.NOT_MEASURED} == {}
    stationed = block_of(({"yaw_rate": None, "station": 0.0, "lane": 1}, [{**ahead, "station": 40.0, "lane": 1}]))
    assert lead_rows(stationed, None).tolist() == [0]

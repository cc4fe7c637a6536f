"""Units, axes and reference points: hand-computed values, published conventions, and every form of rows alike."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.connect.channel_map.convert import Converter
from monitor.connect.channel_map.loading import parse_map
from monitor.connect.channel_map.values import Sample
from monitor.feed.composing import FeedComposer
from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame
from monitor.judging.case.columns import build_block
from monitor.measures.gap import pair_measures
from monitor.measures.lead import rows_of
from tests.connect.maps import OWN, map_text

AT_REST = {"T": 0.0, "X": 0.0, "Y": 0.0, "H": 0.0, "V": 0.0, "A": 0.0}


def own_of(text: str, **values: Any) -> dict[str, float]:
    converter = Converter(parse_map(text))
    return converter.convert(Sample({**AT_REST, **values}), 0.0).own


def test_units_scale_and_offset_in_the_order_that_the_manual_says() -> None:
    own = OWN.replace('speed = "V"', 'speed = { from = "V", unit = "km/h", scale = 0.1, offset = 2 }')
    assert own_of(map_text(own=own), V=340)["speed"] == pytest.approx((340 * 0.1 + 2) / 3.6, rel=1e-15)


def test_a_table_of_values_and_what_it_does_not_list() -> None:
    more = '[signals.eyes]\nfrom = "gaze"\nvalues = { ROAD = 1, 2 = 0, true = 5 }'
    converter = Converter(parse_map(map_text(more=more)))
    for raw, expected in (("ROAD", 1.0), (2, 0.0), (2.0, 0.0), (True, 5.0)):
        assert converter.convert(Sample({**AT_REST, "gaze": raw}), 0.0).signals == {"eyes": expected}
    for unlisted in ("TASK", None, 3, math.nan):
        assert math.isnan(converter.convert(Sample({**AT_REST, "gaze": unlisted}), 0.0).signals["eyes"])


def test_what_is_missing_or_no_number_is_not_measured_and_the_absent_name_is_told() -> None:
    converter = Converter(parse_map(map_text()))
    values = {**AT_REST, "V": None, "A": "broken", "H": "0.25"}
    del values["X"]
    own = converter.convert(Sample(values), 0.0).own
    assert [name for name in own if math.isnan(own[name])] == ["x", "speed", "accel"]
    assert own["heading"] == 0.25
    assert converter.absent == {"X"}


# ISO 8855: x forward, y left, left turns positive. SAE J670 (traditional): x forward, y right, right turns positive.
# A known left turn: radius 50 m at 10 m/s from the origin, along x at first; after 2 s the car has turned by 0.4 rad.
RADIUS_M, SPEED_MPS, TURNED = 50.0, 10.0, 0.4
LEFT_TURN = {
    "x": RADIUS_M * math.sin(TURNED),
    "y": RADIUS_M * (1 - math.cos(TURNED)),
    "heading": TURNED,
    "yaw_rate": 0.2,
}

TURNS = OWN + 'yaw_rate = "R"\nlane_offset = "L"\nsteering_angle = "S"\n'


def check_left_turn(own: dict[str, float]) -> None:
    for name, expected in LEFT_TURN.items():
        assert own[name] == pytest.approx(expected, abs=1e-12), name
    assert own["lane_offset"] == 0.3  # drifted to the left
    assert own["steering_angle"] == 0.1


def test_a_known_left_turn_in_the_axes_of_iso_8855() -> None:
    values = {"X": LEFT_TURN["x"], "Y": LEFT_TURN["y"], "H": 0.4, "R": 0.2, "L": 0.3, "S": 0.1}
    check_left_turn(own_of(map_text(own=TURNS), **values))


def test_the_same_left_turn_in_the_axes_of_sae_j670() -> None:
    axes = 'y = "right of x"\nheading = "clockwise from x"\nlane_offset = "right"\nyaw_rate = "right"\n'
    axes += 'steering_angle = "right"'
    values = {"X": LEFT_TURN["x"], "Y": -LEFT_TURN["y"], "H": -0.4, "R": -0.2, "L": -0.3, "S": -0.1}
    check_left_turn(own_of(map_text(own=TURNS, axes=axes), **values))


@pytest.mark.parametrize(
    ("axes", "heading"),
    [
        # north is y: a car that drives along x drives east, 90° from north
        ('heading = "clockwise from north"', math.pi / 2 - 0.4),
        ('heading = "clockwise from y"', math.pi / 2 - 0.4),
        ('heading = "counter-clockwise from y"', 0.4 - math.pi / 2),
        ('heading = "clockwise from x"', -0.4),
        ('heading = "counter-clockwise from x"', 0.4),
    ],
)
def test_headings_from_each_axis(axes: str, heading: float) -> None:
    assert own_of(map_text(axes=axes), H=heading)["heading"] == pytest.approx(0.4, abs=1e-15)


def test_with_y_to_the_right_north_is_x() -> None:
    """x north and y east, as a compass's map has them: a car that drives north and turns left turns to the west."""
    axes = 'y = "right of x"\nheading = "clockwise from north"'
    own = own_of(map_text(axes=axes), X=LEFT_TURN["x"], Y=-LEFT_TURN["y"], H=-0.4)
    assert (own["x"], own["y"], own["heading"]) == pytest.approx((LEFT_TURN["x"], LEFT_TURN["y"], 0.4))


def test_components_make_speed_and_the_acceleration_along_the_heading() -> None:
    own = OWN.replace('speed = "V"', 'speed = { components = ["VX", "VY"], unit = "km/h" }')
    own = own.replace('accel = "A"', 'accel = { components = ["AX", "AY"], unit = "g" }')
    found = own_of(map_text(own=own), VX=-30.0, VY=-40.0, AX=0.3, AY=0.4, H=math.atan2(4, 3) + math.pi)
    assert found["speed"] == pytest.approx(50 / 3.6)
    assert found["accel"] == pytest.approx(-0.5 * 9.80665)  # against the way that it points: braking
    mirrored = own_of(map_text(own=own, axes='y = "right of x"'), VX=3.0, VY=-4.0, AX=3.0, AY=-4.0, H=math.atan2(4, 3))
    assert mirrored["accel"] == pytest.approx(5 * 9.80665)


@given(
    reference=st.sampled_from(["front bumper", "rear bumper", "front axle", "rear axle"]),
    heading=st.floats(-3, 3),
    in_lane=st.floats(-0.3, 0.3),
)
def test_reference_points_are_moved_to_the_centre(reference: str, heading: float, in_lane: float) -> None:
    ahead = {"front bumper": 2.3, "rear bumper": -2.3, "front axle": 1.4, "rear axle": -1.4}[reference]
    text = map_text(
        own=OWN + 'station = "S"\nlane_offset = "L"\nheading_in_lane = "HL"\n'
        f'reference = "{reference}"\naxle_to_centre_m = 1.4\n'
    )
    at = {"X": 10 + ahead * math.cos(heading), "Y": 20 + ahead * math.sin(heading), "H": heading}
    at |= {"S": 100 + ahead * math.cos(in_lane), "L": 0.5 + ahead * math.sin(in_lane), "HL": in_lane}
    own = own_of(text, **at)
    assert (own["x"], own["y"], own["station"], own["lane_offset"]) == pytest.approx((10, 20, 100, 0.5), abs=1e-9)
    assert "heading_in_lane" not in own


def test_a_lane_offset_that_cannot_be_moved_is_said_when_the_map_is_loaded() -> None:
    text = map_text(own=OWN + 'lane_offset = "L"\nreference = "front bumper"')
    (caution,) = parse_map(text).cautions
    assert caution.startswith("lane_offset is that of the front bumper, and no heading_in_lane")
    assert own_of(text, L=0.4)["lane_offset"] == 0.4


OTHERS = {
    "centre": ("", 32.6, 0.0),
    "front bumper": ('reference = "front bumper"', 32.6 + 2.3, 2.3),
    "rear axle": ('reference = "rear axle"\naxle_to_centre_m = 1.2', 32.6 - 1.2, -1.2),
}


@pytest.mark.parametrize(("reference", "lead_x", "own_x"), OTHERS.values(), ids=OTHERS.keys())
def test_box_centres_32_6_m_apart_are_a_gap_of_28_0_m(reference: str, lead_x: float, own_x: float) -> None:
    """ASAM OSI's positions are the centre of the bounding box: 32.6 m less 2.3 and 2.3 m is 28.0 m, whatever point a
    source has its positions of."""
    vehicles = f"""
[vehicles]
rows = "moving"
id = "id"
{reference}
x = "pos.0"
y = "pos.1"
heading = "yaw"
speed = "v"
accel = {{ not_measured = true }}
length = {{ constant = 4.6 }}
width = {{ constant = 1.8 }}
"""
    straight = "yaw_rate = { constant = 0.0 }\n"
    channels = parse_map(map_text(own=OWN + straight + reference, more=vehicles))
    sample = Sample(
        {**AT_REST, "X": own_x, "V": 20.0, "moving": [{"id": 7, "pos": [lead_x, 0.0], "yaw": 0.0, "v": 15.0}]}
    )
    one = Converter(channels).convert(sample, 0.0)
    composer = FeedComposer(run="r", source="s", rate_hz=60)
    frame = decode_message([b"frame", composer.frame(0.0, one.own, one.others, one.signals)])
    assert isinstance(frame, Frame)
    block = build_block([frame], [1])
    pair = pair_measures(block, None, rows_of(block, 7))
    assert pair["distance_gap"].value[0] == pytest.approx(28.0, abs=1e-9)
    assert pair["time_gap"].value[0] == pytest.approx(1.400, abs=1e-9)
    assert pair["ttc"].value[0] == pytest.approx(5.600, abs=1e-9)


ROWS = """
[vehicles]
rows = "cars"
id = "id"
name = "label"
leave_out = [0]
own_id = "me"
x = { from = "px", unit = "ft" }
y = "py"
heading = { from = "yaw", unit = "deg" }
speed = { from = "v", unit = "km/h" }
accel = "a"
length = "len"
width = { constant = 1.8 }
station = "s"
"""
CARS = [
    {"id": 0, "label": "", "px": 0.0, "py": 0.0, "yaw": 0.0, "v": 0.0, "a": 0.0, "len": 0.0, "s": 0.0},
    {"id": 3, "label": "ego", "px": 1.0, "py": 0.0, "yaw": 0.0, "v": 80.0, "a": 0.0, "len": 4.6, "s": 1.0},
    {"id": 7, "label": "van", "px": 100.0, "py": -1.75, "yaw": 90.0, "v": 72.0, "a": -4.0, "len": 5.4, "s": 31.0},
    {"id": 9, "label": "bus", "px": 200.0, "py": 1.75, "yaw": 180.0, "v": 36.0, "a": 0.5, "len": 12.0, "s": 61.0},
]


def as_array(cars: list[dict[str, Any]]) -> Any:
    kinds = [("id", "<i4"), ("label", "S8"), *((name, "<f8") for name in ("px", "py", "yaw", "v", "a", "len", "s"))]
    rows = [tuple(car[name].encode() if name == "label" else car[name] for name, _ in kinds) for car in cars]
    return np.array(rows, kinds)


@pytest.mark.parametrize(
    "form",
    [list, as_array, lambda cars: {name: [car[name] for car in cars] for name in cars[0]}],
    ids=["maps", "array", "columns"],
)
def test_rows_in_every_form_give_the_same_columns(form: Any) -> None:
    converter = Converter(parse_map(map_text(more=ROWS)))
    others = converter.convert(Sample({**AT_REST, "cars": form(CARS), "me": 3}), 0.0).others
    assert others["id"] == [7, 9]
    assert others["name"] == ["van", "bus"]
    np.testing.assert_allclose(others["x"], [30.48, 60.96], rtol=1e-15)
    np.testing.assert_allclose(others["heading"], [math.pi / 2, math.pi], rtol=1e-15)
    np.testing.assert_allclose(others["speed"], [20.0, 10.0], rtol=1e-15)
    np.testing.assert_allclose(others["length"], [5.4, 12.0])
    assert converter.absent == set()


def test_text_ids_are_numbered_in_order_of_appearance_and_are_the_names() -> None:
    text = map_text(
        more=ROWS.replace('name = "label"\nleave_out = [0]\nown_id = "me"\n', "").replace('id = "id"', 'id = "label"')
    )
    converter = Converter(parse_map(text))
    first = converter.convert(Sample({**AT_REST, "cars": CARS[2:]}), 0.0).others
    second = converter.convert(Sample({**AT_REST, "cars": [CARS[3], CARS[1]]}), 0.1).others
    assert (first["id"], first["name"]) == ([1, 2], ["van", "bus"])
    assert (second["id"], second["name"]) == ([2, 3], ["bus", "ego"])


def test_single_vehicles_and_rows_together_and_a_vehicle_that_is_not_there() -> None:
    van = """
[[vehicle]]
id = 100
name = "van"
present = "on"
x = "VX"
y = { constant = 0 }
heading = { constant = 0 }
speed = "VV"
accel = { not_measured = true }
length = { constant = 5 }
width = { constant = 2 }
"""
    converter = Converter(parse_map(map_text(more=van + ROWS)))
    values = {**AT_REST, "cars": CARS[2:], "me": 3, "VX": 40.0, "VV": 9.0}
    both = converter.convert(Sample({**values, "on": 1}), 0.0).others
    assert both["id"] == [100, 7, 9]
    assert both["x"] == pytest.approx([40.0, 30.48, 60.96])
    assert math.isnan(both["station"][0])
    assert both["station"][1] == 31.0
    assert converter.convert(Sample({**values, "on": 0}), 0.0).others["id"] == [7, 9]
    gone = converter.convert(Sample({**values, "on": 1, "VX": None, "cars": []}), 0.0).others
    assert gone == {}

"""Messages against the feed's contract, schema 1: what is taken, what is "not measured", what is refused and why."""

from __future__ import annotations

import math
import struct
from typing import Any

import msgpack
import numpy as np
import pytest

from monitor.feed.decode import decode_message
from monitor.feed.limits import MAX_MESSAGE_BYTES
from monitor.feed.schema import Frame, Hello, Marker, Refused
from monitor.judging.case.columns import build_block, road_of

OWN = {"x": 1.0, "y": 2.0, "heading": 0.1, "speed": 20.0, "accel": -0.5, "length": 4.6, "width": 1.8}
COLUMNS: dict[str, Any] = {name: [1.0, 2.0] for name in OWN}
OTHERS = {"id": [7, -8], **COLUMNS}
FRAME = {"v": 1, "run": "r", "seq": 5, "t": 1.25, "own": OWN, "others": {}, "signals": {}, "markers": 2}
MARKER = {"v": 1, "run": "r", "n": 3, "t": 1.0, "kind": "trigger", "name": "gate-brake"}
ROAD: dict[str, Any] = {"x": [0.0, 100.0, 200], "y": [0.0, 0.0, 5.0], "lane_width": 3.5, "lanes": 2}
HELLO = {"v": 1, "run": "r", "source": "sim", "rate_hz": 60, "signals": {"eyes_on_road": ""}}


def decode(topic: str, fields: Any) -> Any:
    return decode_message([topic.encode(), msgpack.packb(fields)])


def without(fields: dict[str, Any], key: str) -> dict[str, Any]:
    return {name: value for name, value in fields.items() if name != key}


def nested(levels: int) -> Any:
    value: Any = 1
    for level in range(levels):
        value = [value] if level % 2 else {"in": value}
    return value


def test_a_frame() -> None:
    wall = 1.75e9
    others = {**OTHERS, "name": ["van", None], "station": [10.0, None], "lane": [1, 0], "colour": ["red", "blue"]}
    own = {**OWN, "brake": 0, "wiper": 3, "driver": "text"}
    signals = {"eyes_on_road": True, "platform_x": 0.25}
    frame = decode(
        "frame", {**FRAME, "own": own, "others": others, "signals": signals, "wall": wall, "weather": "dusk"}
    )
    assert isinstance(frame, Frame)
    assert (frame.run, frame.seq, frame.t, frame.markers, frame.wall) == ("r", 5, 1.25, 2, wall)
    assert frame.own == {**OWN, "brake": 0, "wiper": 3}
    assert frame.signals == signals
    assert frame.ids == struct.pack("<2q", 7, -8)
    assert frame.names == ("van", None)
    assert set(frame.columns) == {*OWN, "station", "lane"}
    assert frame.columns["x"] == struct.pack("<2d", 1.0, 2.0)
    station = struct.unpack("<2d", frame.columns["station"])
    assert station[0] == 10.0
    assert math.isnan(station[1])


def test_both_encodings_of_columns_are_the_same_frame() -> None:
    packed = {name: struct.pack("<2d", *column) for name, column in COLUMNS.items()}
    as_bytes = decode("frame", {**FRAME, "others": {"id": struct.pack("<2q", 7, -8), **packed}})
    assert isinstance(as_bytes, Frame)
    assert as_bytes == decode("frame", {**FRAME, "others": OTHERS})
    assert as_bytes == decode("frame", {**FRAME, "others": {**OTHERS, "x": packed["x"]}})


@pytest.mark.parametrize("hole", [None, math.nan, math.inf, -math.inf])
def test_holes_in_channels_are_not_measured(hole: float | None) -> None:
    frame = decode(
        "frame",
        {
            **FRAME,
            "own": {**OWN, "speed": hole, "brake": hole},
            "others": {**OTHERS, "x": [hole, 2.0]},
            "signals": {"platform_x": hole},
            "wall": hole,
        },
    )
    assert isinstance(frame, Frame)
    assert frame.wall is None
    block = build_block([frame], [1])
    assert np.isnan([block.own["speed"][0], block.own["brake"][0], block.signals["platform_x"][0], block.wall[0]]).all()
    np.testing.assert_array_equal(block.others.channels["x"], [np.nan, 2.0])
    assert np.isnan(block.own["station"][0])  # left out


def test_a_marker() -> None:
    data = {"modality": ["chime", "seat-pulse"], "measured": True, "more": [{"a": None}]}
    assert decode("marker", {**MARKER, "data": data, "unknown": 1}) == Marker(
        "r", 3, 1.0, "trigger", "gate-brake", data
    )
    assert decode("marker", MARKER) == Marker("r", 3, 1.0, "trigger", "gate-brake", {})


def test_a_hello() -> None:
    second = {**MARKER, "n": 4, "t": 2}
    plan = {"participant": "Q01", "group": "chime", "scenario": "clean"}
    hello = decode("hello", {**HELLO, **plan, "road": ROAD, "recent": [MARKER, second], "unknown": {"a": [1]}})
    assert isinstance(hello, Hello)
    assert (hello.run, hello.source, hello.rate_hz, hello.signals) == ("r", "sim", 60.0, {"eyes_on_road": ""})
    assert (hello.participant, hello.group, hello.scenario) == ("Q01", "chime", "clean")
    assert [(one.n, one.t) for one in hello.recent] == [(3, 1.0), (4, 2.0)]
    assert hello.road == ((0.0, 100.0, 200.0), (0.0, 0.0, 5.0), 3.5, 2)
    road = road_of(hello)
    assert road is not None
    np.testing.assert_array_equal(road.x, [0.0, 100.0, 200.0])


def test_recent_markers_of_an_earlier_drive_are_left_out_and_those_without_run_are_of_this_one() -> None:
    recent = [{**MARKER, "run": "yesterday"}, {**without(without(MARKER, "run"), "v"), "n": 9}]
    hello = decode("hello", {**HELLO, "recent": recent})
    assert isinstance(hello, Hello)
    assert [(one.run, one.n) for one in hello.recent] == [("r", 9)]


def test_a_short_hello_and_one_with_nulls() -> None:
    short = decode("hello", HELLO)
    assert isinstance(short, Hello)
    assert (short.participant, short.group, short.scenario, short.road, short.recent) == (None, None, None, None, ())
    assert road_of(short) is None
    nulls = dict.fromkeys(("participant", "group", "scenario", "road", "recent"))
    assert decode("hello", {**HELLO, **nulls}) == short


def test_a_road_as_bytes_is_the_same_road() -> None:
    packed = {**ROAD, **{key: struct.pack("<3d", *ROAD[key]) for key in ("x", "y")}}
    assert decode("hello", {**HELLO, "road": packed}) == decode("hello", {**HELLO, "road": ROAD})


@pytest.mark.parametrize("key", ["v", "run", "seq", "t", "own", "others", "signals", "markers"])
def test_a_frame_lacks_a_required_key(key: str) -> None:
    assert decode("frame", without(FRAME, key)) == Refused("frame", f"frame: `{key}` is missing")


@pytest.mark.parametrize("key", list(OWN))
def test_own_lacks_a_required_key(key: str) -> None:
    assert decode("frame", {**FRAME, "own": without(OWN, key)}) == Refused("frame", f"frame: `own.{key}` is missing")


@pytest.mark.parametrize("key", list(OTHERS))
def test_others_lack_a_required_column(key: str) -> None:
    refused = decode("frame", {**FRAME, "others": without(OTHERS, key)})
    assert refused == Refused("frame", f"frame: `others.{key}` is missing")


@pytest.mark.parametrize("key", ["v", "run", "n", "t", "kind", "name"])
def test_a_marker_lacks_a_required_key(key: str) -> None:
    assert decode("marker", without(MARKER, key)) == Refused("marker", f"marker: `{key}` is missing")


@pytest.mark.parametrize("key", ["v", "run", "source", "rate_hz", "signals"])
def test_a_hello_lacks_a_required_key(key: str) -> None:
    assert decode("hello", without(HELLO, key)) == Refused("hello", f"hello: `{key}` is missing")


LONG = "n" * 65

REFUSED = [
    ("frame", {**FRAME, "v": 2}, "`v` is 2; this program reads schema 1"),
    ("frame", {**FRAME, "v": True}, "`v` is True; this program reads schema 1"),
    ("frame", {**FRAME, "run": 7}, "`run` is an integer, not a text"),
    ("frame", {**FRAME, "run": ""}, "`run` is empty"),
    ("frame", {**FRAME, "run": LONG}, "`run` has more than 64 characters"),
    ("frame", {**FRAME, "seq": -1}, "`seq` is -1, not from 0 to 2^63 - 1"),
    ("frame", {**FRAME, "seq": 2**63}, f"`seq` is {2**63}, not from 0 to 2^63 - 1"),
    ("frame", {**FRAME, "seq": 1.0}, "`seq` is a number, not an integer"),
    ("frame", {**FRAME, "seq": True}, "`seq` is a boolean, not an integer"),
    ("frame", {**FRAME, "markers": None}, "`markers` is null, not an integer"),
    ("frame", {**FRAME, "t": math.nan}, "`t` is nan, not a finite number"),
    ("frame", {**FRAME, "t": math.inf}, "`t` is inf, not a finite number"),
    ("frame", {**FRAME, "t": "1"}, "`t` is a text, not a number"),
    ("frame", {**FRAME, "own": [1]}, "`own` is an array, not a map"),
    ("frame", {**FRAME, "own": {**OWN, "speed": "20"}}, "`own.speed` is a text, not a number"),
    ("frame", {**FRAME, "own": {**OWN, "brake": True}}, "`own.brake` is a boolean, not a number"),
    ("frame", {**FRAME, "own": {**OWN, LONG: 1.0}}, f"the key `{LONG[:64]}…` in `own` has more than 64 characters"),
    ("frame", {**FRAME, "signals": {"a": "dusk"}}, "`signals.a` is a text, not a number"),
    ("frame", {**FRAME, "signals": {LONG: 1}}, f"the key `{LONG[:64]}…` in `signals` has more than 64 characters"),
    (
        "frame",
        {**FRAME, "signals": {f"s{i}": 0 for i in range(513)}},
        "`signals` has 513 signals, more than 512",
    ),
    ("frame", {**FRAME, "wall": "now"}, "`wall` is a text, not a number"),
    ("frame", {**FRAME, "others": []}, "`others` is an array, not a map"),
    ("frame", {**FRAME, "others": {**OTHERS, "id": [7, 7]}}, "`others.id` holds the vehicle 7 twice"),
    ("frame", {**FRAME, "others": {**OTHERS, "id": [7, 8.0]}}, "`others.id` holds a number, not an integer"),
    ("frame", {**FRAME, "others": {**OTHERS, "id": [None, 8]}}, "`others.id` holds null, not an integer"),
    (
        "frame",
        {**FRAME, "others": {**OTHERS, "id": [7, 2**63]}},
        "`others.id` holds an integer of more than 64 bits with sign",
    ),
    ("frame", {**FRAME, "others": {**OTHERS, "id": 7}}, "`others.id` is an integer, no column"),
    ("frame", {**FRAME, "others": {**OTHERS, "id": b"1234567"}}, "`others.id` has 7 bytes, no whole number of int64"),
    ("frame", {**FRAME, "others": {**OTHERS, "x": [1.0]}}, "`others.x` has 1 values where `others.id` has 2"),
    ("frame", {**FRAME, "others": {**OTHERS, "x": b"123"}}, "`others.x` has 3 bytes, no whole number of float64"),
    ("frame", {**FRAME, "others": {**OTHERS, "x": 1.0}}, "`others.x` is a number, no column"),
    ("frame", {**FRAME, "others": {**OTHERS, "x": [1.0, "2"]}}, "`others.x` is a text, not a number"),
    ("frame", {**FRAME, "others": {**OTHERS, "x": [1.0, True]}}, "`others.x` is a boolean, not a number"),
    ("frame", {**FRAME, "others": {**OTHERS, "lane": [1]}}, "`others.lane` has 1 values where `others.id` has 2"),
    ("frame", {**FRAME, "others": {**OTHERS, "name": ["van"]}}, "`others.name` has 1 values where `others.id` has 2"),
    (
        "frame",
        {**FRAME, "others": {**OTHERS, "name": ["van", LONG]}},
        "`others.name` holds a text that is no text of at most 64 characters",
    ),
    (
        "frame",
        {**FRAME, "others": {"id": list(range(513)), **{name: [0.0] * 513 for name in OWN}}},
        "`others` has 513 vehicles, more than 512",
    ),
    ("frame", {**FRAME, "deep": nested(8)}, "`deep` is nested deeper than 8 levels"),
    ("frame", {**FRAME, "own": {**OWN, "deep": nested(7)}}, "`own.deep` is nested deeper than 8 levels"),
    ("frame", {**FRAME, "others": {**OTHERS, "deep": nested(7)}}, "`others.deep` is nested deeper than 8 levels"),
    ("frame", {**FRAME, "more": msgpack.Timestamp(1, 2)}, "`more` holds an extension type"),
    ("frame", {**FRAME, "more": msgpack.ExtType(5, b"x")}, "the payload holds an extension type (code 5)"),
    ("frame", [FRAME], "the payload is an array, not a map"),
    ("marker", {**MARKER, "kind": "bang"}, "`kind` is 'bang', which is no kind of marker"),
    ("marker", {**MARKER, "n": 0}, "`n` is 0, not from 1 to 2^63 - 1"),
    ("marker", {**MARKER, "name": LONG}, "`name` has more than 64 characters"),
    ("marker", {**MARKER, "data": [1]}, "`data` is an array, not a map"),
    ("marker", {**MARKER, "data": {"deep": nested(7)}}, "`data` is nested deeper than 8 levels"),
    ("marker", {**MARKER, "data": {"measured": 1}}, "`data.measured` is an integer, not a boolean"),
    (
        "marker",
        {**MARKER, "data": {"modality": ["chime", 1]}},
        "`data.modality` is neither a text of at most 64 characters nor a list of such",
    ),
    ("hello", {**HELLO, "rate_hz": 0}, "`rate_hz` is 0, not above zero"),
    ("hello", {**HELLO, "rate_hz": math.nan}, "`rate_hz` is nan, not a finite number"),
    ("hello", {**HELLO, "signals": {"a": 1}}, "`signals.a` is an integer, not a text"),
    ("hello", {**HELLO, "participant": LONG}, "`participant` has more than 64 characters"),
    ("hello", {**HELLO, "recent": {}}, "`recent` is a map, not an array"),
    ("hello", {**HELLO, "recent": [MARKER, {**MARKER, "t": None}]}, "`recent[1].t` is null, not a number"),
    ("hello", {**HELLO, "road": {**ROAD, "y": [0.0, 1.0]}}, "`road.x` has 3 vertices and `road.y` 2"),
    (
        "hello",
        {**HELLO, "road": {**ROAD, "x": [0, 0, 0], "y": [1, 1, 1]}},
        "`road` has fewer than two different vertices",
    ),
    (
        "hello",
        {**HELLO, "road": {**ROAD, "x": [0, 1, math.nan]}},
        "`road.x` holds a number that is no place within 10 000 km",
    ),
    ("hello", {**HELLO, "road": {**ROAD, "x": [0, 1, None]}}, "`road.x` is no column of numbers"),
    ("hello", {**HELLO, "road": {**ROAD, "lanes": 0}}, "`road.lanes` is 0, not from 1 to 2^63 - 1"),
    ("hello", {**HELLO, "road": {**ROAD, "lane_width": -1}}, "`road.lane_width` is -1, not above zero"),
    ("hello", {**HELLO, "road": without(ROAD, "x")}, "`road.x` is missing"),
]


@pytest.mark.parametrize(("topic", "fields", "why"), REFUSED, ids=[f"{topic}: {why}"[:70] for topic, _, why in REFUSED])
def test_refused_with_topic_and_key(topic: str, fields: Any, why: str) -> None:
    assert decode(topic, fields) == Refused(topic, f"{topic}: {why}")


def test_limits_are_reached_without_being_broken() -> None:
    name = "n" * 64
    full = {
        **FRAME,
        "run": name,
        "own": {**OWN, name: 1.0},
        "others": {"id": list(range(512)), **{key: [0.0] * 512 for key in OWN}, "name": [name] * 512},
        "signals": {f"s{i}": i for i in range(512)},
        "deep": nested(7),
    }
    frame = decode("frame", full)
    assert isinstance(frame, Frame), frame
    assert len(build_block([frame], [1]).others.id) == 512
    assert isinstance(decode("marker", {**MARKER, "data": nested(7)}), Marker)


def packed_map(*pairs: tuple[Any, Any]) -> bytes:
    """A msgpack map that may hold a key twice."""
    packer = msgpack.Packer(autoreset=False)
    packer.pack_map_header(len(pairs))
    for key, value in pairs:
        packer.pack(key)
        packer.pack(value)
    return packer.bytes()


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (packed_map(*FRAME.items(), ("seq", 6)), "the key `seq` stands twice in one map"),
        (msgpack.packb(FRAME) + b"\0", "the payload is no msgpack (bytes follow its end)"),
        (msgpack.packb(FRAME)[:-1], "the payload is no msgpack (Unpack failed: incomplete input)"),
        (b"", "the payload is no msgpack (Unpack failed: incomplete input)"),
        (b"\xc1", "the payload is no msgpack (a byte that msgpack does not know)"),
        (b"\x91" * 2000, "the payload is no msgpack (nested too deeply)"),
        (b"\x81\xa1a\xa2\xff\xff", "the payload is no msgpack (a text that is not UTF-8)"),
        (packed_map(*FRAME.items(), (b"k", 1)), "`the payload` has a key that is no text"),
        (bytes(MAX_MESSAGE_BYTES + 1), f"the payload has {MAX_MESSAGE_BYTES + 1} bytes, more than {MAX_MESSAGE_BYTES}"),
    ],
    ids=lambda one: "" if isinstance(one, bytes) else one[:60],
)
def test_bytes_that_are_no_message(payload: bytes, why: str) -> None:
    assert decode_message([b"frame", payload]) == Refused("frame", f"frame: {why}")


def test_an_integer_key_is_refused_wherever_it_stands() -> None:
    own: dict[Any, float] = {**OWN, 1: 2}
    strays: list[dict[Any, object]] = [{1: 2}, {"own": own}, {"more": {"in": {1: 2}}}]
    for stray in strays:
        refused = decode("frame", {**FRAME, **stray})
        assert isinstance(refused, Refused)
        assert "not allowed for map key" in refused.why


def test_the_size_limit_is_the_contracts() -> None:
    filler = MAX_MESSAGE_BYTES - len(msgpack.packb({**FRAME, "filler": bytes(70_000)})) + 70_000
    payload = msgpack.packb({**FRAME, "filler": bytes(filler)})
    assert len(payload) == MAX_MESSAGE_BYTES == 256 * 1024
    assert isinstance(decode_message([b"frame", payload]), Frame)


@pytest.mark.parametrize(
    ("frames", "why"),
    [
        ([], "a message: it has 0 frames, not topic and payload"),
        ([b"frame"], "frame: it has 1 frames, not topic and payload"),
        ([b"frame", b"", b""], "frame: it has 3 frames, not topic and payload"),
        ([b"telemetry", b"\x80"], "telemetry: no topic of this feed, which has hello, frame and marker"),
        ([b"", b"\x80"], "an empty topic: no topic of this feed, which has hello, frame and marker"),
        ([b"\xff\x1b[2J", b"\x80"], "\ufffd?[2J: no topic of this feed, which has hello, frame and marker"),
    ],
)
def test_messages_that_are_none_of_this_feed(frames: list[bytes], why: str) -> None:
    refused = decode_message(frames)
    assert isinstance(refused, Refused)
    assert refused.why == why


def test_a_sentence_never_carries_control_characters_or_endless_texts() -> None:
    refused = decode("marker", {**MARKER, "kind": "\x1b]0;title\x07" + "k" * 50})
    assert isinstance(refused, Refused)
    assert refused.why.isprintable()
    assert isinstance(shown := decode("frame", {**FRAME, "own": {**OWN, "\x1b" * 300: 1.0}}), Refused)
    assert shown.why.isprintable()
    assert len(shown.why) < 200

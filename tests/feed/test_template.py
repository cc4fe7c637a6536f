"""Templates give what the full decoding gives, for every payload, and are used for frames of one shape."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import Any

import msgpack
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import monitor.feed.decode
from monitor.feed.decode import decode_message
from monitor.feed.limits import unpack_payload
from monitor.feed.schema import Frame
from monitor.feed.template import KEPT, PRICE, Templates

OWN = {"x": 1.5, "y": 2.5, "heading": 0.1, "speed": 20.5, "accel": -0.5, "length": 4.6, "width": 1.8, "lane": 1}


def fields_of(seq: int, t: float, **changes: Any) -> dict[str, Any]:
    columns = {name: [value + index + 0.25 for index in range(3)] for name, value in OWN.items()}
    others = {"id": [7, 800, -9], **columns, "name": ["van", None, "bus"], "lane": [1, 2, None]}
    fields = {"v": 1, "run": "r", "seq": seq, "t": t, "own": {**OWN, "wiper": 2.5}, "others": others}
    return {**fields, "signals": {"eyes_on_road": True, "platform_x": 0.5}, "markers": 3, "wall": 1.75e9 + t, **changes}


def packed(fields: dict[str, Any]) -> dict[str, Any]:
    """The same with columns as bytes."""
    others = dict(fields["others"])
    for name, column in others.items():
        if name != "name" and None not in column:
            others[name] = np.array(column, "<i8" if name == "id" else "<f8").tobytes()
    return {**fields, "others": others}


ENCODERS: list[Callable[[dict[str, Any]], dict[str, Any]]] = [packed, dict]


@pytest.fixture(autouse=True)
def fresh(monkeypatch: pytest.MonkeyPatch) -> Templates:
    templates = Templates()
    monkeypatch.setattr(monitor.feed.decode, "_TEMPLATES", templates)
    return templates


def in_full(payload: bytes) -> str:
    """What decoding without templates gives, in words: NaN equals itself there, and 1 is not 1.0."""
    kept = monitor.feed.decode._TEMPLATES
    monitor.feed.decode._TEMPLATES = Templates()
    try:
        return repr(decode_message([b"frame", payload]))
    finally:
        monitor.feed.decode._TEMPLATES = kept


@pytest.mark.parametrize("encode", [packed, dict], ids=["bytes", "arrays"])
def test_frames_of_one_shape_are_unpacked_once(monkeypatch: pytest.MonkeyPatch, encode: Any) -> None:
    unpacked: list[bytes] = []

    def counted(payload: bytes) -> dict[str, Any]:
        unpacked.append(payload)
        return unpack_payload(payload)

    monkeypatch.setattr(monitor.feed.decode, "unpack_payload", counted)
    for step in range(200):
        own = {**OWN, "x": 0.5 + step, "speed": math.nan if step == 50 else 20.5}
        fields = encode(fields_of(1000 + step, step / 60, own=own))
        frame = decode_message([b"frame", msgpack.packb(fields)])
        assert isinstance(frame, Frame)
        assert (frame.seq, frame.t, frame.own["x"]) == (1000 + step, step / 60, 0.5 + step)
    assert len(unpacked) == 1


values = st.floats(width=32) | st.floats(-100, 100) | st.integers(-300, 300) | st.none() | st.just(0) | st.booleans()


@st.composite
def steps(draw: st.DrawFn) -> list[bytes]:
    """Messages of a simulator that changes its shape now and then, and is sometimes wrong."""
    encode = draw(st.sampled_from(ENCODERS))
    single = draw(st.booleans())
    changes: dict[str, Any] = {}
    payloads = []
    for step in range(draw(st.integers(2, 12))):
        fields = fields_of(draw(st.sampled_from([100, 300, 70_000])) + step, draw(st.floats(0, 100)))
        if draw(st.integers(0, 3)) == 0:
            place = draw(st.sampled_from(["own", "signals", "others", "top"]))
            if place == "top":
                key = draw(st.sampled_from(["seq", "t", "markers", "wall", "run", "extra"]))
                changes = {key: draw(values)}
            elif place == "others":
                key = draw(st.sampled_from(["id", "x", "lane", "name", "colour"]))
                changes = {place: {**fields["others"], key: draw(st.lists(values, min_size=3, max_size=3))}}
            else:
                key = draw(st.sampled_from(["speed", "lane", "eyes_on_road", "new"]))
                changes = {place: {**fields[place], key: draw(values)}}
        fields = {**fields, **changes}
        try:
            fields = encode(fields)
        except (TypeError, ValueError, OverflowError):
            pass  # columns that cannot be packed go as arrays
        payloads.append(msgpack.packb(fields, use_single_float=single))
    return payloads


@settings(max_examples=150, deadline=None)
@given(payloads=steps())
def test_any_sequence_of_messages_decodes_as_if_there_were_no_templates(payloads: list[bytes]) -> None:
    monitor.feed.decode._TEMPLATES = Templates()
    for payload in payloads:
        assert repr(decode_message([b"frame", payload])) == in_full(payload)


@pytest.mark.parametrize("encode", [packed, dict], ids=["bytes", "arrays"])
def test_a_known_shape_with_some_bytes_changed(encode: Any) -> None:
    """Every byte of a payload changed in turn, after its shape has been learned."""
    draw = random.Random(3)
    whole = msgpack.packb(encode(fields_of(1000, 2.5)))
    assert isinstance(decode_message([b"frame", whole]), Frame)
    for place in range(len(whole)):
        for byte in {draw.randrange(256), whole[place] ^ 1, 0xC0, 0xFF}:
            payload = whole[:place] + bytes([byte]) + whole[place + 1 :]
            assert repr(decode_message([b"frame", payload])) == in_full(payload)


def test_shapes_that_come_and_go_are_kept_and_the_work_is_bounded(
    fresh: Templates, monkeypatch: pytest.MonkeyPatch
) -> None:
    for step in range(400):
        signals = {"eyes_on_road": step % 2 == 0}
        decode_message([b"frame", msgpack.packb(packed(fields_of(1000 + step, step / 60, signals=signals)))])
    assert len(fresh._kept) == 2

    made: list[int] = []
    learn = Templates.learn
    fresh_kept = set(map(id, fresh._kept))

    def counted(self: Templates, *arguments: Any) -> None:
        learn(self, *arguments)
        made.extend(id(one) for one in self._kept if id(one) not in fresh_kept and id(one) not in made)

    monkeypatch.setattr(Templates, "learn", counted)
    for step in range(PRICE * 20):  # another run text each time: no two of one shape
        fields = packed(fields_of(1000 + step, step / 60, run=f"run {step}"))
        assert isinstance(decode_message([b"frame", msgpack.packb(fields)]), Frame)
    assert len(fresh._kept) == KEPT
    assert len(made) <= 20 + 4


def test_a_vehicle_twice_is_found_in_a_known_shape() -> None:
    good = msgpack.packb(packed(fields_of(1000, 1.0)))
    assert isinstance(decode_message([b"frame", good]), Frame)
    fields = fields_of(1001, 1.1)
    fields["others"]["id"] = [7, 7, 8]
    refused: Any = decode_message([b"frame", msgpack.packb(packed(fields))])
    assert refused.why == "frame: `others.id` holds the vehicle 7 twice"

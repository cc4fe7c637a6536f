"""Decoding never raises and stays small, whatever comes."""

from __future__ import annotations

import random
import tracemalloc
from typing import Any

import msgpack
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.feed.decode import decode_message
from monitor.feed.limits import MAX_MESSAGE_BYTES
from monitor.feed.schema import Frame, Hello, Marker, Refused
from monitor.judging.case.columns import build_block, road_of

KINDS = (Frame, Hello, Marker, Refused)
OWN = {"x": 1.0, "y": 2.0, "heading": 0.1, "speed": 20.0, "accel": -0.5, "length": 4.6, "width": 1.8}
MARKER = {"v": 1, "run": "r", "n": 3, "t": 1.0, "kind": "alert_on", "name": "a", "data": {"modality": ["chime"]}}
VALID: dict[bytes, dict[str, Any]] = {
    b"frame": {
        "v": 1,
        "run": "r",
        "seq": 5,
        "t": 1.25,
        "own": OWN,
        "others": {"id": [7, 8], **{name: [1.0, 2.0] for name in OWN}, "name": ["van", None], "lane": [1, 2]},
        "signals": {"eyes_on_road": True},
        "markers": 2,
        "wall": 1.0,
    },
    b"marker": MARKER,
    b"hello": {
        "v": 1,
        "run": "r",
        "source": "sim",
        "rate_hz": 60.0,
        "signals": {"a": "m"},
        "group": "chime",
        "road": {"x": [0.0, 1.0], "y": [0.0, 0.0], "lane_width": 3.5, "lanes": 2},
        "recent": [MARKER],
    },
}

topics = st.sampled_from(sorted(VALID))
leaves = (
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**64 - 1)
    | st.floats()
    | st.text(max_size=70)
    | st.binary(max_size=40)
)
values = st.recursive(
    leaves, lambda one: st.lists(one, max_size=5) | st.dictionaries(st.text(max_size=5), one, max_size=5)
)


def use(decoded: Any) -> None:
    """What the rest of the program does first with a decoded message must not fail either."""
    assert isinstance(decoded, KINDS)
    if isinstance(decoded, Frame):
        block = build_block([decoded], [1])
        assert len(block.others.id) == block.others.start[-1] == len(block.others.channels["lane"])
    elif isinstance(decoded, Hello):
        road_of(decoded)
    elif isinstance(decoded, Refused):
        assert decoded.why.isprintable()


@settings(max_examples=300, deadline=None)
@given(topic=topics, payload=st.binary(max_size=300))
@example(topic=b"frame", payload=b"\xdf\xff\xff\xff\xff")  # a map that claims four thousand million keys
@example(topic=b"frame", payload=b"\xdd\x05\xf5\xe1\x00")  # an array of a hundred million
@example(topic=b"frame", payload=b"\xc6\xff\xff\xff\xff")  # bytes that are not there
@example(topic=b"frame", payload=b"\xd7\xff" + b"\xff" * 8)  # a time stamp beyond all calendars
def test_any_bytes(topic: bytes, payload: bytes) -> None:
    use(decode_message([topic, payload]))


@settings(max_examples=300, deadline=None)
@given(topic=topics, data=st.data())
def test_a_valid_message_with_one_value_changed_somewhere(topic: bytes, data: st.DataObject) -> None:
    fields = msgpack.unpackb(msgpack.packb(VALID[topic]))
    place: Any = fields
    while True:
        keys = sorted(place) if isinstance(place, dict) else list(range(len(place)))
        key = data.draw(st.sampled_from(keys))
        if isinstance(place[key], dict | list) and place[key] and data.draw(st.booleans()):
            place = place[key]
            continue
        if data.draw(st.integers(0, 4)) == 0:
            del place[key]
        else:
            place[key] = data.draw(values)
        break
    use(decode_message([topic, msgpack.packb(fields)]))


@pytest.mark.parametrize("topic", sorted(VALID))
def test_mutated_bytes(topic: bytes) -> None:
    """Four thousand mutations a topic: bytes flipped, cut, doubled and put in."""
    draw = random.Random(11)
    whole = msgpack.packb(VALID[topic])
    refused = 0
    for _ in range(4000):
        payload = bytearray(whole)
        for _ in range(draw.randint(1, 4)):
            place = draw.randrange(len(payload) + 1)
            what = draw.randrange(4)
            if what == 0 and place < len(payload):
                payload[place] = draw.randrange(256)
            elif what == 1:
                del payload[place : place + draw.randint(1, 8)]
            elif what == 2:
                payload[place:place] = payload[place : place + draw.randint(1, 20)]
            else:
                payload[place:place] = draw.randbytes(draw.randint(1, 5))
            payload = payload or bytearray(b"\0")
        decoded = decode_message([topic, bytes(payload)])
        use(decoded)
        refused += isinstance(decoded, Refused)
    assert 2000 < refused < 4000


@pytest.mark.parametrize("unit", [b"\x90", b"\x80", b"\xc0", b"\xa0", b"\x91\xc0"], ids=lambda unit: unit.hex())
def test_memory_stays_bounded_by_the_largest_message(unit: bytes) -> None:
    """A full message of the smallest items there are: some 75 bytes of objects for each byte, and no more."""
    count = (MAX_MESSAGE_BYTES - 200) // len(unit)
    payload = b"\x81\xa1k\xdd" + count.to_bytes(4, "big") + unit * count
    assert len(payload) <= MAX_MESSAGE_BYTES
    tracemalloc.start()
    try:
        assert isinstance(decode_message([b"frame", payload]), Refused)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 40 * 1024 * 1024


def test_one_byte_too_many_is_not_even_unpacked() -> None:
    payload = b"\x80" * (MAX_MESSAGE_BYTES + 1)
    tracemalloc.start()
    try:
        assert isinstance(decode_message([b"frame", payload]), Refused)
        assert tracemalloc.get_traced_memory()[1] < 100_000
    finally:
        tracemalloc.stop()

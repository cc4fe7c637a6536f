"""Packing for sealed blocks: exact for any bytes, and harmless for forged ones."""

from __future__ import annotations

import contextlib
import struct
import zlib

import msgpack
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import RecordUnreadable
from monitor.record.bytes.packing import pack_entries, unpack_entries
from monitor.record.entries import Entry, EntryKind, pack_frames

U64 = st.integers(0, 2**64 - 1)
I64 = st.integers(-(2**63), 2**63 - 1)
FLOATS = st.floats(allow_nan=True, allow_infinity=True, width=64)


@st.composite
def messages(draw: st.DrawFn) -> list[bytes]:
    """Frames of one shape with changing numbers, as a feed sends them; some of another shape between them."""
    names = draw(st.lists(st.text(min_size=1, max_size=6), min_size=1, max_size=4, unique=True))
    columns = draw(st.integers(0, 3))
    found = []
    for seq in range(draw(st.integers(1, 20))):
        fields = {"seq": seq, "own": {name: draw(FLOATS) for name in names}}
        fields["x"] = b"".join(struct.pack("<d", draw(FLOATS)) for _ in range(columns))
        found.append(pack_frames([b"frame", msgpack.packb(fields)]))
        if draw(st.booleans()):
            found.append(draw(st.binary(max_size=40)))
    return found


def as_entries(payloads: list[bytes], first: int, times: list[tuple[int, int]], kinds: list[int]) -> list[Entry]:
    return [
        Entry(EntryKind(kinds[at % len(kinds)]), first + at, *times[at % len(times)], payload)
        for at, payload in enumerate(payloads)
    ]


TIMES = st.lists(st.tuples(U64, I64), min_size=1, max_size=5)
KINDS = st.lists(st.integers(1, 7), min_size=1, max_size=5)


@given(
    st.one_of(messages(), st.lists(st.binary(max_size=60), min_size=1, max_size=40)),
    st.integers(1, 2**40),
    TIMES,
    KINDS,
)
@settings(max_examples=150, deadline=None)
def test_packing_is_undone_exactly(
    payloads: list[bytes], first: int, times: list[tuple[int, int]], kinds: list[int]
) -> None:
    entries = as_entries(payloads, first, times, kinds)
    packed, plain_length = pack_entries(entries)
    assert len(zlib.decompress(packed)) == plain_length
    assert unpack_entries(packed, plain_length) == entries


@given(messages(), st.data())
@settings(max_examples=200, deadline=None)
def test_changed_blocks_give_entries_or_one_kind_of_error(payloads: list[bytes], data: st.DataObject) -> None:
    packed, _ = pack_entries(as_entries(payloads, 1, [(5, 5)], [2]))
    plain = bytearray(zlib.decompress(packed))
    for _ in range(data.draw(st.integers(1, 4))):
        plain[data.draw(st.integers(0, min(len(plain), 200) - 1))] = data.draw(st.integers(0, 255))
    plain = plain[: data.draw(st.integers(0, len(plain)))]
    with contextlib.suppress(RecordUnreadable):
        assert all(isinstance(entry, Entry) for entry in unpack_entries(zlib.compress(bytes(plain)), len(plain)))


def test_a_block_that_states_another_length_is_refused() -> None:
    packed, plain_length = pack_entries([Entry(EntryKind.TICK, 1, 1, 1, b"")])
    for stated in (plain_length - 1, plain_length + 1, 0):
        with pytest.raises(RecordUnreadable):
            unpack_entries(packed, stated)
    with pytest.raises(RecordUnreadable):
        unpack_entries(b"no zlib stream", 14)


def test_a_bomb_unpacks_no_further_than_it_states() -> None:
    with pytest.raises(RecordUnreadable, match="has not the length that it states"):
        unpack_entries(zlib.compress(bytes(20_000_000)), 1000)

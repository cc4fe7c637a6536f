"""Packets written with Python's `struct` alone, read by a layout stated in words."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.connect.channel_map.layout import PacketReader, PacketRefused, layout_names, read_layout
from monitor.connect.channel_map.model import Layout
from monitor.tables.faults import Faults

STRUCT_CODES = {
    "i8": "b",
    "u8": "B",
    "i16": "h",
    "u16": "H",
    "i32": "i",
    "u32": "I",
    "i64": "q",
    "u64": "Q",
    "f32": "f",
    "f64": "d",
    "bool": "?",
}


def layout_of(**section: Any) -> Layout:
    faults = Faults({}, "channel map")
    layout = read_layout(section, ("source",), faults)
    assert layout is not None, faults.sentences()
    return layout


VALUES = {
    "f32": st.floats(width=32, allow_nan=False),
    "f64": st.floats(allow_nan=False),
    "bool": st.booleans(),
    **{
        code: st.integers(-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if code[0] == "i" else st.integers(0, 2**bits - 1)
        for code, bits in ((f"{sign}{bits}", bits) for sign in "iu" for bits in (8, 16, 32, 64))
    },
}
FIELDS = st.lists(st.tuples(st.sampled_from(sorted(STRUCT_CODES)), st.integers(0, 3)), min_size=1, max_size=12)


@settings(max_examples=60)
@given(fields=FIELDS, big=st.booleans(), data=st.data())
def test_any_layout_reads_what_struct_wrote(fields: list[tuple[str, int]], big: bool, data: st.DataObject) -> None:
    order = ">" if big else "<"
    texts, expected, packet = [], {}, b""
    for index, (kind, skip) in enumerate(fields):
        value = data.draw(VALUES[kind])
        texts += [f"skip {skip}"] if skip else []
        texts.append(f"{kind} f{index}")
        packet += bytes(skip) + struct.pack(order + STRUCT_CODES[kind], value)
        expected[f"f{index}"] = value
    layout = layout_of(fields=texts, byte_order="big" if big else "little")
    assert layout.size == len(packet)
    assert PacketReader(layout).read(packet) == expected


def test_arrays_texts_positions_and_a_packet_that_is_longer() -> None:
    layout = layout_of(fields=["f32[3] pos", "text[8] phase", "u16 late @40"])
    packet = bytearray(60)
    struct.pack_into("<3f8s", packet, 0, 1.5, -2.5, 3.5, b"DRIVE\0xx")
    struct.pack_into("<H", packet, 40, 777)
    assert PacketReader(layout).read(bytes(packet)) == {
        "pos.0": 1.5,
        "pos.1": -2.5,
        "pos.2": 3.5,
        "phase": "DRIVE",
        "late": 777,
    }
    assert layout_names(layout) == ["pos.0", "pos.1", "pos.2", "phase", "late"]


ROW = struct.Struct("<i4x2df")  # 28 bytes; rows stand 32 bytes apart


def with_rows(count: int, used: int) -> bytes:
    rows = b"".join(ROW.pack(100 + n, n * 1.5, -n, n / 2).ljust(32, b"\0") for n in range(used))
    return struct.pack("<HH", count, 0xBEEF) + rows


def test_rows_with_a_stride_and_a_count() -> None:
    layout = layout_of(
        fields=["u16 used", "u16 magic"],
        must_be={"magic": 0xBEEF},
        rows=[
            {
                "name": "cars",
                "fields": ["i32 id", "skip 4", "f64[2] pos", "f32 v"],
                "most": 5,
                "count": "used",
                "stride": 32,
            }
        ],
    )
    reader = PacketReader(layout)
    cars = reader.read(with_rows(3, 3))["cars"]
    np.testing.assert_array_equal(cars["id"], [100, 101, 102])
    np.testing.assert_array_equal(cars["pos"], [[0, 0], [1.5, -1], [3, -2]])
    assert len(reader.read(with_rows(0, 0))["cars"]) == 0
    for packet, why in (
        (with_rows(6, 5), "`used` says 6 rows of `cars`, which has at most 5"),
        (with_rows(4, 3), "the packet ends inside the 4 rows of `cars`"),
        (
            with_rows(1, 1).replace(b"\xef\xbe", b"\xee\xbe"),
            "`magic` is 48878 where the map says it must be 48879",
        ),
        (b"\0", "a packet of 1 bytes came where the layout has at least 4"),
    ):
        with pytest.raises(PacketRefused) as refused:
            reader.read(packet)
        assert str(refused.value) == why


def test_an_exact_size_refuses_any_other() -> None:
    reader = PacketReader(layout_of(fields=["u32 a"], size=8))
    assert reader.read(struct.pack("<II", 5, 0)) == {"a": 5}
    with pytest.raises(PacketRefused, match="9 bytes came where the layout has 8"):
        reader.read(bytes(9))


@given(st.binary(max_size=200))
def test_no_bytes_do_more_than_be_refused(packet: bytes) -> None:
    layout = layout_of(
        fields=["u16 used", "f64 t", "text[4] s"],
        rows=[{"name": "cars", "fields": ["i32 id", "f32[2] pos"], "most": 8, "count": "used"}],
    )
    reader = PacketReader(layout)
    if len(packet) < 14 or not 0 <= int.from_bytes(packet[:2], "little") <= min(8, (len(packet) - 14) // 12):
        with pytest.raises(PacketRefused) as refused:
            reader.read(packet)
        assert str(refused.value).isprintable()
    else:
        assert len(reader.read(packet)["cars"]) == packet[0]

"""Bits, masks, slots, times in two parts, JSON and byte order: by numbers written by hand, and by `struct` alone."""

from __future__ import annotations

import json
import math
import struct
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest

from monitor.commissioning.check.dry.judged import DryJudging
from monitor.connect.channel_map.convert import Converter
from monitor.connect.channel_map.layout import PacketReader, PacketRefused, other_order_doubt
from monitor.connect.channel_map.loading import load_map, parse_map
from monitor.connect.channel_map.mapped_drive import Translation
from monitor.connect.channel_map.model import ChannelMap, Layout, UdpSource
from monitor.connect.channel_map.values import Sample, bits_in, code_in
from monitor.connect.sources.maps import MapRefused, read_map
from monitor.connect.sources.udp import MapReader
from monitor.errors import MapFaults
from monitor.study.loading import load_study
from tests.commands.running import STUDY
from tests.connect import ridge
from tests.connect.foreign.simulators import Words
from tests.connect.maps import OWN, map_text
from tests.connect.test_drives import Taken
from tests.connect.test_foreign import MAPS

CAR = {"X": 0.0, "Y": 0.0, "H": 0.0, "V": 20.0, "A": 0.0}


def test_bits_and_masks_by_hand() -> None:
    assert [bits_in(0x53, 0xF0), bits_in(0x53, 0x0F), bits_in(0x53, 1 << 4), bits_in(0x53, 1 << 5)] == [5, 3, 1, 0]
    assert [bits_in(83.0, 0xF0), bits_in("83", 0xF0), bits_in(True, 1)] == [5, 5, 1]
    assert bits_in(1 << 63, 1 << 63) == 1
    assert math.isnan(bits_in(83.5, 0xF0))
    assert math.isnan(bits_in(None, 1))
    assert [code_in(one) for one in ("03", "3.0", 3, 3.0, "3a", "-0", "gate", True)] == [
        "3",
        "3",
        "3",
        "3",
        "3a",
        "0",
        "gate",
        "true",
    ]


def drive(channels: ChannelMap, samples: Sequence[Mapping[str, object]]) -> Taken:
    sent = Taken()
    translation = Translation(channels, sent, lambda number: f"run-{number}")
    for sample in samples:
        translation.take(Sample(sample))
    return sent


def test_a_bit_of_a_wide_word_in_a_signal_a_marker_and_a_presence() -> None:
    more = """
[signals.eyes_on_road]
from = "W"
bit = 0
[signals.gear]
from = "W"
mask = 0x70
[[vehicle]]
id = 7
present = { from = "W", bit = 7 }
x = "X"
y = "Y"
heading = "H"
speed = "V"
accel = "A"
length = { constant = 4.6 }
width = { constant = 1.8 }
[[marker]]
kind = "trigger"
name = "gate"
when = "rises"
from = "W"
bit = 3
"""
    words = [0x00, 0x09, 0xB9, 0x30, 0xB8]
    sent = drive(parse_map(map_text(more=more)), [{"T": i / 60, "W": word} | CAR for i, word in enumerate(words)])
    channels = parse_map(map_text(more=more))
    found = [Converter(channels).convert(Sample({"T": 0.0, "W": word} | CAR), 0.0) for word in words]
    assert [one.signals["eyes_on_road"] for one in found] == [0, 1, 1, 0, 0]
    assert [one.signals["gear"] for one in found] == [0, 0, 3, 3, 3]
    assert [len(one.others.get("id", ())) for one in found] == [0, 0, 1, 0, 1]
    assert sent.markers == [("trigger", "gate", 1 / 60, None), ("trigger", "gate", 4 / 60, None)]


def test_slots_that_are_used_and_slots_that_are_not() -> None:
    more = """
[vehicles]
rows = "slots"
present = "used"
x = "x"
y = "y"
heading = { constant = 0 }
speed = "v"
accel = { not_measured = true }
length = { constant = 4.6 }
width = { constant = 1.8 }
"""
    slots = [{"used": 1, "x": 30.0, "y": 0.0, "v": 19.0}, {"used": 0, "x": 0.0, "y": 0.0, "v": 0.0}]
    slots.append({"used": 1, "x": 90.0, "y": 3.5, "v": 25.0})
    channels = parse_map(map_text(more=more))
    others = Converter(channels).convert(Sample({"T": 0.0, "slots": slots} | CAR), 0.0).others
    assert others["id"] == [1, 3]  # the number of the slot
    assert others["x"].tolist() == [30.0, 90.0]
    none = [one | {"used": 0} for one in slots]
    assert Converter(channels).convert(Sample({"T": 0.0, "slots": none} | CAR), 0.0).others == {}


def test_a_time_in_seconds_and_nanoseconds() -> None:
    time = 'from = "S"\nnanoseconds = "N"\nwall = { from = "WS", nanoseconds = "WN" }'
    sample = Sample({"S": 12, "N": 345_678_901, "WS": 1_700_000_000, "WN": 500_000_000} | CAR)
    converter = Converter(parse_map(map_text(time=time)))
    t = converter.time_of(sample)
    assert t == pytest.approx(12.345678901, abs=1e-12)
    assert converter.convert(sample, t).wall == 1_700_000_000.5
    assert math.isnan(converter.time_of(Sample({"S": 12} | CAR)))
    with pytest.raises(MapFaults, match="expected whole seconds beside it"):
        parse_map(map_text(time='from = "S"\nunit = "ms"\nnanoseconds = "N"'))


@pytest.mark.parametrize(
    "payload", [b"{", b"[1]", b'"a"', b"\xff", b"[" * 100_000, b"", b'{"a": ' + b"1" * 10_000 + b"}"]
)
def test_what_is_no_json_object_is_refused_in_one_sentence(payload: bytes) -> None:
    with pytest.raises(MapRefused) as refused:
        read_map(payload, "json")
    assert "\n" not in str(refused.value)


def test_a_json_object_has_its_numbers_and_says_what_is_not_measured() -> None:
    values = read_map(
        json.dumps({"car": {"pos": [1.5, 2]}, "v": math.nan, "flag": True, "none": None}).encode(), "json"
    )
    assert values["car"] == {"pos": [1.5, 2]}
    assert math.isnan(values["v"])
    assert (values["flag"], values["none"]) == (True, None)


def test_datagrams_of_one_object_each_need_no_layout() -> None:
    source = parse_map(map_text(source='kind = "udp"\nformat = "json"')).source
    assert isinstance(source, UdpSource)
    assert source.layout == "json"
    assert MapReader("json").read(b'{"T": 1.5, "X": 2}') == {"T": 1.5, "X": 2}
    with pytest.raises(MapFaults, match="expected either format or a packed structure"):
        parse_map(map_text(source='kind = "udp"\nformat = "json"\nfields = ["f64 T"]'))


# Byte order.

FIELDS = 'byte_order = "{}"\nfields = ["f64 T", "f32 X", "f32 Y", "f32 H", "f32 V", "f32 A", "u32 N"]'


def layout(order: str, more: str = "") -> Layout:
    source = parse_map(map_text(OWN, source='kind = "udp"\n' + FIELDS.format(order) + more)).source
    assert isinstance(source, UdpSource)
    assert isinstance(source.layout, Layout)
    return source.layout


def packets(mark: str, count: int = 64) -> list[bytes]:
    return [struct.pack(mark + "d5fI", i / 60, 22.5 * i, 1.75, 0.1, 22.5, -0.3, i) for i in range(count)]


@pytest.mark.parametrize(("order", "mark"), [("little", "<"), ("big", ">")])
def test_the_right_byte_order_is_not_doubted_and_the_wrong_one_is(order: str, mark: str) -> None:
    other = "big" if order == "little" else "little"
    assert other_order_doubt(layout(order), packets(mark)) == ""
    assert f'The packets look like byte_order = "{order}"' in other_order_doubt(layout(other), packets(mark))
    assert other_order_doubt(layout(other), packets(mark, count=1)) == ""  # too few to say


def test_a_reader_says_so_once_enough_packets_have_come_and_warns_of_nothing() -> None:
    reader = PacketReader(layout("little"))
    for packet in packets(">"):
        reader.read(packet)
    assert 'byte_order = "big"' in reader.doubt
    channels = parse_map(map_text(OWN, source='kind = "udp"\n' + FIELDS.format("little")))
    with np.errstate(all="raise"):
        drive(channels, [reader.read(packet) for packet in packets(">")])


def test_a_drive_in_the_wrong_byte_order_is_judged_dry_to_one_fault_and_no_crash() -> None:
    """Times leap to 1e190 s and back, positions are anything: the doubt of the byte order comes first."""
    channels = load_map(MAPS / "words.toml")
    assert isinstance(channels.source, UdpSource)
    assert isinstance(channels.source.layout, Layout)
    wrong = replace(channels.source.layout, byte_order="<", must_be={})
    reader, made = PacketReader(wrong), Words()
    channels = replace(channels, source=replace(channels.source, layout=wrong))
    dry = DryJudging(load_study(STUDY), [channels])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for number, step in enumerate(ridge.drive("clean", 20.0)):
            dry.take([Sample(reader.read(made.packet(number, step)))])
        dry.stop()
        report = dry.report("there", 0, "", [reader.doubt])
    assert 'byte_order = "big"' in report.faults[0]
    assert report.drives > 100


def test_a_field_that_must_be_something_says_that_it_is_so_the_other_way_round() -> None:
    reader = PacketReader(layout("little", "\nmust_be = { N = 7 }"))
    with pytest.raises(
        PacketRefused, match="`N` is 117440512 where the map says it must be 7, as it is in the other byte"
    ):
        reader.read(packets(">")[7])

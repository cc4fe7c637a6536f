"""Frames read many at once give what decoding each of them gives, for every payload and every order."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Sequence
from typing import Any

import msgpack
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import monitor.feed.decode
from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame
from monitor.feed.template import Templates
from monitor.judging.case.columns import build_block
from monitor.judging.case.frame_tables import FEW, SHORT, FrameRun, pieces_of
from monitor.measures.columns import FrameBlock, slice_block
from monitor.record.entries import Entry, EntryKind, pack_frames, unpack_frames
from monitor.simulation.plan import SimulationPlan
from tests.judging.simulated import entries_of

OWN = {"x": 1.5, "y": 2.5, "heading": 0.1, "speed": 20.5, "accel": -0.5, "length": 4.6, "width": 1.8, "lane": 1}


@pytest.fixture(autouse=True)
def fresh(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(monitor.feed.decode, "_TEMPLATES", Templates())


def fields_of(step: int, *, packed: bool = True, **changes: Any) -> dict[str, Any]:
    columns = {name: [value + index + 0.25 * step for index in range(3)] for name, value in OWN.items()}
    others: dict[str, Any] = {"id": [7, 800, -9], **columns}
    if packed:
        others = {name: np.array(column, "<i8" if name == "id" else "<f8").tobytes() for name, column in others.items()}
    own = {**OWN, "x": 0.5 + step, "wiper": 2.5 * step}
    fields = {"v": 1, "run": "r", "seq": 1000 + step, "t": step / 60, "own": own}
    others = {**others, "name": ["van", None, "bus"]}
    return {**fields, "others": others, "signals": {"eyes_on_road": True, "gust": 0.5}, "markers": 3, **changes}


def entries(payloads: Sequence[bytes]) -> list[Entry]:
    return [
        Entry(EntryKind.MESSAGE, number, number, number, pack_frames([b"frame", payload]))
        for number, payload in enumerate(payloads, start=1)
    ]


def frames_in(taken: Sequence[Entry]) -> list[Frame]:
    decoded = [decode_message(unpack_frames(entry.payload)) for entry in taken]
    return [one for one in decoded if isinstance(one, Frame)]


def assert_same(one: object, other: object) -> None:
    """Equal in every value and kind; NaN equals NaN."""
    if isinstance(one, dict) and isinstance(other, dict):
        assert one.keys() == other.keys()
        for key in one:
            assert_same(one[key], other[key])
    elif isinstance(one, np.ndarray) and isinstance(other, np.ndarray):
        assert one.dtype == other.dtype
        np.testing.assert_array_equal(one, other, strict=True)
    elif dataclasses.is_dataclass(one):
        for part in dataclasses.fields(one):
            assert_same(getattr(one, part.name), getattr(other, part.name))
    else:
        assert one == other


def rows_of(given_entries: list[Entry]) -> int:
    """Checks the pieces against decoding one by one; gives how many frames were rows."""
    numbers, rows = [], 0
    by_number = {entry.number: entry for entry in given_entries}
    for piece in pieces_of(given_entries):
        if isinstance(piece, Entry):
            numbers.append(piece.number)
            continue
        here = piece.table.number[piece.first : piece.stop].tolist()
        frames = frames_in([by_number[number] for number in here])
        assert [frame.run for frame in frames] == [piece.run] * len(here)
        assert_same(cut(piece), build_block(frames, here))
        assert piece.last is by_number[here[-1]]
        numbers += here
        rows += len(here)
    assert numbers == [entry.number for entry in given_entries]
    return rows


def cut(piece: FrameRun) -> FrameBlock:
    return slice_block(piece.table, piece.first, piece.stop)


@pytest.mark.parametrize("packed", [True, False], ids=["bytes", "arrays"])
def test_frames_of_one_shape_are_rows_of_one_table(packed: bool) -> None:
    given_entries = entries([msgpack.packb(fields_of(step, packed=packed)) for step in range(40)])
    assert rows_of(given_entries) == 40


@pytest.mark.parametrize(("size", "count"), [(5, 600), (12, 600), (700, 2000)])
def test_a_simulated_drive_is_read_as_one_by_one(size: int, count: int) -> None:
    """A live run's handfuls are decoded singly, which costs less than a table of so few."""
    whole = entries_of(SimulationPlan(extra_vehicles=4))[:count]
    rows = sum(rows_of(whole[at : at + size]) for at in range(0, count, size))
    assert rows == 0 if size <= FEW else rows > 0.4 * count


values = st.floats(width=32) | st.integers(-300, 2**40) | st.none() | st.booleans() | st.just(0) | st.just("text")


@st.composite
def changed(draw: st.DrawFn) -> dict[str, Any]:
    """A change that a frame may have against the others, sane or not."""
    place = draw(st.sampled_from(["own", "signals", "others", "top"]))
    if place == "top":
        return {draw(st.sampled_from(["seq", "t", "markers", "wall", "run", "extra"])): draw(values)}
    name = draw(st.sampled_from(["speed", "lane", "eyes_on_road", "new", "id"]))
    if place == "others":
        wide = draw(st.lists(st.integers(-5, 5), min_size=3, max_size=3))
        return {place: {**fields_of(0)["others"], name: np.array(wide, "<i8" if name == "id" else "<f8").tobytes()}}
    return {place: {**fields_of(0)[place], name: draw(values)}}


@settings(max_examples=150, deadline=None)
@given(
    changes=st.lists(changed(), min_size=1, max_size=4),
    which=st.lists(st.integers(0, 4), min_size=1, max_size=60),
    packed=st.booleans(),
    single=st.booleans(),
)
def test_any_mixture_of_shapes_is_read_as_one_by_one(
    changes: list[dict[str, Any]], which: list[int], packed: bool, single: bool
) -> None:
    monitor.feed.decode._TEMPLATES = Templates()
    payloads = []
    for step, number in enumerate(which):
        change = changes[number - 1] if 0 < number <= len(changes) else {}
        payloads.append(msgpack.packb(fields_of(step, packed=packed, **change), use_single_float=single))
    rows_of(entries(payloads))


def test_any_byte_changed_is_read_as_one_by_one() -> None:
    """Each byte of a frame changed in turn, among frames that are whole."""
    draw = random.Random(3)
    whole = [msgpack.packb(fields_of(step)) for step in range(2 * SHORT + 1)]
    before, one, after = whole[:SHORT], whole[SHORT], whole[SHORT + 1 :]
    for place in range(len(one)):
        for byte in {draw.randrange(256), draw.choice([one[place] ^ 1, 0xC0, 0xFF])}:
            rows = rows_of(entries([*before, one[:place] + bytes([byte]) + one[place + 1 :], *after]))
            assert rows >= 2 * SHORT


def test_frames_of_ever_other_shapes_are_left_to_be_decoded_and_the_work_is_bounded() -> None:
    given_entries = entries([msgpack.packb(fields_of(step, run=f"run {step:04}")) for step in range(200)])
    assert rows_of(given_entries) == 0

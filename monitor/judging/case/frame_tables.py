"""Frames of one shape read many at once: columns straight out of the bytes, and no object for each frame.

A simulator sends the same map every step, so that in a block of entries nearly all frames differ only in their values
(see `monitor.feed.template`). Their payloads are laid under one another, and each column is cut out of all of them at
once. It gives what `build_block` gives of the decoded frames, for a fraction of the work; whatever is of another shape,
or has something that has to be looked at, is left to be decoded by itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from monitor.feed.decode import shape_of
from monitor.feed.template import Template, Value
from monitor.judging.case.columns import only_measured
from monitor.measures.columns import (
    OTHER_CHANNELS,
    OWN_CHANNELS,
    BoolArray,
    FloatArray,
    FrameBlock,
    IntArray,
    OtherRows,
)
from monitor.record.entries import Entry, EntryKind, pack_frames

SHORT = 4
"""A shorter run of table rows between other messages is decoded singly: cutting it out costs as much as five frames."""
FEW = 6
"""In a block with no more frames than this, as a live run brings them, each is decoded singly: a table of six costs as
much."""

SHAPES = 8
"""Shapes looked for among the frames of one length in a block, which bounds the work for those of ever other shapes."""

_HEAD = pack_frames([b"frame", b""])[:-4]
Bytes = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class FrameRun:
    """Frames that came one after the other: rows `first` … `stop` − 1 of a table. `last` is the entry of the last."""

    run: str
    table: FrameBlock
    first: int
    stop: int
    last: Entry


def pieces_of(entries: Sequence[Entry]) -> Iterator[Entry | FrameRun]:
    """The entries in order, those of most frames as rows of tables."""
    by_size: dict[int, list[int]] = {}
    for index, entry in enumerate(entries):
        if entry.kind is EntryKind.MESSAGE and entry.payload.startswith(_HEAD):
            by_size.setdefault(len(entry.payload), []).append(index)
    if sum(map(len, by_size.values())) <= FEW:
        yield from entries
        return
    runs: dict[int, FrameRun] = {}
    for alike in by_size.values():
        for table in _tables(entries, alike):
            for first, stop in _consecutive(table.indices):
                if stop - first >= SHORT:
                    last = entries[table.indices[stop - 1]]
                    runs[table.indices[first]] = FrameRun(table.run, table.block, first, stop, last)
    at = 0
    while at < len(entries):
        run = runs.get(at)
        yield entries[at] if run is None else run
        at += 1 if run is None else run.stop - run.first


def _consecutive(indices: list[int]) -> Iterator[tuple[int, int]]:
    """Begin and end of each stretch of rising numbers without a gap."""
    bounds = [0, *(np.flatnonzero(np.diff(indices) != 1) + 1).tolist(), len(indices)]
    return pairwise(bounds)


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    run: str
    block: FrameBlock
    indices: list[int]
    """Which of the entries its rows are."""


def _tables(entries: Sequence[Entry], alike: list[int]) -> Iterator[_Table]:
    """Tables of the frames in entries of one length, one for each shape as long as that is worth while."""
    for _ in range(SHAPES):
        if not alike:
            return
        template = shape_of(entries[alike[0]].payload[len(_HEAD) + 4 :], len(alike))
        if template is None:
            return
        reader = _reader_of(template)
        table, fits = reader.lay(b"".join([entries[index].payload for index in alike]), len(alike))
        taken = [index for index, good in zip(alike, fits.tolist(), strict=True) if good]
        if taken:
            numbers = np.array([entries[index].number for index in taken], np.int64)
            yield _Table(template.frame.run, reader.read(table[fits], numbers), taken)
        alike = [index for index, good in zip(alike[1:], fits[1:].tolist(), strict=True) if not good]


class _Reader:
    """Where everything stands in the entries of frames of one shape."""

    def __init__(self, template: Template) -> None:
        sample = np.frombuffer(pack_frames([b"frame", template.payload]), np.uint8)
        self._size = len(sample)
        self._like = template.frame
        begin = self._size - template.size
        fixed = np.ones(self._size, np.bool_)
        singles: dict[tuple[str, str], tuple[slice, str]] = {}
        doubles: dict[tuple[str, str], int] = {}
        self._columns: dict[str, tuple[slice, bool]] = {}
        for value in template.values:
            place = slice(begin + value.start, begin + value.start + _width(value))
            fixed[place] = False
            if value.group == "others":
                self._columns[value.name] = (place, value.is_array)
                if value.is_array:
                    fixed[place][::9] = True  # the kind byte before each of them
            elif value.code == "d":
                doubles[value.group, value.name] = place.start
            else:
                singles[value.group, value.name] = (place, f">{value.code}")
        self._fixed = np.flatnonzero(fixed)
        self._expected = sample[self._fixed]
        self._doubles = {key: row for row, key in enumerate(doubles)}
        # msgpack numbers are big-endian: the bytes of each are gathered from the last to the first
        self._double_bytes = np.array([start + 7 - byte for start in doubles.values() for byte in range(8)], np.int64)
        self._singles = singles
        self._vehicles = len(self._like.ids) // 8

    def lay(self, joined: bytes, count: int) -> tuple[Bytes, BoolArray]:
        """The payloads of entries under one another, and which of them are of this shape and need no second look."""
        table = np.frombuffer(joined, np.uint8).reshape(count, self._size)
        fits = np.asarray((table.take(self._fixed, axis=1) == self._expected).all(axis=1))
        numbers = self._double_table(table)
        for key in (("t", ""), ("wall", "")):
            if key in self._doubles:
                fits &= np.isfinite(numbers[self._doubles[key]])
        fits &= self._whole(table, "markers") >= 0  # else another kind of number than the one byte that stood there
        ids = self._ids(table)
        if ids is not None:
            if self._like.names is not None:
                fits &= (ids == ids[:1]).all(axis=1)  # so that a table has one name for each id
            ordered = np.sort(ids[:1] if (ids == ids[:1]).all() else ids, axis=1)
            fits &= (ordered[:, 1:] != ordered[:, :-1]).all(axis=1)
        return table, fits

    def read(self, table: Bytes, numbers: IntArray) -> FrameBlock:
        """The rows as a block; they have to fit."""
        count, like = len(table), self._like
        doubles = only_measured(self._double_table(table))

        def column(group: str, name: str, otherwise: float) -> FloatArray:
            if (group, name) in self._doubles:
                row: FloatArray = doubles[self._doubles[group, name]]
                return row
            if (group, name) in self._singles:
                return only_measured(self._single(table, group, name).astype(np.float64))
            return only_measured(np.full(count, float(otherwise)))

        own = {name: column("own", name, value) for name, value in like.own.items()}
        for name in OWN_CHANNELS:
            if name not in own:
                own[name] = np.full(count, math.nan)
        return FrameBlock(
            number=numbers,
            seq=self._whole(table, "seq"),
            t=column("t", "", math.nan),
            wall=column("wall", "", math.nan if like.wall is None else like.wall),
            markers=self._whole(table, "markers"),
            own=own,
            signals={name: column("signals", name, value) for name, value in like.signals.items()},
            others=self._others(table),
        )

    def _others(self, table: Bytes) -> OtherRows:
        count, vehicles, like = len(table), self._vehicles, self._like
        ids = self._ids(table)
        if ids is None:
            ids = np.tile(np.frombuffer(like.ids, "<i8").astype(np.int64), (count, 1))
        label: IntArray | None = None
        labels: tuple[str, ...] = ()
        names: dict[int, str] = {}
        if like.names is not None:
            known: dict[str, int] = {}
            indices = [-1 if name is None else known.setdefault(name, len(known)) for name in like.names]
            label, labels = np.tile(np.array(indices, np.int64), count), tuple(known)
            pairs = zip(ids[0].tolist(), like.names, strict=True)
            names = {number: name for number, name in pairs if name is not None}
        return OtherRows(
            start=np.arange(count + 1, dtype=np.int64) * vehicles,
            id=ids.reshape(-1),
            channels={name: self._channel(table, name) for name in OTHER_CHANNELS},
            names=names,
            label=label,
            labels=labels,
        )

    def _channel(self, table: Bytes, name: str) -> FloatArray:
        if name not in self._columns:
            given = self._like.columns.get(name)
            if given is None:
                return np.full(len(table) * self._vehicles, math.nan)
            return only_measured(np.tile(np.frombuffer(given, "<f8").astype(np.float64), len(table)))
        place, is_array = self._columns[name]
        if is_array:
            bodies = table[:, place].reshape(len(table), self._vehicles, 9)[:, :, 1:]
            values = np.ascontiguousarray(bodies).view(">f8")
        else:
            values = np.ascontiguousarray(table[:, place]).view("<f8")
        return only_measured(values.reshape(-1).astype(np.float64))

    def _ids(self, table: Bytes) -> IntArray | None:
        """Ids of each row's vehicles, shape (n, vehicles); None where they belong to the shape."""
        if "id" not in self._columns:
            return None
        place, _ = self._columns["id"]
        return np.ascontiguousarray(table[:, place]).view("<i8").astype(np.int64)

    def _double_table(self, table: Bytes) -> FloatArray:
        """One row for each of the numbers that are doubles."""
        gathered = np.asarray(table.take(self._double_bytes, axis=1))
        return np.ascontiguousarray(gathered.view("<f8").T.astype(np.float64))

    def _single(self, table: Bytes, group: str, name: str) -> npt.NDArray[np.generic]:
        place, kind = self._singles[group, name]
        return np.ascontiguousarray(table[:, place]).view(kind).reshape(-1)

    def _whole(self, table: Bytes, name: str) -> IntArray:
        """`seq` or `markers` of each row."""
        if (name, "") in self._singles:
            return self._single(table, name, "").astype(np.int64)
        return np.full(len(table), getattr(self._like, name), np.int64)


_reader_of = lru_cache(maxsize=16)(_Reader)


def _width(value: Value) -> int:
    """Bytes of a value's body."""
    return int(value.code[:-1]) if value.code.endswith("s") else np.dtype(value.code).itemsize

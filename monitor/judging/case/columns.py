"""Decoded frames as columns, a whole block in one pass over each channel."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import chain

import numpy as np

from monitor.feed.schema import Frame, Hello
from monitor.measures.columns import (
    OTHER_CHANNELS,
    OWN_CHANNELS,
    FloatArray,
    FrameBlock,
    IntArray,
    OtherRows,
    Road,
)

FILLED = 1e30
"""No number of a feed is so large, in any unit: it stands for a value that is not there, as the largest float32 and
float64 (3.4e38, 1.8e308) do in some feeds (common practice, no source)."""

_NAN = np.array([math.nan], "<f8").tobytes()
_NO_LABEL = np.array([-1], "<i8").tobytes()


def build_block(frames: Sequence[Frame], numbers: Sequence[int]) -> FrameBlock:
    """The frames of one drive as a block; `numbers` are those of the record's entries that they came in.

    NaN, infinities and what is `FILLED` in become NaN: not measured. A signal that no frame of the block has is not in
    `signals`.
    """
    own = _named_columns([frame.own for frame in frames])
    for name in OWN_CHANNELS:
        if name not in own:
            own[name] = np.full(len(frames), math.nan)
    return FrameBlock(
        number=np.array(numbers, np.int64),
        seq=np.array([frame.seq for frame in frames], np.int64),
        t=np.array([frame.t for frame in frames], np.float64),
        wall=_finite([math.nan if frame.wall is None else frame.wall for frame in frames]),
        markers=np.array([frame.markers for frame in frames], np.int64),
        own=own,
        signals=_named_columns([frame.signals for frame in frames]),
        others=_other_rows(frames),
    )


def road_of(hello: Hello) -> Road | None:
    """The road of a drive for the measures, or None where the simulator gives none."""
    if hello.road is None:
        return None
    line = hello.road
    return Road(np.array(line.x, np.float64), np.array(line.y, np.float64), line.lane_width, line.lanes)


def _named_columns(maps: Sequence[Mapping[str, float]]) -> dict[str, FloatArray]:
    """A column for each name that any of the maps has, NaN where one has it not; in order of appearance."""
    if not maps:
        return {}
    names = tuple(maps[0])
    if all(tuple(one) == names for one in maps):  # the usual case: one table instead of a lookup for each number
        numbers = chain.from_iterable([one.values() for one in maps])
        table = np.fromiter(numbers, np.float64, count=len(maps) * len(names)).reshape(len(maps), len(names))
        columns = only_measured(np.ascontiguousarray(table.T))
        return dict(zip(names, columns, strict=True))
    every = dict.fromkeys(name for one in maps for name in one)
    return {name: _finite([one.get(name, math.nan) for one in maps]) for name in every}


def _finite(values: Sequence[float]) -> FloatArray:
    column = np.array(values, np.float64)
    return only_measured(column)


def only_measured(column: FloatArray) -> FloatArray:
    """The same array, with NaN for infinities and for what is `FILLED` in."""
    filled = np.abs(column) >= FILLED
    if filled.any():
        column[filled] = math.nan
    return column


def _other_rows(frames: Sequence[Frame]) -> OtherRows:
    counts = np.array([len(frame.ids) // 8 for frame in frames], np.int64)
    start = np.zeros(len(frames) + 1, np.int64)
    np.cumsum(counts, out=start[1:])
    ids = np.frombuffer(b"".join([frame.ids for frame in frames]), "<i8").astype(np.int64)
    channels = {name: _other_channel(frames, name) for name in OTHER_CHANNELS}
    label, labels = _labels(frames)
    return OtherRows(start, ids, channels, _last_names(frames), label, labels)


def _other_channel(frames: Sequence[Frame], name: str) -> FloatArray:
    try:
        joined = b"".join([frame.columns[name] for frame in frames])
    except KeyError:
        joined = b"".join([frame.columns.get(name) or _NAN * (len(frame.ids) // 8) for frame in frames])
    return only_measured(np.frombuffer(joined, "<f8").astype(np.float64))


def _labels(frames: Sequence[Frame]) -> tuple[IntArray | None, tuple[str, ...]]:
    """For each row the index of its name, −1 where it has none; None where no frame of the block has names."""
    if all(frame.names is None for frame in frames):
        return None, ()
    known: dict[str, int] = {}
    pieces = []
    last: tuple[str | None, ...] | None = None
    piece = b""
    for frame in frames:
        if frame.names is None:
            pieces.append(_NO_LABEL * (len(frame.ids) // 8))
            continue
        if frame.names != last:  # the same vehicles come frame after frame
            last = frame.names
            indices = [-1 if name is None else known.setdefault(name, len(known)) for name in last]
            piece = np.array(indices, "<i8").tobytes()
        pieces.append(piece)
    return np.frombuffer(b"".join(pieces), "<i8").astype(np.int64), tuple(known)


def _last_names(frames: Sequence[Frame]) -> dict[int, str]:
    """Vehicle id → its last name in the block."""
    names: dict[int, str] = {}
    last: tuple[bytes, tuple[str | None, ...] | None] | None = None
    for frame in frames:
        if frame.names is not None and (frame.ids, frame.names) != last:
            last = (frame.ids, frame.names)
            pairs = zip(np.frombuffer(frame.ids, "<i8").tolist(), frame.names, strict=True)
            names.update((number, name) for number, name in pairs if name is not None)
    return names

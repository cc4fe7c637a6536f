"""The columns of a record kept beside it, so that judging it again need not read, check and unpack it again.

`columns.cache` in a record's directory is `MAGIC`, chunks, the tail and the foot. The foot says where the tail begins,
and seals it; the tail is a msgpack map: `fits` (record's digest and files, program that measures, and which key seals
it: what all that has to be), `damage`, `state` and `digest` of the record, and for each chunk its length and seal.
A seal covers what it fits, the chunk's number and its bytes (see `cache_seal`), so that no chunk is believed that was
changed, or is of another record. A chunk is a msgpack map:

| key        | is                                                                                                 |
| ---------- | -------------------------------------------------------------------------------------------------- |
| `pieces`   | in order: an entry of the record as it was, or [first, stop] of the chunk's frames                   |
| `run`      | of those frames                                                                                    |
| `columns`  | of those frames, as they were measured                                                             |
| `received` | of those frames: monotonic and wall times of receipt                                               |
| `further`  | of further sources, in order for each: entries as they were, or the samples of a run as columns      |
| `silent`   | numbers and receive times of entries that say nothing new: ticks and repeated hellos               |

The other vehicles' columns, four fifths of all, are not kept but for the lead's: they are decoded from the record where
a window looks at them. The file may be deleted at any time, decides nothing, and is made again wherever anything of it
does not fit. A bit that rots in the record's own files does not show here; `verify` is for that, and compares the cache
with them.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, BinaryIO

import msgpack
import numpy as np

from monitor.archive.cache_seal import SEAL_BYTES, key_mark, seal_holds, seal_of
from monitor.judging.case.blocks import KeptSamples, MeasuredBlock
from monitor.measures.columns import OTHER_CHANNELS, FloatArray, FrameBlock, IntArray, OtherRows
from monitor.measures.gap import PairMeasures
from monitor.measures.measured import Measured

CACHE_NAME = "columns.cache"
MAGIC = b"TWCOLS3\n"
CHUNK_FRAMES = 2048
"""Frames of a chunk: half a minute at 60 Hz, as much as the window of a trial looks at."""
MOST_BYTES = 64 << 20
"""A chunk that says it is longer is none of ours (ours have about 1 MiB)."""

_FOOT = struct.Struct(f"<Q{SEAL_BYTES}s")
FOOT_BYTES = _FOOT.size


class ColumnsUnfit(Exception):
    """Raised where the kept columns cannot be used; the record has to be read."""


class Seals:
    """The seals of a cache's chunks, one after the other, and of its tail. `fits` is what it has to fit."""

    def __init__(self, fits: dict[str, Any]) -> None:
        self._fits: bytes = msgpack.packb(fits)
        self._number = 0

    @property
    def can_be_made(self) -> bool:
        """Whether there is a key."""
        return key_mark() is not None

    def next(self, chunk: bytes) -> bytes:
        """The seal of the next chunk."""
        return seal_of(chunk, self._about_next()) or b""

    def holds(self, seal: object, chunk: bytes) -> bool:
        """Whether the next chunk is what was written there."""
        return seal_holds(seal, chunk, self._about_next())

    def foot(self, tail_at: int, tail: bytes) -> bytes:
        """Where the tail begins, and its seal."""
        return _FOOT.pack(tail_at, seal_of(tail, self._about_tail(tail_at)) or b"")

    def holds_tail(self, foot: bytes, tail: bytes) -> bool:
        """Whether the tail is what was written there."""
        tail_at, seal = _FOOT.unpack(foot)
        return seal_holds(seal, tail, self._about_tail(tail_at))

    def _about_next(self) -> bytes:
        self._number += 1
        return self._number.to_bytes(8, "little") + self._fits

    def _about_tail(self, tail_at: int) -> bytes:
        return b"tail" + tail_at.to_bytes(8, "little") + self._fits


def tail_of(file: BinaryIO) -> tuple[bytes, bytes]:
    """Tail and foot of a cache. Raises `ColumnsUnfit` where there are none."""
    size = file.seek(0, 2)
    file.seek(max(size - FOOT_BYTES, 0))
    foot = file.read(FOOT_BYTES)
    tail_at = _FOOT.unpack(foot)[0] if len(foot) == FOOT_BYTES else size
    if not len(MAGIC) <= tail_at <= size - FOOT_BYTES or size - tail_at > MOST_BYTES:
        raise ColumnsUnfit
    file.seek(tail_at)
    return file.read(size - FOOT_BYTES - tail_at), foot


def pack_block(blocks: list[MeasuredBlock]) -> dict[str, Any]:
    """The columns of neighbouring blocks of one shape; of the other vehicles the lead's alone."""
    frames = [block.frames for block in blocks]
    rows = np.cumsum([0, *(int(block.others.start[-1]) for block in frames)])[:-1]
    leads = {name: np.concatenate([block.lead_channel(name) for block in blocks]) for name in OTHER_CHANNELS}
    return {
        **_pack_frames(frames),
        "own": {name: _joined([block.own[name] for block in frames]) for name in frames[0].own},
        "vehicles": _joined([np.diff(block.others.start) for block in frames]),
        "lead_row": _joined(
            [np.where(one.lead_row >= 0, one.lead_row + row, -1) for one, row in zip(blocks, rows, strict=True)]
        ),
        "lead_id": _joined([block.lead_id for block in blocks]),
        "lead_channels": {name: None if np.isnan(column).all() else column.tobytes() for name, column in leads.items()},
        "lead": _pack_measures([block.lead for block in blocks]),
        "lateral": _pack_measures([block.lateral for block in blocks]),
    }


def unpack_block(columns: dict[str, Any], others: Callable[[IntArray, IntArray], OtherRows]) -> MeasuredBlock:
    """The block that `pack_block` packed; `others` gives the vehicles of frames by their entries' numbers, shape (n,),
    and where each frame's begin, shape (n + 1,)."""

    def measures(name: str) -> dict[str, Measured]:
        return {one: Measured(_floats(v), np.frombuffer(s, np.uint8)) for one, (v, s) in columns[name].items()}

    number, vehicles = _whole(columns["number"]), _whole(columns["vehicles"])
    start = np.zeros(len(number) + 1, np.int64)
    np.cumsum(vehicles, out=start[1:])
    own = {name: _floats(data) for name, data in columns["own"].items()}
    nothing = np.full(len(number), np.nan)
    leads = {name: nothing if data is None else _floats(data) for name, data in columns["lead_channels"].items()}
    return MeasuredBlock(
        frames=_unpack_frames(columns, own, others(number, start)),
        lead_row=_whole(columns["lead_row"]),
        lead_id=_whole(columns["lead_id"]),
        lead=PairMeasures(None, measures("lead")),
        lateral=measures("lateral"),
        road=None,
        lead_channels=leads,
    )


def pack_samples(samples: KeptSamples) -> dict[str, Any]:
    """Samples of a further source as bytes."""
    received = [samples.monotonic_ns.tobytes(), samples.wall_ns.tobytes()]
    return {"place": samples.place, "run": samples.run, "received": received, **_pack_frames([samples.frames])}


def unpack_samples(columns: dict[str, Any]) -> KeptSamples:
    """The samples that `pack_samples` packed."""
    frames = _unpack_frames(columns, {}, _no_vehicles(len(_whole(columns["number"]))))
    return KeptSamples(columns["place"], columns["run"], frames, *map(_whole, columns["received"]))


def without_vehicles(frames: FrameBlock) -> FrameBlock:
    """Frames of a further source without its car and what is about it."""
    return replace(frames, own={}, others=_no_vehicles(len(frames)))


def _no_vehicles(count: int) -> OtherRows:
    return OtherRows(np.zeros(count + 1, np.int64), np.empty(0, np.int64), {}, {})


def _pack_frames(frames: list[FrameBlock]) -> dict[str, Any]:
    return {
        "number": _joined([block.number for block in frames]),
        "seq": _joined([block.seq for block in frames]),
        "t": _joined([block.t for block in frames]),
        "wall": _joined([block.wall for block in frames]),
        "markers": _joined([block.markers for block in frames]),
        "signals": {name: _joined([block.signals[name] for block in frames]) for name in frames[0].signals},
    }


def _unpack_frames(columns: dict[str, Any], own: dict[str, FloatArray], others: OtherRows) -> FrameBlock:
    return FrameBlock(
        number=_whole(columns["number"]),
        seq=_whole(columns["seq"]),
        t=_floats(columns["t"]),
        wall=_floats(columns["wall"]),
        markers=_whole(columns["markers"]),
        own=own,
        signals={name: _floats(data) for name, data in columns["signals"].items()},
        others=others,
    )


def _joined(parts: list[Any]) -> bytes:
    return np.concatenate(parts).tobytes()


def _pack_measures(parts: Sequence[Mapping[str, Measured]]) -> dict[str, list[bytes]]:
    return {
        name: [_joined([one[name].value for one in parts]), _joined([one[name].state for one in parts])]
        for name in parts[0]
    }


def _floats(data: bytes) -> FloatArray:
    return np.frombuffer(data, np.float64)


def _whole(data: bytes) -> IntArray:
    return np.frombuffer(data, np.int64)

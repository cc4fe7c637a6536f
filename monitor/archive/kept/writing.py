"""Keeping the columns of a record while it is being judged for the first time."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import msgpack
import numpy as np

from monitor.archive.kept.layout import (
    CACHE_NAME,
    CHUNK_FRAMES,
    MAGIC,
    Seals,
    pack_block,
    pack_samples,
    without_vehicles,
)
from monitor.archive.program import columns_fit
from monitor.judging.case.blocks import KeptSamples, MeasuredBlock
from monitor.judging.case.frame_tables import FrameRun, pieces_of
from monitor.measures.columns import slice_block
from monitor.record.entries import Entry, EntryKind, pack_frames, unpack_further
from monitor.record.reader import RecordReading

LEAVE_FREE = 1 << 30
"""Bytes that are left free on the disk: a cache never takes the room of a record."""

_HELLO = pack_frames([b"hello", b""])[:-4]


class ColumnsKeeping:
    """Writes the columns of a record that is being judged; give it what the session took. A cache that cannot be
    written is left out."""

    def __init__(self, path: Path, digest: str) -> None:
        """`digest`: the record's own."""
        self._path = path
        self._unfinished = path / f"{CACHE_NAME}.{os.getpid()}"
        self._blocks: list[MeasuredBlock] = []
        self._run = ""
        self._shape: tuple[object, ...] = ()
        self._pieces: list[Any] = []
        self._frames = 0
        self._in_piece = 0
        """Frames of the chunk that stand in one of its pieces already."""
        self._received: list[tuple[int, int]] = []
        self._further: list[Entry] = []
        self._silent: list[tuple[int, int, int]] = []
        self._pending: list[tuple[str, MeasuredBlock]] = []
        self._last_hello = b""
        self._chunks: list[tuple[int, bytes]] = []
        self._file: Any = None
        with suppress(OSError):
            self._fits = columns_fit(path, digest)
            self._seals = Seals(self._fits)
            if self._seals.can_be_made and shutil.disk_usage(path).free > LEAVE_FREE:
                flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW
                self._file = os.fdopen(os.open(self._unfinished, flags, 0o600), "wb")
                self._write(MAGIC)

    def measured(self, run: str, block: MeasuredBlock) -> None:
        """Frames of a run that were measured while the next entries were taken."""
        if self._file is not None:
            self._pending.append((run, block))

    def took(self, entries: Iterable[Entry]) -> None:
        """Entries that the session has taken; their frames have been measured by now."""
        if self._file is None:
            return
        rest = iter(entries)
        for run, block in self._pending:
            shape = (run, tuple(block.frames.own), tuple(block.frames.signals), tuple(block.lead), tuple(block.lateral))
            if shape != self._shape or self._frames >= CHUNK_FRAMES:
                self._end_chunk()
                self._run, self._shape = run, shape
            self._blocks.append(block)
            numbers = block.frames.number.tolist()
            at = 0
            while at < len(numbers):
                entry = next(rest)
                if entry.number != numbers[at]:
                    self._keep(entry)
                    continue
                at += 1
                self._frames += 1
                self._received.append((entry.monotonic_ns, entry.wall_ns))
        self._pending.clear()
        for entry in rest:
            self._keep(entry)

    def finish(self, reading: RecordReading) -> None:
        """All entries have been taken: the file gets its name."""
        if self._file is None:
            return
        if reading.state == "open":
            self.drop()
            return
        self._end_chunk()
        tail = msgpack.packb(
            {
                "fits": self._fits,
                "damage": [one.what for one in reading.damage],
                "state": reading.state,
                "digest": reading.digest,
                "chunks": self._chunks,
            }
        )
        at = len(MAGIC) + sum(length for length, _ in self._chunks)
        self._write(tail + self._seals.foot(at, tail))
        if self._file is None:
            return
        try:
            self._file.close()
            self._unfinished.replace(self._path / CACHE_NAME)
            self._file = None
        except OSError:
            self.drop()

    def drop(self) -> None:
        """Leaves it, where it is not finished; nothing stays on the disk."""
        if self._file is not None:
            file, self._file = self._file, None
            with suppress(OSError):
                file.close()
            with suppress(OSError):
                self._unfinished.unlink()

    def _keep(self, entry: Entry) -> None:
        if entry.kind is EntryKind.FURTHER:
            self._further.append(entry)
            return
        is_hello = entry.kind is EntryKind.MESSAGE and entry.payload.startswith(_HELLO)
        if entry.kind is EntryKind.TICK or (is_hello and entry.payload == self._last_hello):
            self._silent.append((entry.number, entry.monotonic_ns, entry.wall_ns))
            return
        if is_hello:
            self._last_hello = entry.payload
        self._end_run()
        self._pieces.append(["entry", *entry])

    def _end_run(self) -> None:
        if self._in_piece < self._frames:
            self._pieces.append(["frames", self._in_piece, self._frames])
            self._in_piece = self._frames

    def _end_chunk(self) -> None:
        self._end_run()
        if self._pieces or self._further or self._silent:
            chunk: dict[str, Any] = {"pieces": self._pieces, "further": _further_pieces(self._further)}
            chunk["silent"] = _columns(self._silent, 3)
            if self._blocks:
                received = _columns(self._received, 2)
                chunk |= {"run": self._run, "columns": pack_block(self._blocks), "received": received}
            packed = msgpack.packb(chunk)
            self._chunks.append((len(packed), self._seals.next(packed)))
            self._write(packed)
        self._pieces, self._blocks, self._frames, self._in_piece = [], [], 0, 0
        self._received, self._further, self._silent = [], [], []

    def _write(self, packed: bytes) -> None:
        if self._file is None:
            return
        try:
            self._file.write(packed)
        except OSError:
            self.drop()


def _columns(rows: Sequence[tuple[int, ...]], count: int) -> list[bytes]:
    table = np.array(rows, np.int64).reshape(len(rows), count)
    return [np.ascontiguousarray(table[:, place]).tobytes() for place in range(count)]


def _further_pieces(entries: list[Entry]) -> list[Any]:
    """Entries of further sources, in order for each source: most frames as samples, all others as they were."""
    apart: dict[int, list[Entry]] = {}
    for entry in entries:
        place, _ = unpack_further(entry.payload)
        apart.setdefault(place, []).append(entry)
    pieces: list[Any] = []
    for place, own in apart.items():
        by_number = {entry.number: entry for entry in own}
        messages = [Entry(EntryKind.MESSAGE, *entry[1:4], unpack_further(entry.payload)[1]) for entry in own]
        for piece in pieces_of(messages):
            if isinstance(piece, FrameRun):
                frames = without_vehicles(slice_block(piece.table, piece.first, piece.stop))
                received = [by_number[number][2:4] for number in frames.number.tolist()]
                times = np.array(received, np.int64).T
                pieces.append(["samples", pack_samples(KeptSamples(place, piece.run, frames, times[0], times[1]))])
            else:
                pieces.append(["entry", *by_number[piece.number]])
    return pieces

"""The columns of a record kept beside it, so that judging it again need not read, check and unpack it again.

`columns.cache` in a record's directory is a sequence of msgpack values: a head {"columns": format, "program": digest of
all that has a part in measuring, "digest": the record's, "files": name → [size, time of change in ns], "key": which key
seals it}, then chunks, each [seal, bytes], and as the last chunk {"damage", "state", "digest"}. A seal covers the head,
the chunk's number and its bytes (see cache_seal), so that no chunk is believed that was changed, or is of another
record. A chunk is a msgpack map with `pieces` and, for the frames in it, `run`
and `columns`. A piece is either an entry of the record as it was, or [first, stop] of the chunk's frames. Repeated
hellos, which say nothing new, are left out.

The other vehicles' columns, four fifths of all, are not kept: they are decoded from the record where a window looks at
them. The file may be deleted at any time, decides nothing, and is made again wherever anything of it does not fit. A
bit that rots in the record's own files does not show here; `verify` is for that, and compares the cache with them.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import msgpack
import numpy as np

from monitor.archive.cache_seal import key_mark, seal_holds, seal_of
from monitor.archive.kept_others import RowsOnDemand
from monitor.archive.program import program_digest, record_files
from monitor.judging.case.blocks import KeptRun, MeasuredBlock
from monitor.measures.columns import FrameBlock
from monitor.measures.measured import Measured
from monitor.record.disk import open_regular
from monitor.record.entries import Entry, EntryKind, pack_frames
from monitor.record.reader import RecordReading

CACHE_NAME = "columns.cache"
FORMAT = 2
CHUNK_FRAMES = 2048
"""Frames of a chunk: half a minute at 60 Hz, as much as the window of a trial looks at."""
MOST_BYTES = 64 << 20
"""A chunk that says it is longer is none of ours (ours have about 1 MiB)."""
LEAVE_FREE = 1 << 30
"""Bytes that are left free on the disk: a cache never takes the room of a record."""

_HELLO = pack_frames([b"hello", b""])[:-4]


class ColumnsUnfit(Exception):
    """Raised where the kept columns cannot be used; the record has to be read."""


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
        self._pending: list[tuple[str, MeasuredBlock]] = []
        self._last_hello = b""
        self._file: Any = None
        with suppress(OSError):
            head = msgpack.packb(head_of(path, digest))
            self._seals = Seals(head)
            if self._seals.can_be_made and shutil.disk_usage(path).free > LEAVE_FREE:
                flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW
                self._file = os.fdopen(os.open(self._unfinished, flags, 0o600), "wb")
                self._write(head)

    def measured(self, run: str, block: MeasuredBlock) -> None:
        """Frames of a run that were measured while the next entries were taken."""
        if self._file is not None:
            self._pending.append((run, block))

    def took(self, entries: list[Entry]) -> None:
        """Entries that the session has taken; their frames have been measured by now."""
        if self._file is None:
            return
        rest = iter(entries)
        for run, block in self._pending:
            shape = (run, tuple(block.frames.own), tuple(block.frames.signals), tuple(block.lead), tuple(block.lateral))
            if shape != self._shape or self._frames >= CHUNK_FRAMES:
                self._end_chunk()
                self._run, self._shape = run, shape
            numbers = block.frames.number.tolist()
            first = self._frames
            at = 0
            self._blocks.append(block)
            while at < len(numbers):
                entry = next(rest)
                if entry.number != numbers[at]:
                    self._end_run(first, self._frames)
                    self._keep(entry)
                    first = self._frames
                    continue
                at += 1
                self._frames += 1
            self._end_run(first, self._frames)
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
        damage = [one.what for one in reading.damage]
        self._chunk({"damage": damage, "state": reading.state, "digest": reading.digest})
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

    def _end_run(self, first: int, stop: int) -> None:
        if first == stop:
            return
        if self._pieces and self._pieces[-1][0] == "frames" and self._pieces[-1][2] == first:
            self._pieces[-1][2] = stop
        else:
            self._pieces.append(["frames", first, stop])

    def _keep(self, entry: Entry) -> None:
        if entry.kind is EntryKind.TICK:
            return
        if entry.kind is EntryKind.MESSAGE and entry.payload.startswith(_HELLO):
            if entry.payload == self._last_hello:
                return
            self._last_hello = entry.payload
        self._pieces.append(["entry", *entry])

    def _end_chunk(self) -> None:
        chunk: dict[str, Any] = {"pieces": self._pieces}
        if self._blocks:
            chunk |= {"run": self._run, "columns": _columns(self._blocks)}
        if self._pieces:
            self._chunk(chunk)
        self._pieces, self._blocks, self._frames = [], [], 0

    def _chunk(self, chunk: dict[str, Any]) -> None:
        packed = msgpack.packb(chunk)
        self._write(msgpack.packb([self._seals.next(packed), packed]))

    def _write(self, packed: bytes) -> None:
        if self._file is None:
            return
        try:
            self._file.write(packed)
        except OSError:
            self.drop()


class KeptColumns:
    """The kept columns of a record; raises `ColumnsUnfit` where there are none, or where they do not fit."""

    def __init__(self, path: Path, digest: str) -> None:
        """`digest`: the record's own."""
        self.damage: tuple[str, ...] = ()
        self.state = ""
        self.digest = ""
        self._path = path
        try:
            head = head_of(path, digest)
            self._file = os.fdopen(open_regular(path / CACHE_NAME), "rb")
        except OSError as error:
            raise ColumnsUnfit from error
        self._seals = Seals(msgpack.packb(head))
        self._values = msgpack.Unpacker(self._file, max_buffer_size=2 * MOST_BYTES, max_bin_len=MOST_BYTES)
        try:
            if self._next() != head:
                raise ColumnsUnfit
        except ColumnsUnfit:
            self._file.close()
            raise

    def pieces(self) -> Iterator[list[Entry | KeptRun]]:
        """What `Session.take_kept` takes, chunk by chunk; `damage`, `state` and `digest` are known after the last."""
        with self._file:
            while not self.state:
                yield self._pieces_of(self._chunk())

    def _chunk(self) -> dict[str, Any]:
        value = self._next()
        if not isinstance(value, list) or len(value) != 2 or not isinstance(value[1], bytes):
            raise ColumnsUnfit
        if not self._seals.holds(value[0], value[1]):
            raise ColumnsUnfit
        chunk: dict[str, Any] = msgpack.unpackb(value[1])
        return chunk

    def _next(self) -> Any:
        try:
            return next(self._values)
        except (StopIteration, ValueError, OSError, RecursionError, msgpack.UnpackException) as error:
            raise ColumnsUnfit from error

    def _pieces_of(self, chunk: dict[str, Any]) -> list[Entry | KeptRun]:
        if "state" in chunk:
            self.damage, self.state, self.digest = tuple(chunk["damage"]), chunk["state"], chunk["digest"]
            return []
        block = _block(self._path, chunk["columns"]) if "columns" in chunk else None
        found: list[Entry | KeptRun] = []
        for piece in chunk["pieces"]:
            if piece[0] == "entry":
                found.append(Entry(EntryKind(piece[1]), *piece[2:]))
            else:
                assert block is not None
                found.append(KeptRun(chunk["run"], block.part(piece[1], piece[2])))
        return found


def forget_columns(path: Path) -> None:
    """Removes what is kept of a record, such as after sealing, when it fits no more."""
    with suppress(OSError):
        (path / CACHE_NAME).unlink()


class Seals:
    """The seals of a cache's chunks, one after the other."""

    def __init__(self, head: bytes) -> None:
        self._head = head
        self._number = 0

    @property
    def can_be_made(self) -> bool:
        """Whether there is a key."""
        return key_mark() is not None

    def next(self, chunk: bytes) -> bytes | None:
        """The seal of the next chunk."""
        return seal_of(chunk, self._about())

    def holds(self, seal: object, chunk: bytes) -> bool:
        """Whether the next chunk is what was written there."""
        return seal_holds(seal, chunk, self._about())

    def _about(self) -> bytes:
        self._number += 1
        return self._number.to_bytes(8, "little") + self._head


def head_of(path: Path, digest: str) -> dict[str, Any]:
    """What the first value of a cache has to be now, of a record with this digest."""
    files = {}
    for file in record_files(path):
        state = file.stat()
        files[file.name] = [state.st_size, state.st_mtime_ns]
    return {"columns": FORMAT, "program": program_digest(), "digest": digest, "files": files, "key": key_mark()}


def _columns(blocks: list[MeasuredBlock]) -> dict[str, Any]:
    """The columns of neighbouring blocks of one shape, but for those of the other vehicles."""
    frames = [block.frames for block in blocks]
    rows = np.cumsum([0, *(len(block.others.id) for block in frames)])[:-1]
    return {
        "number": _joined([block.number for block in frames]),
        "seq": _joined([block.seq for block in frames]),
        "t": _joined([block.t for block in frames]),
        "wall": _joined([block.wall for block in frames]),
        "markers": _joined([block.markers for block in frames]),
        "own": {name: _joined([block.own[name] for block in frames]) for name in frames[0].own},
        "signals": {name: _joined([block.signals[name] for block in frames]) for name in frames[0].signals},
        "vehicles": _joined([np.diff(block.others.start) for block in frames]),
        "lead_row": _joined(
            [np.where(one.lead_row >= 0, one.lead_row + row, -1) for one, row in zip(blocks, rows, strict=True)]
        ),
        "lead_id": _joined([block.lead_id for block in blocks]),
        "lead": _joined_measures([block.lead for block in blocks]),
        "lateral": _joined_measures([block.lateral for block in blocks]),
    }


def _joined(parts: list[Any]) -> bytes:
    return np.concatenate(parts).tobytes()


def _joined_measures(parts: list[dict[str, Measured]]) -> dict[str, list[bytes]]:
    return {
        name: [_joined([one[name].value for one in parts]), _joined([one[name].state for one in parts])]
        for name in parts[0]
    }


def _block(path: Path, columns: dict[str, Any]) -> MeasuredBlock:
    def floats(data: bytes) -> Any:
        return np.frombuffer(data, np.float64)

    def whole(name: str) -> Any:
        return np.frombuffer(columns[name], np.int64)

    def measures(name: str) -> dict[str, Measured]:
        return {one: Measured(floats(v), np.frombuffer(s, np.uint8)) for one, (v, s) in columns[name].items()}

    number, vehicles = whole("number"), whole("vehicles")
    start = np.zeros(len(number) + 1, np.int64)
    np.cumsum(vehicles, out=start[1:])
    frames = FrameBlock(
        number=number,
        seq=whole("seq"),
        t=floats(columns["t"]),
        wall=floats(columns["wall"]),
        markers=whole("markers"),
        own={name: floats(data) for name, data in columns["own"].items()},
        signals={name: floats(data) for name, data in columns["signals"].items()},
        others=RowsOnDemand.in_record(path, number, start),
    )
    return MeasuredBlock(frames, whole("lead_row"), whole("lead_id"), measures("lead"), measures("lateral"), None)

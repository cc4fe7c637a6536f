"""The other vehicles of frames whose other columns are at hand: decoded from the record when somebody asks for them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame
from monitor.judging.case.columns import build_block
from monitor.judging.case.frame_tables import FrameRun, pieces_of
from monitor.measures.columns import FloatArray, FrameBlock, IntArray, OtherRows, join_blocks, slice_block
from monitor.record.entries import EntryKind, unpack_frames
from monitor.record.reader import RecordReading


class RowsUnread(Exception):
    """Raised where the record does not give the vehicles of frames that it once gave."""


class _Chunk:
    """Frames whose vehicles are read together, once."""

    def __init__(self, path: Path, number: IntArray) -> None:
        self.path, self.number = path, number
        self._rows: OtherRows | None = None

    def rows(self) -> OtherRows:
        if self._rows is None:
            self._rows = read_frames(self.path, self.number).others
        return self._rows


class RowsOnDemand(OtherRows):
    """Rows of which only `start` is known without reading."""

    __slots__ = ("_chunk", "_first", "_read", "_stop")
    _chunk: _Chunk
    _first: int
    _stop: int
    _read: OtherRows | None

    @classmethod
    def in_record(cls, path: Path, number: IntArray, start: IntArray) -> RowsOnDemand:
        """The vehicles of the frames in the entries `number`, shape (n,); `start` as in `OtherRows`."""
        return cls._of(_Chunk(path, number), 0, len(number), start)

    @classmethod
    def _of(cls, chunk: _Chunk, first: int, stop: int, start: IntArray) -> RowsOnDemand:
        self = cls.__new__(cls)
        for name, value in (("_chunk", chunk), ("_first", first), ("_stop", stop), ("_read", None), ("start", start)):
            object.__setattr__(self, name, value)
        return self

    def part(self, first: int, stop: int) -> OtherRows:
        """Still unread."""
        start = self.start[first : stop + 1] - self.start[first]
        return self._of(self._chunk, self._first + first, self._first + stop, start)

    def _rows(self) -> OtherRows:
        if self._read is None:
            object.__setattr__(self, "_read", self._chunk.rows().part(self._first, self._stop))
        assert self._read is not None
        return self._read

    @property
    def id(self) -> IntArray:
        return self._rows().id

    @property
    def channels(self) -> dict[str, FloatArray]:
        return self._rows().channels

    @property
    def names(self) -> dict[int, str]:
        return self._rows().names

    @property
    def label(self) -> IntArray | None:
        return self._rows().label

    @property
    def labels(self) -> tuple[str, ...]:
        return self._rows().labels


def read_frames(path: Path, number: IntArray) -> FrameBlock:
    """The frames in the entries `number` (rising) of a record; raises `RowsUnread` where they are not all there."""
    wanted, last = set(number.tolist()), int(number[-1])
    blocks: list[FrameBlock] = []
    for entries in RecordReading(path).blocks(int(number[0]) - 1):
        for piece in pieces_of([entry for entry in entries if entry.number in wanted]):
            if isinstance(piece, FrameRun):
                blocks.append(slice_block(piece.table, piece.first, piece.stop))
                continue
            message: Any = decode_message(unpack_frames(piece.payload)) if piece.kind is EntryKind.MESSAGE else None
            if isinstance(message, Frame):
                blocks.append(build_block([message], [piece.number]))
        if entries[-1].number >= last:
            break
    if sum(map(len, blocks)) != len(number):
        raise RowsUnread
    return join_blocks(blocks)

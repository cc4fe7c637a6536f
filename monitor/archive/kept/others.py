"""The other vehicles of frames whose other columns are at hand: decoded from the record when somebody asks for them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from monitor.errors import RecordUnreadable
from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame
from monitor.judging.case.columns import build_block
from monitor.judging.case.frame_tables import FrameRun, pieces_of
from monitor.measures.columns import FrameBlock, IntArray, OtherRows, RowsOnDemand, join_blocks, slice_block
from monitor.record.entries import EntryKind, unpack_frames
from monitor.record.reader import RecordReading


class RowsUnread(RecordUnreadable):
    """Raised where the record does not give the vehicles of frames that it once gave."""


def vehicles_in(path: Path, number: IntArray, start: IntArray) -> OtherRows:
    """The vehicles of the frames in the entries `number` (rising, shape (n,)), unread; `start` as in `OtherRows`."""
    return RowsOnDemand.read_by(start, lambda: read_frames(path, number).others)


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
        raise RowsUnread(
            f"{path}: its files no longer give the frames in entries {number[0]} to {last} that they once gave; "
            f"see what is wrong with: trialwitness verify {path}"
        )
    return join_blocks(blocks)

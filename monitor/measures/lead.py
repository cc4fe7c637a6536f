"""Which row of the others is whose: the lead, a vehicle by its id, a vehicle by its name."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.measures.columns import BoolArray, FrameBlock, IntArray, Road
from monitor.measures.placement import own_way


def lead_rows(block: FrameBlock, road: Road | None) -> IntArray:
    """The row of the lead in each frame, shape (n,); −1 where there is none.

    The lead is the nearest vehicle whose centre is ahead of own car's along its way and whose body overlaps the own
    lane (see `placement`). A vehicle whose place is not measured cannot be the lead. The first of two equally near.
    """
    rows = np.arange(len(block.others.id), dtype=np.int64)
    frame = block.others.frame_of_row()
    placed = own_way(block, road).place(frame, rows, ways=False)
    found = np.flatnonzero(placed.in_lane & (placed.ahead > 0.0))
    nearest = np.full(len(block), np.inf)
    np.minimum.at(nearest, frame[found], placed.ahead[found])
    found = found[placed.ahead[found] == nearest[frame[found]]]
    return _first_in_frame(len(block), frame[found], found)


def rows_of(block: FrameBlock, vehicle_id: int) -> IntArray:
    """The row of the vehicle with this id in each frame, shape (n,); −1 where it is absent."""
    return _rows_where(block, block.others.id == vehicle_id)


def rows_named(block: FrameBlock, name: str) -> IntArray:
    """The row of the vehicle with this name in each frame, shape (n,); −1 where it is absent. The first of several."""
    label, labels = block.others.label, block.others.labels
    if label is None or name not in labels:
        return np.full(len(block), -1, dtype=np.int64)
    return _rows_where(block, label == labels.index(name))


def seen_from(block: FrameBlock, rows: IntArray) -> FrameBlock:
    """The block as the vehicle in each frame's row would see it: its channels in place of own car's; NaN where it is
    absent, and for what is not sent of other vehicles (so that no bend is known but from stations or the road)."""
    there = rows >= 0
    own = {name: np.full(len(block), np.nan) for name in block.own}
    for name, column in block.others.channels.items():
        own[name] = np.full(len(block), np.nan)
        own[name][there] = column[rows[there]]
    return replace(block, own=own)


def _rows_where(block: FrameBlock, wanted: BoolArray) -> IntArray:
    rows = np.flatnonzero(wanted)
    return _first_in_frame(len(block), block.others.start.searchsorted(rows, side="right") - 1, rows)


def _first_in_frame(frames: int, frame: IntArray, row: IntArray) -> IntArray:
    """For each frame the first of the rows given for it (rising), −1 where none is."""
    first = np.full(frames, -1, dtype=np.int64)
    first[frame[::-1]] = row[::-1]
    return first

"""Frames as columns: what every measure takes.

Units are SI (m, s, m/s, m/s², rad), axes after ISO 8855: x forward, y left, heading counter-clockwise positive.
NaN means "not measured", never zero. Positions are the centre of a vehicle's box.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Made = TypeVar("Made")

OWN_CHANNELS = (
    "x",
    "y",
    "heading",
    "speed",
    "accel",
    "length",
    "width",
    "yaw_rate",
    "station",
    "lane",
    "lane_offset",
    "lane_width",
    "steering_angle",
    "accelerator",
    "brake",
)
OTHER_CHANNELS = ("x", "y", "heading", "speed", "accel", "length", "width", "station", "lane")


class OnDemand(Mapping[str, Made]):
    """Something for each of some names, made when it is first asked for: of what is cut out for a trial, a rule looks
    at ten columns of forty."""

    __slots__ = ("_made", "_make", "_names")

    def __init__(self, names: Iterable[str], make: Callable[[str], Made]) -> None:
        """`make` gives what belongs to one of the names."""
        self._names, self._make = dict.fromkeys(names), make
        self._made: dict[str, Made] = {}

    def __getitem__(self, name: str) -> Made:
        if name not in self._made:
            if name not in self._names:
                raise KeyError(name)
            self._made[name] = self._make(name)
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    def __contains__(self, name: object) -> bool:
        return name in self._names


@dataclass(frozen=True, slots=True)
class OtherRows:
    """The other vehicles of n frames, laid out flat: frame i has the rows start[i] … start[i + 1] − 1."""

    start: IntArray
    """Shape (n + 1,)."""
    id: IntArray
    """Shape (m,)."""
    channels: Mapping[str, FloatArray]
    """One array of shape (m,) for each of `OTHER_CHANNELS`; NaN where the simulator did not give it."""
    names: dict[int, str]
    """Vehicle id → name, where the simulator gives names; for display (within a block, an id's last name)."""
    label: IntArray | None = None
    """Shape (m,): index of each row's name in `labels`, −1 where it has none; None where no row has a name."""
    labels: tuple[str, ...] = ()

    def part(self, first: int, stop: int) -> OtherRows:
        """The vehicles of frames `first` … `stop` − 1, sharing the memory."""
        row, row_stop = int(self.start[first]), int(self.start[stop])
        return OtherRows(
            start=self.start[first : stop + 1] - row,
            id=self.id[row:row_stop],
            channels={name: column[row:row_stop] for name, column in self.channels.items()},
            names=self.names,
            label=None if self.label is None else self.label[row:row_stop],
            labels=self.labels,
        )

    def frame_of_row(self) -> IntArray:
        """The frame index of each row, shape (m,)."""
        return np.repeat(np.arange(len(self.start) - 1, dtype=np.int64), np.diff(self.start))


class RowsOnDemand(OtherRows):
    """Rows of which only `start` is known until somebody looks at the others: then all of them are read, once."""

    __slots__ = ("_read", "_rows")
    _read: Callable[[], OtherRows]
    _rows: OtherRows | None

    @classmethod
    def read_by(cls, start: IntArray, read: Callable[[], OtherRows]) -> RowsOnDemand:
        """`read` gives the rows of the frames that `start` (shape (n + 1,)) is of."""
        self = cls.__new__(cls)
        for name, value in (("start", start), ("_read", read), ("_rows", None)):
            object.__setattr__(self, name, value)
        return self

    def part(self, first: int, stop: int) -> OtherRows:
        """Still unread."""
        start = self.start[first : stop + 1] - self.start[first]
        return self.read_by(start, lambda: self._all().part(first, stop))

    def _all(self) -> OtherRows:
        if self._rows is None:
            object.__setattr__(self, "_rows", self._read())
        assert self._rows is not None
        return self._rows

    @property
    def id(self) -> IntArray:
        return self._all().id

    @property
    def channels(self) -> Mapping[str, FloatArray]:
        return self._all().channels

    @property
    def names(self) -> dict[int, str]:
        return self._all().names

    @property
    def label(self) -> IntArray | None:
        return self._all().label

    @property
    def labels(self) -> tuple[str, ...]:
        return self._all().labels


@dataclass(frozen=True, slots=True, eq=False)
class FrameBlock:
    """n consecutive judged frames of one drive, as columns of shape (n,). Never changed once made."""

    number: IntArray
    """Number of the record's entry that each frame came in."""
    seq: IntArray
    t: FloatArray
    """Simulation time in seconds, strictly increasing."""
    wall: FloatArray
    """Simulator's wall clock in seconds since 1970; NaN where not given."""
    markers: IntArray
    """Number of markers sent so far, as the frame counts them."""
    own: Mapping[str, FloatArray]
    """One array for each of `OWN_CHANNELS`, and for any further number that the simulator sends with `own`."""
    signals: Mapping[str, FloatArray]
    """Further numbers by name; booleans as 0.0 and 1.0."""
    others: OtherRows

    def __len__(self) -> int:
        return len(self.t)


@dataclass(frozen=True, slots=True, eq=False)
class Road:
    """The reference line of a drive and the lanes about it.

    `x`, `y`: vertices, shape (k,), k ≥ 2. Offsets from the line are left-positive. Lanes lie side by side and
    centred on the line: lane i of n has its centre at (i − (n − 1)/2) · lane_width, i counted from the right.
    """

    x: FloatArray
    y: FloatArray
    lane_width: float
    lanes: int


def slice_block(block: FrameBlock, first: int, stop: int) -> FrameBlock:
    """Frames `first` … `stop` − 1 of a block, sharing its memory."""
    return FrameBlock(
        number=block.number[first:stop],
        seq=block.seq[first:stop],
        t=block.t[first:stop],
        wall=block.wall[first:stop],
        markers=block.markers[first:stop],
        own={name: column[first:stop] for name, column in block.own.items()},
        signals={name: column[first:stop] for name, column in block.signals.items()},
        others=block.others.part(first, stop),
    )


def join_blocks(blocks: list[FrameBlock]) -> FrameBlock:
    """One block of all frames in order; a channel or signal that some blocks lack is NaN there. Needs at least one."""
    if len(blocks) == 1:
        return blocks[0]
    return FrameBlock(
        number=np.concatenate([block.number for block in blocks]),
        seq=np.concatenate([block.seq for block in blocks]),
        t=np.concatenate([block.t for block in blocks]),
        wall=np.concatenate([block.wall for block in blocks]),
        markers=np.concatenate([block.markers for block in blocks]),
        own=_join_named([(len(block), block.own) for block in blocks]),
        signals=_join_named([(len(block), block.signals) for block in blocks]),
        others=join_rows([block.others for block in blocks]),
    )


Piece = tuple[FrameBlock, int, int]
"""A block, and first and stop of some of its frames."""


def join_pieces(pieces: Sequence[Piece]) -> FrameBlock:
    """One block of the frames of neighbouring pieces, at least one, as `join_blocks` of them gives; its columns are
    joined when they are asked for."""
    if len(pieces) == 1:
        return slice_block(*pieces[0])
    rows = [0, *np.cumsum([int(block.others.start[stop] - block.others.start[first]) for block, first, stop in pieces])]
    starts = [
        block.others.start[first + (place > 0) : stop + 1] - block.others.start[first] + rows[place]
        for place, (block, first, stop) in enumerate(pieces)
    ]
    return FrameBlock(
        number=np.concatenate([block.number[first:stop] for block, first, stop in pieces]),
        seq=np.concatenate([block.seq[first:stop] for block, first, stop in pieces]),
        t=np.concatenate([block.t[first:stop] for block, first, stop in pieces]),
        wall=np.concatenate([block.wall[first:stop] for block, first, stop in pieces]),
        markers=np.concatenate([block.markers[first:stop] for block, first, stop in pieces]),
        own=_pieces_named([(block.own, first, stop) for block, first, stop in pieces]),
        signals=_pieces_named([(block.signals, first, stop) for block, first, stop in pieces]),
        others=RowsOnDemand.read_by(start := np.concatenate(starts), lambda: _join_parts(pieces, start)),
    )


def _join_parts(pieces: Sequence[Piece], start: IntArray) -> OtherRows:
    """The vehicles of neighbouring pieces; each channel is joined when it is asked for."""
    parts = [block.others.part(first, stop) for block, first, stop in pieces]
    channels = _pieces_named([(part.channels, 0, len(part.id)) for part in parts])
    return _join_read(parts, start, channels)


def _pieces_named(pieces: list[tuple[Mapping[str, FloatArray], int, int]]) -> OnDemand[FloatArray]:
    def joined(name: str) -> FloatArray:
        return np.concatenate(
            [
                columns[name][first:stop] if name in columns else np.full(stop - first, np.nan)
                for columns, first, stop in pieces
            ]
        )

    return OnDemand((name for columns, _, _ in pieces for name in columns), joined)


def join_rows(parts: Sequence[OtherRows]) -> OtherRows:
    """The vehicles of neighbouring blocks as one; they stay unread where some of them are."""
    starts = [parts[0].start]
    for part in parts[1:]:
        starts.append(part.start[1:] + starts[-1][-1])
    start = np.concatenate(starts)
    if any(isinstance(part, RowsOnDemand) for part in parts):
        return RowsOnDemand.read_by(start, lambda: _join_read(parts, start, _join_channels(parts)))
    return _join_read(parts, start, _join_channels(parts))


def _join_channels(parts: Sequence[OtherRows]) -> dict[str, FloatArray]:
    return _join_named([(len(part.id), part.channels) for part in parts])


def _join_read(parts: Sequence[OtherRows], start: IntArray, channels: Mapping[str, FloatArray]) -> OtherRows:
    names: dict[int, str] = {}
    for part in parts:
        names.update(part.names)
    labels = tuple(dict.fromkeys(name for part in parts for name in part.labels))
    return OtherRows(
        start=start,
        id=np.concatenate([part.id for part in parts]),
        channels=channels,
        names=names,
        label=_join_labels(parts, labels),
        labels=labels,
    )


def _join_labels(parts: Sequence[OtherRows], labels: tuple[str, ...]) -> IntArray | None:
    """Each row's index in the labels of all blocks together."""
    if all(part.label is None for part in parts):
        return None
    found = []
    for part in parts:
        if part.label is None:
            found.append(np.full(len(part.id), -1, dtype=np.int64))
        elif part.labels == labels:
            found.append(part.label)
        else:
            renumbered = np.array([*(labels.index(name) for name in part.labels), -1], dtype=np.int64)
            found.append(renumbered[part.label])
    return np.concatenate(found)


def _join_named(parts: list[tuple[int, Mapping[str, FloatArray]]]) -> dict[str, FloatArray]:
    names: dict[str, None] = {}
    for _, columns in parts:
        names.update(dict.fromkeys(columns))
    return {
        name: np.concatenate([columns[name] if name in columns else np.full(n, np.nan) for n, columns in parts])
        for name in names
    }

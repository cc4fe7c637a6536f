"""Frames of a drive with the measures that do not depend on a trial."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from monitor.measures.columns import FloatArray, FrameBlock, IntArray, Road, join_blocks, slice_block
from monitor.measures.gap import PairMeasures, pair_measures
from monitor.measures.lateral import LateralMemory, lateral_measures
from monitor.measures.lead import lead_rows
from monitor.measures.measured import Measured, join_measured


@dataclass(frozen=True, slots=True)
class MeasuredBlock:
    """A block with the measures that do not depend on a trial. `lead_id` is −1 where there is no lead."""

    frames: FrameBlock
    lead_row: IntArray
    lead_id: IntArray
    lead: PairMeasures
    lateral: dict[str, Measured]
    road: Road | None
    lead_channels: dict[str, FloatArray] = field(default_factory=dict)
    """Where they were kept: the lead's channels in each frame, NaN where there is none."""

    def lead_channel(self, name: str) -> FloatArray:
        """A channel of each frame's lead, shape (n,); NaN where there is no lead or it is not measured."""
        if name in self.lead_channels:
            return self.lead_channels[name]
        column = np.full(len(self.frames), np.nan)
        there = self.lead_row >= 0
        if there.any() and not self.lead_channels:
            channel = self.frames.others.channels.get(name)
            if channel is not None:
                column[there] = channel[self.lead_row[there]]
        return column

    def known_by(self, number: int) -> int:
        """How many of the frames, from the first one on, are known as of an entry."""
        return int(self.frames.number.searchsorted(number, side="right"))

    def pair_with(self, rows: IntArray) -> PairMeasures:
        """The pair measures of own car and the vehicle in each frame's row."""
        return pair_measures(self.frames, self.road, rows)

    def part(self, first: int, stop: int) -> MeasuredBlock:
        """Frames `first` … `stop` − 1, sharing the memory."""
        row = int(self.frames.others.start[first])
        lead_row = self.lead_row[first:stop]
        return MeasuredBlock(
            frames=slice_block(self.frames, first, stop),
            lead_row=np.where(lead_row >= 0, lead_row - row, -1),
            lead_id=self.lead_id[first:stop],
            lead=self.lead.part(first, stop),
            lateral={name: one.part(first, stop) for name, one in self.lateral.items()},
            road=self.road,
            lead_channels={name: column[first:stop] for name, column in self.lead_channels.items()},
        )


@dataclass(frozen=True, slots=True)
class KeptRun:
    """Judged frames that came one after the other in a run, as they were measured when they were first judged, and when
    each was received (ns, shape (n,))."""

    run: str
    block: MeasuredBlock
    monotonic_ns: IntArray
    wall_ns: IntArray

    @property
    def number(self) -> IntArray:
        """The entries that they came in, shape (n,)."""
        return self.block.frames.number

    def part(self, first: int, stop: int) -> KeptRun:
        """Frames `first` … `stop` − 1, sharing the memory."""
        if first == 0 and stop == len(self.number):
            return self
        times = self.monotonic_ns[first:stop], self.wall_ns[first:stop]
        return KeptRun(self.run, self.block.part(first, stop), *times)


@dataclass(frozen=True, slots=True)
class KeptSamples:
    """Frames of one run of the further source at a place, one after the other: their numbers, times and signals alone,
    and when each was received (ns, shape (n,))."""

    place: int
    run: str
    frames: FrameBlock
    monotonic_ns: IntArray
    wall_ns: IntArray

    @property
    def number(self) -> IntArray:
        """The entries that they came in, shape (n,)."""
        return self.frames.number

    def part(self, first: int, stop: int) -> KeptSamples:
        """Frames `first` … `stop` − 1, sharing the memory."""
        times = self.monotonic_ns[first:stop], self.wall_ns[first:stop]
        return KeptSamples(self.place, self.run, slice_block(self.frames, first, stop), *times)


def join_measured_blocks(first: MeasuredBlock, second: MeasuredBlock) -> MeasuredBlock:
    """Two neighbouring blocks as one."""
    rows = int(first.frames.others.start[-1])
    return MeasuredBlock(
        frames=join_blocks([first.frames, second.frames]),
        lead_row=np.concatenate([first.lead_row, np.where(second.lead_row >= 0, second.lead_row + rows, -1)]),
        lead_id=np.concatenate([first.lead_id, second.lead_id]),
        lead=PairMeasures.joined([first.lead, second.lead]),
        lateral={name: join_measured([first.lateral[name], second.lateral[name]]) for name in first.lateral},
        road=first.road,
        lead_channels={
            name: np.concatenate([first.lead_channel(name), second.lead_channel(name)]) for name in first.lead_channels
        },
    )


def measure_block(
    frames: FrameBlock, road: Road | None, before: LateralMemory | None
) -> tuple[MeasuredBlock, LateralMemory | None]:
    """Measures frames; `before` is what the frames before them left for the lateral measures."""
    rows = lead_rows(frames, road)
    lead_id = np.where(rows >= 0, frames.others.id[rows] if len(frames.others.id) else -1, -1)
    memory, lateral = lateral_measures(before, frames, road)
    return MeasuredBlock(frames, rows, lead_id, pair_measures(frames, road, rows), lateral, road), memory

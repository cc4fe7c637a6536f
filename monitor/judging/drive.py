"""One drive of a record as columns: judged frames with their measures, markers, losses, and how often each thing came.

Everything is remembered with the number of the entry that it came in, so that a trial can be judged "as of entry N"
and comes out the same however the entries were cut into blocks.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from monitor.feed.schema import Frame, Hello, Marker
from monitor.judging.columns import build_block, road_of
from monitor.measures.columns import FrameBlock, IntArray, Road, join_blocks
from monitor.measures.gap import pair_measures
from monitor.measures.lateral import LateralMemory, lateral_measures
from monitor.measures.lead import lead_rows
from monitor.measures.measured import Measured

FLUSH_FRAMES = 4096
"""Frames collected before a block is made of them, so that memory stays bounded however large a batch is."""

MERGE_FRAMES = 1024
"""Blocks longer than this are not joined any more, so that old frames can be let go of piece by piece."""

MISSING_RANGES = 10_000
"""Ranges of missing sequence numbers remembered, to tell a frame out of order from a duplicate."""

MARKER_DELAY_S = 2.0
"""A marker may be this much older than frames already received (contract of the feed)."""


@dataclass(frozen=True, slots=True)
class ReceivedMarker:
    """A marker with where it stood in the record."""

    n: int
    t: float
    kind: str
    name: str
    data: dict[str, Any]
    number: int
    """Entry that it came in; for a marker found only in `recent`, the entry of that hello."""
    newest_t: float
    """Time of the newest judged frame when it came; NaN before the first."""
    wall: float
    """Wall clock of the recorder when it came, seconds since 1970: a label only."""
    recovered: bool
    """True where it was found only in `recent`."""

    @property
    def late(self) -> bool:
        """Whether it came later than the feed's contract allows."""
        return self.newest_t - self.t > MARKER_DELAY_S


@dataclass(frozen=True, slots=True)
class Loss:
    """Frames missing between two received ones, at `after_t` and `before_t`; told by the entry `number`."""

    after_t: float
    before_t: float
    count: int
    number: int

    def touches(self, start_t: float, end_t: float) -> bool:
        """Whether the open interval between the two received frames meets a window."""
        return self.after_t < end_t and self.before_t > start_t


@dataclass(frozen=True, slots=True)
class CountStep:
    """The frames' count of markers rose: markers `first_n` … `last_n` were sent between two judged frames."""

    first_n: int
    last_n: int
    after_t: float
    before_t: float
    number: int


@dataclass(frozen=True, slots=True)
class MeasuredBlock:
    """A block with the measures that do not depend on a trial. `lead_id` is −1 where there is no lead."""

    frames: FrameBlock
    lead_row: IntArray
    lead_id: IntArray
    lead: dict[str, Measured]
    lateral: dict[str, Measured]
    road: Road | None

    def pair_with(self, rows: IntArray) -> dict[str, Measured]:
        """The pair measures of own car and the vehicle in each frame's row."""
        return pair_measures(self.frames, self.road, rows)


def join_measured_blocks(first: MeasuredBlock, second: MeasuredBlock) -> MeasuredBlock:
    """Two neighbouring blocks as one."""
    rows = len(first.frames.others.id)
    return MeasuredBlock(
        frames=join_blocks([first.frames, second.frames]),
        lead_row=np.concatenate([first.lead_row, np.where(second.lead_row >= 0, second.lead_row + rows, -1)]),
        lead_id=np.concatenate([first.lead_id, second.lead_id]),
        lead={name: join_measured([first.lead[name], second.lead[name]]) for name in first.lead},
        lateral={name: join_measured([first.lateral[name], second.lateral[name]]) for name in first.lateral},
        road=first.road,
    )


def join_measured(parts: list[Measured]) -> Measured:
    """Measured values one after the other."""
    return Measured(np.concatenate([one.value for one in parts]), np.concatenate([one.state for one in parts]))


@dataclass(slots=True)
class FeedCounts:
    """What came in, counted."""

    frames: int = 0
    judged: int = 0
    lost: int = 0
    duplicates: int = 0
    out_of_order: int = 0
    repeated_time: int = 0
    before_hello: int = 0


@dataclass(slots=True)
class DriveLog:
    """A drive, growing. `retain_s` bounds how far back frames are kept and used."""

    index: int
    run: str
    retain_s: float
    hello: Hello | None = None
    road: Road | None = None
    counts: FeedCounts = field(default_factory=FeedCounts)
    blocks: deque[MeasuredBlock] = field(default_factory=deque)
    markers: dict[int, ReceivedMarker] = field(default_factory=dict)
    losses: deque[Loss] = field(default_factory=deque)
    count_steps: list[CountStep] = field(default_factory=list)
    first_t: float = float("nan")
    newest_t: float = float("nan")
    end_number: int | None = None
    end_t: float | None = None
    end_kind: str | None = None
    paused: bool = False
    last_received_ns: int = 0
    _pending: list[Frame] = field(default_factory=list)
    _pending_numbers: list[int] = field(default_factory=list)
    _last_seq: int | None = None
    _last_seq_t: float = float("nan")
    _last_count: int = 0
    _missing: list[tuple[int, int]] = field(default_factory=list)
    _lateral: LateralMemory | None = None

    @property
    def period_s(self) -> float:
        """The nominal frame period; 1/60 s before the first hello."""
        return 1.0 / self.hello.rate_hz if self.hello else 1.0 / 60.0

    @property
    def ended(self) -> bool:
        """Whether the drive is over."""
        return self.end_number is not None

    def take_hello(self, hello: Hello, number: int, wall: float) -> None:
        """A hello: the first one opens judging; each one may bring markers that were lost."""
        if self.hello is None:
            self.hello = hello
            self.road = road_of(hello)
        for marker in hello.recent:
            self.take_marker(marker, number, wall, recovered=True)

    def take_marker(self, marker: Marker, number: int, wall: float, *, recovered: bool = False) -> None:
        """A marker; one that is already known is passed over."""
        if marker.n in self.markers:
            return
        self.markers[marker.n] = ReceivedMarker(
            marker.n, marker.t, marker.kind, marker.name, marker.data, number, self.newest_t, wall, recovered
        )
        if marker.kind in ("run_end", "abort") and self.end_number is None:
            self.end(number, marker.kind, marker.t)
        elif marker.kind in ("pause", "resume"):
            self.paused = marker.kind == "pause"

    def end(self, number: int, kind: str, t: float | None = None) -> None:
        """The drive is over as of entry `number`: by its own marker, a new drive, or the record's close."""
        if self.end_number is None:
            self.end_number, self.end_kind = number, kind
            self.end_t = self.newest_t if t is None else t

    def take_frame(self, frame: Frame, number: int) -> bool:
        """A frame; returns whether it will be judged. Counts duplicates, wrong order, repeated times and losses."""
        counts = self.counts
        last = self._last_seq
        if last is not None and frame.seq <= last:
            if self._was_missing(frame.seq):
                counts.frames += 1
                counts.out_of_order += 1
                counts.lost -= 1
            else:
                counts.duplicates += 1
            return False
        counts.frames += 1
        if last is not None and frame.seq > last + 1:
            missing = frame.seq - last - 1
            counts.lost += missing
            self._missing.append((last + 1, frame.seq - 1))
            del self._missing[:-MISSING_RANGES]
            self.losses.append(Loss(self._last_seq_t, frame.t, missing, number))
        self._last_seq, self._last_seq_t = frame.seq, frame.t
        if frame.markers > self._last_count:
            self.count_steps.append(CountStep(self._last_count + 1, frame.markers, self.newest_t, frame.t, number))
            self._last_count = frame.markers
        if self.hello is None:
            counts.before_hello += 1
            return False
        if frame.t <= self.newest_t:
            counts.repeated_time += 1
            return False
        if counts.judged == 0:
            self.first_t = frame.t
        counts.judged += 1
        self.newest_t = frame.t
        self._pending.append(frame)
        self._pending_numbers.append(number)
        return True

    @property
    def must_flush(self) -> bool:
        """Whether enough frames wait for a block to be made of them."""
        return len(self._pending) >= FLUSH_FRAMES

    def flush(self) -> MeasuredBlock | None:
        """Makes a measured block of the frames that wait; None where there are none."""
        if not self._pending:
            return None
        frames = build_block(self._pending, self._pending_numbers)
        self._pending, self._pending_numbers = [], []
        rows = lead_rows(frames, self.road)
        lead_id = np.where(rows >= 0, frames.others.id[rows] if len(frames.others.id) else -1, -1)
        self._lateral, lateral = lateral_measures(self._lateral, frames, self.road)
        block = MeasuredBlock(frames, rows, lead_id, pair_measures(frames, self.road, rows), lateral, self.road)
        self.blocks.append(block)
        self._merge()
        return block

    def _merge(self) -> None:
        """Keeps the blocks few: the newest is joined to the one before it while that is not more than twice as long.

        Live, a block has a handful of frames; with hundreds of blocks a trial's window cost 10 ms to cut out, with
        some ten it costs 1 ms.
        """
        blocks = self.blocks
        while len(blocks) > 1 and len(blocks[-2].frames) <= min(2 * len(blocks[-1].frames), MERGE_FRAMES):
            newest = blocks.pop()
            blocks.append(join_measured_blocks(blocks.pop(), newest))

    def trim(self) -> None:
        """Forgets what no trial may look at any more."""
        horizon = self.newest_t - self.retain_s
        while len(self.blocks) > 1 and self.blocks[0].frames.t[-1] < horizon:
            self.blocks.popleft()
        while self.losses and self.losses[0].before_t < horizon:
            self.losses.popleft()

    def known_markers(self, number: int) -> list[ReceivedMarker]:
        """The markers known as of entry `number`, by their own count."""
        return [marker for _, marker in sorted(self.markers.items()) if marker.number <= number]

    def lost_markers(self, number: int) -> list[CountStep]:
        """Counted by frames and not known as of entry `number`, with the times between which each was sent."""
        lost = []
        for step in self.count_steps:
            if step.number > number:
                break
            for n in range(step.first_n, step.last_n + 1):
                known = self.markers.get(n)
                if known is None or known.number > number:
                    lost.append(CountStep(n, n, step.after_t, step.before_t, step.number))
        return lost

    def _was_missing(self, seq: int) -> bool:
        for place, (first, last) in enumerate(self._missing):
            if first <= seq <= last:
                self._missing[place : place + 1] = [
                    part for part in ((first, seq - 1), (seq + 1, last)) if part[0] <= part[1]
                ]
                return True
        return False

"""One stream of messages as it comes in: judged frames, markers, losses, and how often each thing came.

Everything is remembered with the number of the entry that it came in, so that a trial can be judged "as of entry N"
and comes out the same however the entries were cut into blocks. A further source has a stream and no car; the
simulator's stream is a `DriveLog`.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Literal, Self

from monitor.feed.marker_kinds import KINDS
from monitor.feed.schema import Frame, Hello, Marker
from monitor.judging.case.columns import build_block
from monitor.judging.case.received import CountStep, FeedCounts, Loss, ReceivedMarker, SetBack, Unseen
from monitor.measures.columns import FrameBlock, join_blocks, slice_block
from monitor.record.entries import Entry

FLUSH_FRAMES = 4096
"""Frames collected before a block is made of them, so that memory stays bounded however large a batch is."""

CLOCK_BACK_S = 0.5
"""A time so far behind the newest one is no jitter: the simulation's clock was set back; so far ahead, it jumped."""

MISSING_RANGES = 10_000
"""Ranges of missing sequence numbers remembered, to tell a frame out of order from a duplicate."""


@dataclass(slots=True)
class Stream:
    """A run of one source, growing. `retain_s` bounds how far back frames are kept and used."""

    index: int
    run: str
    retain_s: float
    hello: Hello | None = None
    hello_wall: float = 0.0
    """Wall clock of the recorder when the first hello came in, seconds since 1970: a label only."""
    hello_ns: int = 0
    """Its boot clock then."""
    counts: FeedCounts = field(default_factory=FeedCounts)
    markers: dict[int, ReceivedMarker] = field(default_factory=dict)
    losses: deque[Loss] = field(default_factory=deque)
    unseen: Unseen = field(default_factory=Unseen)
    """All times of the run without frames, by their numbers or, where those tell nothing, by their times."""
    count_steps: list[CountStep] = field(default_factory=list)
    set_backs: list[SetBack] = field(default_factory=list)
    first_t: float = float("nan")
    newest_t: float = float("nan")
    end_number: int | None = None
    end_t: float | None = None
    end_kind: str | None = None
    paused: bool = False
    last_received_ns: int = 0
    _waiting: int = 0
    _blocks: list[FrameBlock] = field(default_factory=list)
    _rows: tuple[FrameBlock, int, int] | None = None
    _frames: list[tuple[Frame, int]] = field(default_factory=list)
    _last_hello: Hello | None = None
    _last_seq: int | None = None
    _last_seq_t: float = float("nan")
    _last_count: int = 0
    _missing: list[tuple[int, int]] = field(default_factory=list)
    _set_back: Loss | None = None

    @property
    def period_s(self) -> float:
        """The nominal frame period; 1/60 s before the first hello."""
        return 1.0 / self.hello.rate_hz if self.hello else 1.0 / 60.0

    @property
    def ended(self) -> bool:
        """Whether the drive is over."""
        return self.end_number is not None

    def fork(self) -> Self:
        """The stream as it stands, to go on from alone; blocks, markers and steps are never changed and are shared."""
        return replace(
            self,
            counts=replace(self.counts),
            markers=dict(self.markers),
            losses=deque(self.losses),
            unseen=self.unseen.fork(),
            count_steps=[*self.count_steps],
            set_backs=[*self.set_backs],
            _blocks=[*self._blocks],
            _frames=[*self._frames],
            _missing=[*self._missing],
        )

    def take_hello(self, hello: Hello, entry: Entry) -> None:
        """A hello: the first one opens judging; each one may bring markers that were lost."""
        if self.hello is None:
            self.hello, self.hello_wall, self.hello_ns = hello, entry.wall_ns / 1e9, entry.monotonic_ns
        if hello is self._last_hello:
            return  # decoded once for all hellos between two markers
        self._last_hello = hello
        for marker in hello.recent:
            self.take_marker(marker, entry, recovered=True)

    def take_marker(self, marker: Marker, entry: Entry, *, recovered: bool = False) -> None:
        """A marker; one that is already known is passed over."""
        if marker.n in self.markers:
            return
        number, wall = entry.number, entry.wall_ns / 1e9
        self.markers[marker.n] = ReceivedMarker(
            n=marker.n,
            t=marker.t,
            kind=marker.kind,
            name=marker.name,
            data=marker.data,
            number=number,
            newest_t=self.newest_t,
            wall=wall,
            recovered=recovered,
            monotonic_ns=entry.monotonic_ns,
        )
        kind = KINDS[marker.kind]
        if kind.ends_drive and self.end_number is None:
            self.end(number, marker.kind, marker.t)
        elif kind.holds is not None:
            self.paused = kind.holds

    def end(self, number: int, kind: str, t: float | None = None) -> None:
        """The drive is over as of entry `number`: by its own marker, a new drive, or the record's close."""
        if self.end_number is None:
            self.end_number, self.end_kind = number, kind
            self.end_t = self.newest_t if t is None else t

    def take_frame(self, frame: Frame, number: int) -> bool:
        """A frame; returns whether it will be judged. Counts duplicates, wrong order, repeated times and losses."""
        judged = self._count(frame.seq, frame.t, frame.markers, number)
        if judged:
            self._set_rows_aside()
            self._frames.append((frame, number))
            self._waiting += 1
        return judged

    def take_rows(self, table: FrameBlock, first: int, stop: int) -> None:
        """Frames that are rows `first` … `stop` − 1 of a table: as if `take_frame` were called with each."""
        for begin, end in self._count_rows(table, first, stop):
            self._wait_for(table, begin, end)

    def _count_rows(self, table: FrameBlock, first: int, stop: int) -> Iterator[tuple[int, int]]:
        """Counts frames that are rows of a table; gives begin and end of those that will be judged."""
        if not self._follow_on(table, first, stop):
            # mostly it is the first one that tells something new: a loss, or a marker that was sent
            if self._count_row(table, first):
                yield first, first + 1
            first += 1
            if first == stop:
                return
        if self._follow_on(table, first, stop):
            self.counts.frames += stop - first
            self.counts.judged += stop - first
            self._last_seq, self.newest_t = int(table.seq[stop - 1]), float(table.t[stop - 1])
            self._last_seq_t = self.newest_t
            yield first, stop
            return
        for row in range(first, stop):
            if self._count_row(table, row):
                yield row, row + 1

    def _count_row(self, table: FrameBlock, row: int) -> bool:
        return self._count(int(table.seq[row]), float(table.t[row]), int(table.markers[row]), int(table.number[row]))

    def _follow_on(self, table: FrameBlock, first: int, stop: int) -> bool:
        """Whether all these rows are the next frames of the drive, with nothing to be said of any of them."""
        if self._last_seq is None or self.hello is None or self.counts.judged == 0:
            return False
        seq, t, longest_s = table.seq[first:stop], table.t[first:stop], self._longest_step_s
        return bool(
            seq[0] == self._last_seq + 1
            and self.newest_t < t[0] <= self.newest_t + longest_s
            and self._set_back is None
            and table.markers[first:stop].max() <= self._last_count
            and (seq[1:] == seq[:-1] + 1).all()
            and (t[1:] > t[:-1]).all()
            and (t[1:] <= t[:-1] + longest_s).all()
        )

    def _wait_for(self, table: FrameBlock, first: int, stop: int) -> None:
        """Rows that are to be judged, in one piece with those before them where they follow on in the table."""
        self._set_frames_aside()
        self._waiting += stop - first
        if self._rows is not None and self._rows[0] is table and self._rows[2] == first:
            first = self._rows[1]
        else:
            self._set_rows_aside()
        self._rows = (table, first, stop)

    def _set_rows_aside(self) -> None:
        if self._rows is not None:
            self._blocks.append(slice_block(*self._rows))
            self._rows = None

    def _set_frames_aside(self) -> None:
        if self._frames:
            self._blocks.append(build_block(*zip(*self._frames, strict=True)))
            self._frames = []

    def _count(self, seq: int, t: float, markers: int, number: int) -> bool:
        """Counts a frame; whether it will be judged."""
        counts = self.counts
        last = self._last_seq
        if last is not None and seq <= last:
            if self._was_missing(seq):
                counts.frames += 1
                counts.out_of_order += 1
                counts.lost -= 1
            else:
                counts.duplicates += 1
            if t > self.newest_t:  # a new time under an old number
                self._goes_back("numbers", seq, last, number)
            return False
        counts.frames += 1
        if self._set_back is not None and t > self.newest_t:
            self.losses[self.losses.index(self._set_back)] = replace(self._set_back, before_t=t)
            self._set_back = None
        if last is not None and seq > last + 1:
            missing = seq - last - 1
            counts.lost += missing
            self._missing.append((last + 1, seq - 1))
            del self._missing[:-MISSING_RANGES]
            self.losses.append(Loss(self._last_seq_t, t, missing, number))
            self.unseen.add(self.losses[-1])
        self._last_seq, self._last_seq_t = seq, t
        if markers > self._last_count:
            self.count_steps.append(CountStep(self._last_count + 1, markers, self.newest_t, t, number))
            self._last_count = markers
        if self.hello is None:
            counts.before_hello += 1
            return False
        if t <= self.newest_t:
            counts.repeated_time += 1
            if t < self.newest_t - CLOCK_BACK_S:
                self._goes_back("clock", t, self.newest_t, number)
            return False
        if counts.judged == 0:
            self.first_t = t
        elif t > self.newest_t + CLOCK_BACK_S and last is not None and seq == last + 1:
            # no frame is missing, and nothing is known of the time between
            self.losses.append(Loss(self.newest_t, t, 0, number))
            self.set_backs.append(SetBack("clock", self.newest_t, t, self.newest_t, number))
        if self.hello.unnumbered and t > self.newest_t + self._longest_step_s:
            self.unseen.add(Loss(self.newest_t, t, 0, number))
        counts.judged += 1
        self.newest_t = t
        return True

    @property
    def _longest_step_s(self) -> float:
        """A step of time with nothing to be said of it. Where nothing but the time tells of frames lost before a
        bridge, it is that of a frame."""
        hello = self.hello
        return 1.5 * self.period_s if hello and hello.unnumbered and hello.markers_by_frames else CLOCK_BACK_S

    def unseen_in(self, start_t: float, end_t: float, number: int) -> tuple[float, float] | None:
        """The first time without frames that meets a window, as of entry `number`, where a marker may have been lost
        with them: its source makes them out of its frames. None for none."""
        if self.hello is None or not self.hello.markers_by_frames:
            return None
        return self.unseen.first_in(start_t, end_t, number)

    def _goes_back(self, what: Literal["numbers", "clock"], to: float, before: float, number: int) -> None:
        """Numbers or time went back: whatever follows is not judged until they go on."""
        if self._set_back is None and self.counts.judged:
            self._set_back = Loss(self.newest_t, math.inf, 0, number)
            self.losses.append(self._set_back)
            self.set_backs.append(SetBack(what, self.newest_t, to, before, number))

    @property
    def must_flush(self) -> bool:
        """Whether enough frames wait for a block to be made of them."""
        return self._waiting >= FLUSH_FRAMES

    def frames_waiting(self) -> FrameBlock | None:
        """The frames that wait, as a block; they wait no longer. None where there are none."""
        if not self._waiting:
            return None
        self._set_rows_aside()
        self._set_frames_aside()
        frames = join_blocks(self._blocks)
        self._blocks, self._waiting = [], 0
        return frames

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

"""Further sources by the clock of one drive of the simulator: their signals and markers, and how well that is known.

The offset comes from `sync` marks that both have seen, by the same estimate as the bridge's, and from what a source
says of its clock against that of receipt (`clock` of its hello), which the receipt of the simulator's hellos takes on
to the drive's time. Everything is told as of
an entry: from the samples, marks and runs that had come by then. A value stands for the time from its sample to the
next one; where the clock is known to ± u only, all values within u of an instant are possible there.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from monitor.feed.clock_offset import (
    MARKS_KEPT,
    ON_ITS_WAY_S,
    ClockOffset,
    Mark,
    Receipt,
    Told,
    estimate_offset,
    pair_marks,
    receipt_pairs,
)
from monitor.feed.schema import Marker
from monitor.judging.case.blocks import MeasuredBlock
from monitor.judging.case.received import MARKER_DELAY_S, ReceivedMarker
from monitor.judging.case.sources import Samples, SourceLog, SourceRun, Sources
from monitor.judging.case.stream import Stream
from monitor.measures.columns import BoolArray, FloatArray, IntArray

UNSURE_AT_MOST_S = 0.5
"""A clock that is known less well than this tells nothing: a look away lasts some two seconds (common practice)."""

HELD_FRAMES = 1.5
"""A sample stands for at most this many periods where the next one is missing, as a frame does in a window."""
HELD_AT_MOST_S = 0.25
"""… and for at most this long where the next one has merely come late: as long as a feed is not called stale."""

RECEIPTS_KEPT = 16
"""Hellos of the simulator, and of what a source says of its clock, that the offset comes from: one a second of each."""
TOLD_LATE_AT_MOST_S = 0.5
"""What a source says of its clock is not believed where its newest sample would have been on its way for longer."""

OFFSETS_KEPT = 64
"""Offsets worked out and remembered."""

MARKER_NUMBERS = 1_000_000_000
"""Markers of the source at place k are numbered from k times this: behind all of the simulator's."""


@dataclass(frozen=True, slots=True)
class SignalColumn:
    """A signal at n instants: its value, and the least and greatest that are possible there. NaN: not measured.

    A flag (0 or 1) that is not the same all over the uncertainty has no value.
    """

    value: FloatArray
    low: FloatArray
    high: FloatArray


class AlignedSources:
    """The further sources by the clock of one drive, which began with entry `number`; `blocks` are its frames."""

    def __init__(self, sources: Sources, drive: Stream, blocks: deque[MeasuredBlock], number: int) -> None:
        self.sources, self.drive, self.blocks, self.number = sources, drive, blocks, number
        self._firsts: list[Mark] = []
        self.seconds: dict[tuple[int, str], list[Mark]] = {}
        """The last sync marks of each run of a source."""
        self._receipts: list[Receipt] = []
        self.told: dict[tuple[int, str], list[Told]] = {}
        """What each run of a source said last of its clock."""
        self._told: dict[tuple[object, ...], tuple[ClockOffset | None, int]] = {}

    def fork(self, sources: Sources, drive: Stream, blocks: deque[MeasuredBlock]) -> AlignedSources:
        """The same marks for a drive that goes on alone; hears of the sync marks of its own `sources`."""
        twin = AlignedSources(sources, drive, blocks, self.number)
        twin._firsts = [*self._firsts]
        twin.seconds = {key: [*marks] for key, marks in self.seconds.items()}
        twin._told = dict(self._told)
        sources.on_sync = twin.second_mark
        return twin

    def first_mark(self, marker: Marker, arrived_s: float, number: int) -> None:
        """A sync mark of the simulator that came in by itself (one repeated in a hello says not when it arrived)."""
        self._firsts.append(Mark(marker.name, marker.t, arrived_s, number))

    def second_mark(self, log: SourceLog, marker: Marker, arrived_s: float, number: int) -> None:
        """A sync mark of a further source."""
        seconds = self.seconds.setdefault((log.index, marker.run), [])
        seconds.append(Mark(marker.name, marker.t, arrived_s, number))

    def first_heard(self, arrived_s: float, number: int) -> None:
        """A hello of the simulator: the newest frame has come and the next one has not, so it is less than a period
        later, but for what a frame is on its way."""
        least_t = self.drive.newest_t
        if self.drive.paused or not math.isfinite(least_t):
            return
        most_t = least_t + 2.0 * self.drive.period_s + ON_ITS_WAY_S
        self._receipts.append(Receipt(arrived_s, least_t, most_t, number))

    def second_told(self, log: SourceLog, run: SourceRun, told: Told) -> None:
        """What a further source says of its clock. Where its newest sample would have come before it was taken, or far
        too late, it is the clock of another machine."""
        late_s = told.arrived_s - told.offset_s - run.log.newest_t
        if not -told.uncertainty_s - ON_ITS_WAY_S <= late_s <= TOLD_LATE_AT_MOST_S:
            return
        self.told.setdefault((log.index, run.log.run), []).append(told)

    def trim(self) -> None:
        """Forgets marks, runs and when sources were heard, where no trial looks at it any more."""
        if self.blocks:
            self.sources.forget_heard(int(self.blocks[0].frames.number[0]))
        kept = {(log.index, run.log.run) for log in self.sources.logs for run in log.runs}
        self.seconds = {key: marks[-MARKS_KEPT:] for key, marks in self.seconds.items() if key in kept}
        self.told = {key: told[-RECEIPTS_KEPT:] for key, told in self.told.items() if key in kept}
        del self._receipts[:-RECEIPTS_KEPT]
        del self._firsts[:-MARKS_KEPT]

    def offset(self, log: SourceLog, run: SourceRun, number: int) -> ClockOffset | None:
        """How the clock of a source's run stands to the drive's, as of an entry."""
        return self._offset(log, run, number)[0]

    def marks(self, log: SourceLog, run: SourceRun, number: int) -> int:
        """How many marks that both have seen the offset comes from."""
        return self._offset(log, run, number)[1]

    def _offset(self, log: SourceLog, run: SourceRun, number: int) -> tuple[ClockOffset | None, int]:
        seconds = _last_as_of(self.seconds.get((log.index, run.log.run), []), number)
        firsts = _last_as_of(self._firsts, number)
        told = [one for one in self.told.get((log.index, run.log.run), []) if one.number <= number][-RECEIPTS_KEPT:]
        receipts = [one for one in self._receipts if one.number <= number][-RECEIPTS_KEPT:] if told else []
        if not (seconds and firsts) and not receipts:
            return None, 0
        steps = self.drive.period_s, run.period_as_of(number)
        newest = [max((one.number for one in part), default=0) for part in (seconds, firsts)]
        newest += [told[-1].number if told else 0, receipts[-1].number if receipts else 0]
        key = (log.index, run.log.run, *newest, *steps)
        if key not in self._told:
            pairs = pair_marks(firsts, seconds)
            if len(self._told) > OFFSETS_KEPT:
                self._told.clear()
            self._told[key] = estimate_offset([*pairs, *receipt_pairs(receipts, told)], *steps), len(pairs)
        return self._told[key]

    def columns(self, t: FloatArray, number: int | IntArray) -> dict[str, SignalColumn]:
        """The signals of all sources at times of the drive (shape (n,)), as of one entry or of one for each time."""
        found: dict[str, SignalColumn] = {}
        for log in self.sources.logs:
            for run in log.runs_as_of(int(np.max(number)) if np.size(number) else 0):
                for name, column in self._of_run(log, run, t, number).items():
                    found[name] = _first_known(found[name], column) if name in found else column
        return found

    def markers(self, number: int) -> list[ReceivedMarker]:
        """What further sources marked during the drive, at its times; those of an unknown clock are left out."""
        return [marker for log in self.sources.logs for marker in self._placed(log, number)]

    def _placed(self, log: SourceLog, number: int) -> Iterator[ReceivedMarker]:
        for run in log.runs_as_of(number):
            offset = self.offset(log, run, number)
            if offset is None:
                continue
            for marker in run.given_as_of(number):
                if marker.number < self.number:
                    continue
                off_s, off_by = offset.at(marker.t)
                t = marker.t + off_s
                if off_by > UNSURE_AT_MOST_S or t < self.drive.first_t - MARKER_DELAY_S:
                    continue
                yield replace(
                    marker,
                    n=log.index * MARKER_NUMBERS + marker.n,
                    t=t,
                    data={**marker.data, "source": log.name_as_of(number), "uncertainty_s": off_by},
                    newest_t=math.nan,
                )

    def time_of(self, number: int) -> float:
        """The drive's time when an entry came: of the newest judged frame by then; −inf before the first one."""
        for block in reversed(self.blocks):
            place = int(block.frames.number.searchsorted(number, side="right"))
            if place:
                return float(block.frames.t[place - 1])
        return -math.inf

    def _of_run(self, log: SourceLog, run: SourceRun, t: FloatArray, number: int | IntArray) -> dict[str, SignalColumn]:
        samples = run.samples()
        if samples is None:
            return {}
        held = _Held(samples, run.log.period_s, self.drive.retain_s)
        if isinstance(number, int) or not len(t):
            number = number if isinstance(number, int) else 0
            return _sampled(held, t, self.offset(log, run, number), number)
        of_run = (log.index, run.log.run)
        marks = [one.number for one in (*self._firsts, *self.seconds.get(of_run, ()))]
        marks += [one.number for one in self.told.get(of_run, ())] + [one.number for one in self._receipts]
        marks.sort()
        epochs = np.searchsorted(np.array(marks, np.int64), number, side="right")
        pieces = np.split(np.arange(len(t)), np.flatnonzero(np.diff(epochs)) + 1)
        parts = [
            _sampled(held, t[one], self.offset(log, run, int(number[one[0]])), number[one])
            for one in pieces
            if len(one)
        ]
        return {
            name: SignalColumn(
                *(np.concatenate([getattr(part[name], kind) for part in parts]) for kind in SignalColumn.__slots__)
            )
            for name in samples.signals
        }


def _last_as_of(marks: list[Mark], number: int) -> list[Mark]:
    return [mark for mark in marks if mark.number <= number][-MARKS_KEPT:]


def _first_known(first: SignalColumn, second: SignalColumn) -> SignalColumn:
    """The first column, and the second one where the first one knows nothing."""
    known = np.isfinite(first.low)
    return SignalColumn(
        *(np.where(known, getattr(first, kind), getattr(second, kind)) for kind in SignalColumn.__slots__)
    )


def place_times(offset: ClockOffset, first_t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What `ClockOffset.second_at` gives, for many times at once: times of the second clock, and how far off they may
    be."""
    base, slope = np.array(offset.corners, np.float64).T
    second_t, off_by = first_t - offset.at(offset.at_t)[0], np.zeros(len(first_t))
    for _ in range(2):
        possible = base[:, None] + slope[:, None] * (second_t - offset.at_t)
        least, most = possible.min(axis=0), possible.max(axis=0)
        second_t, off_by = first_t - (least + most) / 2, (most - least) / 2 + offset.more_s
    return second_t, off_by


class _Held(NamedTuple):
    """The samples of a run, the time between two of them, and for how long any are kept, in s."""

    samples: Samples
    period_s: float
    retain_s: float


def _sampled(held: _Held, t: FloatArray, offset: ClockOffset | None, number: int | IntArray) -> dict[str, SignalColumn]:
    """The signals of a run at times of the drive; all NaN where its clock is not known."""
    samples = held.samples
    nothing = np.full(len(t), math.nan)
    if offset is None or not len(samples.t):
        return {name: SignalColumn(nothing, nothing, nothing) for name in samples.signals}
    second_t, off_by = place_times(offset, t)
    known = np.broadcast_to(samples.number.searchsorted(number, side="right"), t.shape)
    last_known = np.maximum(known - 1, 0)

    def at_or_before(instant: FloatArray) -> IntArray:
        found = samples.t.searchsorted(instant, side="right") - 1
        return np.asarray(np.minimum(found, last_known), np.int64)

    first, at, last = (at_or_before(one) for one in (second_t - off_by, second_t, second_t + off_by))
    horizon = samples.t[last_known] - held.retain_s
    covered = (known > 0) & (first >= 0) & (off_by <= UNSURE_AT_MOST_S)
    covered &= samples.t[np.maximum(first, 0)] >= horizon
    covered &= _stand_for(held, first, last, last_known, second_t + off_by)
    first, at, last = (np.where(covered, one, 0) for one in (first, at, last))
    return {name: _column(values, covered, first, at, last) for name, values in samples.signals.items()}


def _stand_for(held: _Held, first: IntArray, last: IntArray, last_known: IntArray, until_t: FloatArray) -> BoolArray:
    """Whether samples `first` … `last` stand for all the time between them, and the last one until `until_t`."""
    samples, period_s, _ = held
    step = np.diff(samples.t)
    joined = (np.diff(samples.seq) == 1) & (step <= max(HELD_AT_MOST_S, HELD_FRAMES * period_s))
    holes = np.concatenate([[0], np.cumsum(~joined)])
    whole = holes[np.maximum(last, 0)] == holes[np.maximum(first, 0)]
    alone = samples.t + HELD_FRAMES * period_s
    until = alone.copy()
    until[:-1][joined] = samples.t[1:][joined]
    at = np.maximum(last, 0)
    ends = np.where(at == last_known, alone[at], until[at])
    return np.asarray(whole & (ends >= until_t))


def _column(values: FloatArray, covered: BoolArray, first: IntArray, at: IntArray, last: IntArray) -> SignalColumn:
    low, high = values[first], values[first]
    for step in range(1, int((last - first).max(initial=0)) + 1):
        one = values[np.minimum(first + step, last)]
        low, high = np.minimum(low, one), np.maximum(high, one)  # both give NaN where one of them is
    low, high = np.where(covered, low, math.nan), np.where(covered, high, math.nan)
    is_flag = ((low == 0.0) & (high == 1.0)) | np.isnan(low)
    return SignalColumn(np.where(is_flag, math.nan, values[at]), low, high)

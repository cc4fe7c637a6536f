"""What came in of the further sources beside the simulator: gaze, a task's tablet, an alert's sensor.

Each run of a source is a `Stream` of its own, by its own clock: numbers, losses and markers are taken as those of the
simulator are, and its own car is passed over. How its clock stands to the simulator's is the matter of `alignment`.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby, islice
from operator import attrgetter, itemgetter
from typing import Literal

import numpy as np

from monitor.errors import RecordUnreadable
from monitor.feed.clock_offset import Told
from monitor.feed.decode import decode_message
from monitor.feed.marker_kinds import KINDS
from monitor.feed.schema import Frame, Hello, Marker, Refused
from monitor.judging.case.blocks import KeptSamples
from monitor.judging.case.frame_tables import FrameRun, pieces_of
from monitor.judging.case.received import ReceivedMarker
from monitor.judging.case.stream import Stream
from monitor.measures.columns import FloatArray, FrameBlock, IntArray
from monitor.record.entries import Entry, EntryKind, unpack_frames, unpack_further

Family = Literal["alert", "task"]
FAMILIES: tuple[Family, ...] = ("alert", "task")

GIVEN = frozenset(kind.name for kind in KINDS.values() if kind.of_sources)
"""Markers that a further source may give."""

GIVEN_KEPT = 1024
"""So many of the last markers of a run are looked at: half a day of a task's items would cost more than all else."""

RUNS_KEPT = 4
"""A source that was restarted more often than this is remembered from its last runs."""

HEARD_EVERY_NS = 100_000_000
HEARD_EVERY_ENTRIES = 8
"""That a source was heard is remembered this often: the sooner of both, since a record may be made faster than time."""

JOINED_FRAMES = 1024
"""Blocks of samples longer than this are not joined any more, so that old ones can be let go of piece by piece."""


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """n samples of one run in order, as columns of shape (n,): entry, sequence number, time by its own clock."""

    number: IntArray
    seq: IntArray
    t: FloatArray
    signals: dict[str, FloatArray]


@dataclass(slots=True)
class SourceRun:
    """One run of a source, between two restarts of it."""

    log: Stream
    number: int
    """The entry that it began with."""
    hello_number: int | None = None
    """The entry of its first hello."""
    blocks: deque[Samples] = field(default_factory=deque)
    given: list[ReceivedMarker] = field(default_factory=list)
    """Its markers of the kinds in `GIVEN`, in order of arrival."""
    frames: int = 0
    measured: dict[str, int] = field(default_factory=dict)
    """Signal → samples with a value, of `frames` in all."""

    def fork(self, *, frames: bool) -> SourceRun:
        """The run as it stands, to go on from alone; `frames`: with its samples."""
        blocks = deque(self.blocks) if frames else deque()
        log, given, measured = self.log.fork(), [*self.given], dict(self.measured)
        return replace(self, log=log, blocks=blocks, given=given, measured=measured)

    def hello_as_of(self, number: int) -> Hello | None:
        """What it said of itself, where that had come by an entry."""
        return self.log.hello if self.hello_number is not None and self.hello_number <= number else None

    def period_as_of(self, number: int) -> float:
        """Its nominal period in seconds; 1/60 before its first hello."""
        hello = self.hello_as_of(number)
        return 1.0 / 60.0 if hello is None else 1.0 / hello.rate_hz

    def given_as_of(self, number: int) -> list[ReceivedMarker]:
        """Its last markers that had come by an entry."""
        stop = bisect_right(self.given, number, key=attrgetter("number"))
        return self.given[max(stop - GIVEN_KEPT, 0) : stop]

    def samples(self) -> Samples | None:
        """All its samples that are kept, as one block."""
        if len(self.blocks) < 2:
            return self.blocks[0] if self.blocks else None
        return join_samples(list(self.blocks))


@dataclass(slots=True)
class SourceLog:
    """One further source: place 1, 2 … among the feeds, and its runs."""

    index: int
    endpoint: str
    runs: list[SourceRun] = field(default_factory=list)
    frames: int = 0
    bad: int = 0
    last_refusal: Refused | None = None
    heard: list[tuple[int, int]] = field(default_factory=list)
    """Entries that came from it and when (monotonic ns), some of them: see `HEARD_EVERY_NS`."""
    kinds: dict[str, int] = field(default_factory=dict)
    """Kind of marker → the entry in which the first one came."""

    def fork(self, *, frames: bool) -> SourceLog:
        """The source as it stands, to go on from alone."""
        runs = [run.fork(frames=frames) for run in self.runs]
        return replace(self, runs=runs, heard=[*self.heard], kinds=dict(self.kinds))

    def note_heard(self, numbers: list[int], monotonic_ns: list[int]) -> None:
        """Entries came from it, at these times."""
        last, at_ns = self.heard[-1] if self.heard else (-HEARD_EVERY_ENTRIES, 0)
        for number, ns in zip(numbers, monotonic_ns, strict=True):
            if number - last >= HEARD_EVERY_ENTRIES or ns - at_ns >= HEARD_EVERY_NS:
                last, at_ns = number, ns
                self.heard.append((last, at_ns))

    def name_as_of(self, number: int) -> str:
        """What it calls itself, else its endpoint."""
        hellos = [run.hello_as_of(number) for run in self.runs_as_of(number)]
        return next((hello.source for hello in hellos if hello is not None and hello.source), self.endpoint)

    def may_give(self, family: Family, number: int) -> bool:
        """Whether it gives markers of a kind: as its hello says, else as far as it has been seen to by an entry.

        One that has given no marker of either kind may give any, but for one that has signals: then it is for those.
        """
        runs = self.runs_as_of(number)
        hello = runs[0].hello_as_of(number) if runs else None
        if hello is not None and hello.gives is not None:
            return any(kind.startswith(family) for kind in hello.gives)
        seen = {kind.partition("_")[0] for kind, first in self.kinds.items() if first <= number} & {*FAMILIES}
        return family in seen if seen else hello is None or not hello.signals

    def runs_as_of(self, number: int) -> list[SourceRun]:
        """Its last runs that had begun by then, the newest first."""
        return [run for run in reversed(self.runs) if run.number <= number][:RUNS_KEPT]

    def heard_as_of(self, number: int) -> int | None:
        """The last entry of it by then, to a tenth of a second; None where nothing had come."""
        place = bisect_right(self.heard, number, key=itemgetter(0))
        return self.heard[place - 1][0] if place else None


SyncSeen = Callable[[SourceLog, Marker, float, int], None]
"""Called with each sync mark of a source, when it arrived (seconds) and in which entry."""


ClockSaid = Callable[[SourceLog, SourceRun, Told], None]
"""Called with what a run of a source says of its clock."""


class Sources:
    """The further sources of a record. `add` entries in order, then `take_to` the entry that is to be judged next."""

    def __init__(self, endpoints: Sequence[str], retain_s: float) -> None:
        self.logs = [SourceLog(place, endpoint) for place, endpoint in enumerate(endpoints, start=1)]
        self.on_sync: SyncSeen | None = None
        self.on_told: ClockSaid | None = None
        self._retain_s = retain_s
        self._waiting: dict[int, deque[Entry | KeptSamples]] = {log.index: deque() for log in self.logs}

    def fork(self, *, frames: bool) -> Sources:
        """The sources as they stand, to go on from alone; nobody is told of their sync marks yet."""
        twin = Sources((), self._retain_s)
        twin.logs = [log.fork(frames=frames) for log in self.logs]
        twin._waiting = {place: deque(waiting) for place, waiting in self._waiting.items()}
        return twin

    def add(self, entries: Sequence[Entry]) -> Sequence[Entry]:
        """Takes the entries of further sources out of the next ones of the record; gives the others."""
        further = [entry for entry in entries if entry.kind is EntryKind.FURTHER]
        for entry in further:
            self.add_kept(entry)
        return [entry for entry in entries if entry.kind is not EntryKind.FURTHER] if further else entries

    def add_kept(self, piece: Entry | KeptSamples) -> None:
        """The next entry of a further source, or the samples that were made of its next ones."""
        if isinstance(piece, KeptSamples):
            place = piece.place
        else:
            try:
                place, _ = unpack_further(piece.payload)
            except RecordUnreadable:
                return  # the record's reader has told of damage already
        if place in self._waiting:
            self._waiting[place].append(piece)

    def take_to(self, number: int) -> None:
        """Takes in what stands in the record up to an entry."""
        for log in self.logs:
            due = list(_due(self._waiting[log.index], number))
            if due:
                self._take(log, due)

    def trim(self) -> None:
        """Forgets what no trial may look at any more. What is kept decides nothing: see `AlignedSources`."""
        for log in self.logs:
            del log.runs[:-RUNS_KEPT]
            for run in log.runs:
                del run.given[:-GIVEN_KEPT]
                horizon = run.log.newest_t - self._retain_s
                while len(run.blocks) > 1 and run.blocks[0].t[-1] < horizon:
                    run.blocks.popleft()

    def forget_heard(self, before: int) -> None:
        """Forgets when sources were heard before an entry, but for the last time."""
        for log in self.logs:
            keep = next((place for place, one in enumerate(log.heard) if one[0] >= before), len(log.heard))
            del log.heard[: max(keep - 1, 0)]

    def _take(self, log: SourceLog, pieces: list[Entry | KeptSamples]) -> None:
        for piece in pieces:
            if isinstance(piece, KeptSamples):
                log.note_heard(piece.number.tolist(), piece.monotonic_ns.tolist())
            else:
                log.note_heard([piece.number], [piece.monotonic_ns])
        for is_kept, alike in groupby(pieces, key=lambda piece: isinstance(piece, KeptSamples)):
            if is_kept:
                for piece in alike:
                    assert isinstance(piece, KeptSamples)
                    self._take_rows(log, piece.run, piece.frames, 0, len(piece.number))
                continue
            for part in pieces_of([piece for piece in alike if isinstance(piece, Entry)]):
                if isinstance(part, FrameRun):
                    self._take_rows(log, part.run, part.table, part.first, part.stop)
                else:
                    self._take_message(log, part)
        for run in log.runs:
            _gather(run)

    def _take_rows(self, log: SourceLog, name: str, table: FrameBlock, first: int, stop: int) -> None:
        run = self._run_of(log, name, int(table.number[first]))
        if run is not None:
            log.frames += stop - first
            run.log.take_rows(table, first, stop)

    def _take_message(self, log: SourceLog, entry: Entry) -> None:
        try:
            message = decode_message(unpack_frames(entry.payload))
        except RecordUnreadable as error:
            message = Refused("", str(error))
        if isinstance(message, Refused):
            log.bad += 1
            log.last_refusal = message
            return
        run = self._run_of(log, message.run, entry.number)
        if run is None:
            return
        markers = run.log.markers
        known = len(markers)
        if isinstance(message, Frame):
            log.frames += 1
            run.log.take_frame(message, entry.number)
        elif isinstance(message, Marker):
            run.log.take_marker(message, entry)
            if len(markers) > known and message.kind == "sync" and self.on_sync is not None:
                self.on_sync(log, message, entry.monotonic_ns / 1e9, entry.number)
        else:
            run.log.take_hello(message, entry)
            run.hello_number = run.hello_number or entry.number
            if message.clock is not None and self.on_told is not None:
                self.on_told(log, run, Told(*message.clock, entry.monotonic_ns / 1e9, entry.number))
        for marker in islice(markers.values(), known, None):
            log.kinds.setdefault(marker.kind, entry.number)
            if marker.kind in GIVEN:
                run.given.append(marker)

    def _run_of(self, log: SourceLog, run: str, number: int) -> SourceRun | None:
        """The run of a message; None for what comes late from an older one."""
        if log.runs and log.runs[-1].log.run == run:
            return log.runs[-1]
        if any(one.log.run == run for one in log.runs):
            return None
        if log.runs:
            _gather(log.runs[-1])
        log.runs.append(SourceRun(Stream(log.index, run, self._retain_s), number))
        return log.runs[-1]


def _due(waiting: deque[Entry | KeptSamples], number: int) -> Iterator[Entry | KeptSamples]:
    """Takes off what stands in the record up to an entry; entries as the messages in them."""
    while waiting:
        piece = waiting.popleft()
        if isinstance(piece, KeptSamples):
            stop = int(piece.number.searchsorted(number, side="right"))
            if stop:
                yield piece.part(0, stop)
            if stop < len(piece.number):
                waiting.appendleft(piece.part(stop, len(piece.number)))
                return
        elif piece.number > number:
            waiting.appendleft(piece)
            return
        else:
            _, payload = unpack_further(piece.payload)
            yield Entry(EntryKind.MESSAGE, piece.number, piece.monotonic_ns, piece.wall_ns, payload)


def _gather(run: SourceRun) -> None:
    """Samples of the frames that wait."""
    block = run.log.frames_waiting()
    if block is None:
        return
    run.blocks.append(Samples(block.number, block.seq, block.t, dict(block.signals)))
    run.frames += len(block.t)
    for name, column in block.signals.items():
        run.measured[name] = run.measured.get(name, 0) + int(np.isfinite(column).sum())
    blocks = run.blocks
    while len(blocks) > 1 and len(blocks[-2].t) <= min(2 * len(blocks[-1].t), JOINED_FRAMES):
        newest = blocks.pop()
        blocks.append(join_samples([blocks.pop(), newest]))


def join_samples(parts: Sequence[Samples]) -> Samples:
    """Neighbouring blocks as one; a signal that one of them lacks is NaN there."""
    names = dict.fromkeys(name for part in parts for name in part.signals)
    return Samples(
        number=np.concatenate([part.number for part in parts]),
        seq=np.concatenate([part.seq for part in parts]),
        t=np.concatenate([part.t for part in parts]),
        signals={
            name: np.concatenate(
                [part.signals[name] if name in part.signals else np.full(len(part.t), np.nan) for part in parts]
            )
            for name in names
        },
    )

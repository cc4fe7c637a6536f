"""One record read through and judged once: by the columns that were kept of it, else by its entries.

Whatever needs to see a record as it goes by (a review, a replay's places, a sweep, an export) follows the one session
here. Followers see the same frames either way; only where they are cut may differ, which decides nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from monitor.archive.kept.layout import ColumnsUnfit
from monitor.archive.kept.others import RowsUnread
from monitor.archive.kept.reading import KeptChunk, KeptColumns
from monitor.archive.kept.writing import ColumnsKeeping
from monitor.judging.case.blocks import KeptRun, KeptSamples
from monitor.judging.session import Session
from monitor.measures.columns import IntArray
from monitor.record.entries import Entry, EntryKind
from monitor.record.reader import RecordReading
from monitor.study.loading import parse_study
from monitor.study.model import Study

KEPT_FROM = 20_000
"""Entries of a record whose columns are kept, five minutes at 60 Hz: a shorter one is judged within half a second."""

MOST_AT_ONCE, FEWEST_AT_ONCE = 512, 32
"""Frames, or entries, that are taken at once where a follower wants steps of some seconds."""


@dataclass(frozen=True, slots=True)
class Step:
    """What the session has just taken: number, monotonic and wall time (ns) of its entries in order, each of shape
    (n,), and those of them that were the operator's. `first_message`: place of the first message of the simulator."""

    number: IntArray
    monotonic_ns: IntArray
    wall_ns: IntArray
    operator: tuple[Entry, ...]
    first_message: int | None


Follow = Callable[[Session], Callable[[Step], None]]
"""Is given the session before it has taken anything, and gives what is to be told of each step. Called again, with
another session, where what was kept proves unfit on the way: then all that was followed so far is void."""


class StoppedPass(Exception):
    """Raised by a follower that needs no more."""


@dataclass(frozen=True, slots=True)
class Passed:
    """A record that was read through: its session, and what was wrong with its bytes, a sentence each."""

    session: Session
    damage: tuple[str, ...]
    state: str
    digest: str


class RecordPass:
    """The pass over one record. Raises `RecordUnreadable` where nothing can be read of it, and `StudyFaults` where its
    study does not load; `study` is one to judge by instead of its own."""

    def __init__(self, path: Path, study: Study | None = None, *, keep: bool = False, write: bool = True) -> None:
        """With `keep` the columns of a long record are used where they were kept, and kept where they were not; without
        `write` only the former."""
        self.path = path
        self.reading = RecordReading(path)
        self.opening = self.reading.opening
        self.study = study or parse_study(self.opening.study_text, f"study file in {path}")
        self.damage: tuple[str, ...] = ()
        """Of the record, as far as it is known by now."""
        self._write = write
        self._keep = keep and self.reading.state != "open" and self.reading.last_number >= KEPT_FROM

    def run(self, follow: Follow | None = None, *, step_s: float | None = None) -> Passed:
        """Reads it to its end; `step_s`: in steps of at most so many seconds of the drive, by the feed's stated rate.

        `StoppedPass` of a follower comes through.
        """
        if self._keep:
            passed = self._by_columns(follow, step_s)
            if passed is not None:
                return passed
        return self._by_entries(follow, step_s)

    def _by_columns(self, follow: Follow | None, step_s: float | None) -> Passed | None:
        session = Session(self.study, self.opening)
        try:
            kept = KeptColumns(self.path, self.reading.digest)
            self.damage = kept.damage
            took = follow(session) if follow is not None else None
            for part in _parts_of(kept.chunks(), lambda: _at_once(session, step_s)):
                session.take_kept([*part.further, *part.pieces])
                if took is not None:
                    took(_kept_step(part))
            session.trials()  # what is not final yet is judged here; after this nothing is read any more
        except (ColumnsUnfit, RowsUnread, OSError):
            self.damage = ()
            return None
        return Passed(session, kept.damage, kept.state, kept.digest)

    def _by_entries(self, follow: Follow | None, step_s: float | None) -> Passed:
        session = Session(self.study, self.opening)
        reading = self.reading
        took = follow(session) if follow is not None else None
        keeping = ColumnsKeeping(self.path, reading.digest) if self._keep and self._write else None
        session.on_measured = keeping.measured if keeping is not None else None
        try:
            for entries in reading.blocks(0, *(() if step_s is None else (MOST_AT_ONCE,))):
                at_once = _at_once(session, step_s) or len(entries)
                for first in range(0, len(entries), at_once):
                    some = entries[first : first + at_once]
                    session.take(some)
                    if keeping is not None:
                        keeping.took(some)
                    if took is not None:
                        self.damage = tuple(one.what for one in reading.damage)
                        took(_step_of(some))
            if keeping is not None:
                keeping.finish(reading)
        finally:
            if keeping is not None:
                keeping.drop()
        self.damage = tuple(one.what for one in reading.damage)
        return Passed(session, self.damage, reading.state, reading.digest)


def _at_once(session: Session, step_s: float | None) -> int | None:
    """Frames to take together, by the rate that the feed states; None for any number."""
    if step_s is None:
        return None
    drive = session.current
    hello = drive.log.hello if drive is not None else None
    return MOST_AT_ONCE if hello is None else int(min(max(step_s * hello.rate_hz, FEWEST_AT_ONCE), MOST_AT_ONCE))


def _step_of(entries: Sequence[Entry]) -> Step:
    table = np.array([entry[1:4] for entry in entries], np.int64)
    operator = tuple(entry for entry in entries if entry.kind is EntryKind.OPERATOR)
    first = next((place for place, entry in enumerate(entries) if entry.kind is EntryKind.MESSAGE), None)
    return Step(table[:, 0], table[:, 1], table[:, 2], operator, first)


def _parts_of(chunks: Iterable[KeptChunk], at_once: Callable[[], int | None]) -> Iterator[KeptChunk]:
    """The chunks in parts of at most so many frames. Each ends with one of its pieces, and has of further sources and
    of silent entries what came up to that: whoever goes on from there by the record's entries has them once."""
    further: list[Entry | KeptSamples] = []
    silent = _NOTHING
    for chunk in chunks:
        further = [*further, *chunk.further]
        silent = np.concatenate([silent, np.stack(chunk.silent)], axis=1)
        rest, pieces, frames = list(reversed(chunk.pieces)), list[Entry | KeptRun](), 0
        while rest:
            piece, most = rest.pop(), at_once()
            if isinstance(piece, KeptRun) and most is not None:
                room = most - frames
                if len(piece.number) > room:
                    rest.append(piece.part(room, len(piece.number)))
                    piece = piece.part(0, room)
                frames += len(piece.number)
            pieces.append(piece)
            if rest and (most is None or frames < most):
                continue
            last = int(piece.number[-1]) if isinstance(piece, KeptRun) else piece.number
            due, further = _due(further, last)
            stop = int(np.searchsorted(silent[0], last))
            yield KeptChunk(pieces, due, (silent[0, :stop], silent[1, :stop], silent[2, :stop]))
            silent, pieces, frames = silent[:, stop:], [], 0
    if further or silent.size:
        yield _ending(further, silent)


_NOTHING = np.empty((3, 0), np.int64)


def _ending(further: list[Entry | KeptSamples], silent: IntArray) -> KeptChunk:
    """What is left at the end of a record: its last entry stands there as one that says nothing new."""
    ends = [one.part(len(one.number) - 1, len(one.number)) for one in further if isinstance(one, KeptSamples)]
    times = [(int(one.number[0]), int(one.monotonic_ns[0]), int(one.wall_ns[0])) for one in ends]
    times += [(one.number, one.monotonic_ns, one.wall_ns) for one in further if isinstance(one, Entry)]
    times += [(int(row[0]), int(row[1]), int(row[2])) for row in silent.T[-1:]]
    ending = Entry(EntryKind.TICK, *max(times), b"")
    return KeptChunk([ending], further, (silent[0], silent[1], silent[2]))


def _due(further: list[Entry | KeptSamples], last: int) -> tuple[list[Entry | KeptSamples], list[Entry | KeptSamples]]:
    """What came of further sources up to an entry, and the rest."""
    due: list[Entry | KeptSamples] = []
    rest: list[Entry | KeptSamples] = []
    for piece in further:
        if isinstance(piece, KeptSamples):
            stop = int(np.searchsorted(piece.number, last, side="right"))
            if stop:
                due.append(piece.part(0, stop))
            if stop < len(piece.number):
                rest.append(piece.part(stop, len(piece.number)))
        else:
            (due if piece.number <= last else rest).append(piece)
    return due, rest


def _kept_step(chunk: KeptChunk) -> Step:
    runs = [piece for piece in chunk.pieces if isinstance(piece, KeptRun)]
    entries = [piece for piece in (*chunk.pieces, *chunk.further) if isinstance(piece, Entry)]
    samples = [piece for piece in chunk.further if isinstance(piece, KeptSamples)]
    single = np.array([entry[1:4] for entry in entries], np.int64).reshape(len(entries), 3).T
    parts = [list(chunk.silent), list(single)]
    parts += [[one.number, one.monotonic_ns, one.wall_ns] for one in runs]
    parts += [[one.number, one.monotonic_ns, one.wall_ns] for one in samples]
    number, monotonic_ns, wall_ns = (np.concatenate([part[place] for part in parts]) for place in range(3))
    number, order = np.unique(number, return_index=True)
    monotonic_ns, wall_ns = monotonic_ns[order], wall_ns[order]
    messages = [entry.number for entry in entries if entry.kind is EntryKind.MESSAGE]
    messages += [int(run.number[0]) for run in runs]
    first = int(np.searchsorted(number, min(messages))) if messages else None
    operator = tuple(entry for entry in entries if entry.kind is EntryKind.OPERATOR)
    return Step(number, monotonic_ns, wall_ns, operator, first)

"""One record read through and judged once: by the columns that were kept of it, else by its entries.

Whatever needs to see a record as it goes by (a review, a replay's places, a sweep, an export) follows the one session
here. Followers see the same frames either way; only where they are cut may differ, which decides nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
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

    def __init__(self, path: Path, study: Study | None = None, *, keep: bool = False) -> None:
        """With `keep` the columns of a long record are used where they were kept, and kept where they were not."""
        self.path = path
        self.reading = RecordReading(path)
        self.opening = self.reading.opening
        self.study = study or parse_study(self.opening.study_text, f"study file in {path}")
        self.damage: tuple[str, ...] = ()
        """Of the record, as far as it is known by now."""
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
            kept = KeptColumns(self.path)
            self.damage = kept.damage
            took = follow(session) if follow is not None else None
            for chunk in kept.chunks():
                for pieces, further, silent in _parts_of(chunk, lambda: _at_once(session, step_s)):
                    session.take_kept([*further, *pieces])
                    if took is not None:
                        took(_kept_step(pieces, further, silent))
            session.trials()  # what is not final yet is judged here; after this nothing is read any more
        except (ColumnsUnfit, RowsUnread, OSError):
            self.damage = ()
            return None
        return Passed(session, kept.damage, kept.state, kept.digest)

    def _by_entries(self, follow: Follow | None, step_s: float | None) -> Passed:
        session = Session(self.study, self.opening)
        reading = self.reading
        took = follow(session) if follow is not None else None
        keeping = ColumnsKeeping(self.path) if self._keep else None
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


Piece = Entry | KeptRun


def _parts_of(
    chunk: KeptChunk, at_once: Callable[[], int | None]
) -> Iterator[tuple[list[Piece], list[Entry | KeptSamples], list[IntArray]]]:
    """The pieces of a chunk, at most so many frames at a time, with what came of further sources among them."""
    silent, further = _Silent(chunk), list(chunk.further)
    rest, pieces = list(reversed(chunk.pieces)), list[Piece]()
    frames = 0
    while rest:
        piece, most = rest.pop(), at_once()
        if isinstance(piece, KeptRun):
            room = len(piece.number) if most is None else most - frames
            if len(piece.number) > room:
                rest.append(piece.part(room, len(piece.number)))
                piece = piece.part(0, room)
            frames += len(piece.number)
        pieces.append(piece)
        if rest and (most is None or frames < most):
            continue
        last = int(piece.number[-1]) if isinstance(piece, KeptRun) else piece.number
        due, further = _due(further, None if not rest else last)
        yield pieces, due, silent.to(None if not rest else last)
        pieces, frames = [], 0
    if not chunk.pieces:
        yield [], further, silent.to(None)


def _due(
    further: list[Entry | KeptSamples], last: int | None
) -> tuple[list[Entry | KeptSamples], list[Entry | KeptSamples]]:
    """What came of further sources up to an entry, and the rest."""
    if last is None:
        return further, []
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


class _Silent:
    """The entries of a chunk that say nothing new, given off in order."""

    def __init__(self, chunk: KeptChunk) -> None:
        self._columns = chunk.silent
        self._first = 0

    def to(self, last: int | None) -> list[IntArray]:
        number = self._columns[0]
        first = self._first
        self._first = len(number) if last is None else int(np.searchsorted(number, last, side="right"))
        return [column[first : self._first] for column in self._columns]


def _kept_step(pieces: list[Piece], further: list[Entry | KeptSamples], silent: list[IntArray]) -> Step:
    runs = [piece for piece in pieces if isinstance(piece, KeptRun)]
    entries = [piece for piece in (*pieces, *further) if isinstance(piece, Entry)]
    samples = [piece for piece in further if isinstance(piece, KeptSamples)]
    single = np.array([entry[1:4] for entry in entries], np.int64).reshape(len(entries), 3).T
    parts = [silent, list(single)]
    parts += [[one.number, one.monotonic_ns, one.wall_ns] for one in runs]
    parts += [[one.number, one.monotonic_ns, one.wall_ns] for one in samples]
    number, monotonic_ns, wall_ns = (np.concatenate([part[place] for part in parts]) for place in range(3))
    order = np.argsort(number, kind="stable")
    number, monotonic_ns, wall_ns = number[order], monotonic_ns[order], wall_ns[order]
    messages = [entry.number for entry in entries if entry.kind is EntryKind.MESSAGE]
    messages += [int(run.number[0]) for run in runs]
    first = int(np.searchsorted(number, min(messages))) if messages else None
    operator = tuple(entry for entry in entries if entry.kind is EntryKind.OPERATOR)
    return Step(number, monotonic_ns, wall_ns, operator, first)

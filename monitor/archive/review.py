"""A record from disk, judged: the same session that a live screen has, fed from the file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from monitor.archive.kept_columns import ColumnsKeeping, ColumnsUnfit, KeptColumns
from monitor.archive.kept_others import RowsUnread
from monitor.judging.session import Session
from monitor.record.addendum import addendum_of
from monitor.record.reader import RecordReading
from monitor.record.tombstone import refuse_withdrawn
from monitor.study.loading import parse_study
from monitor.study.model import Study

KEPT_FROM = 20_000
"""Entries of a record whose columns are kept, five minutes at 60 Hz: a shorter one is judged within half a second."""


@dataclass(frozen=True, slots=True)
class Reviewed:
    """A judged record and what was wrong with its bytes, a sentence each."""

    path: Path
    session: Session
    damage: tuple[str, ...]
    state: str
    digest: str


def review_record(path: Path, study: Study | None = None, *, keep: bool = False) -> Reviewed:
    """Judges a record (open, closed, sealed or damaged), by its own study file or by another one.

    With `keep` the columns of a long record are used where they were kept, and kept where they were not.
    Raises `RecordUnreadable` where nothing can be read of it, and `StudyFaults` where its study does not load.
    """
    reading = RecordReading(path)
    opening = reading.opening
    used = study or parse_study(opening.study_text, f"study file in {path}")
    keep = keep and reading.state != "open" and len(opening.feeds) == 1 and reading.last_number >= KEPT_FROM
    reviewed = _from_columns(path, Session(used, opening)) if keep else None
    if reviewed is None:
        reviewed = _from_entries(path, reading, Session(used, opening), keep=keep)
    added = addendum_of(path)
    for fields in added.maps:
        reviewed.session.take_addendum(fields)
    refuse_withdrawn(path)  # erased while it was read: what was found of it is not the whole
    return replace(reviewed, damage=(*reviewed.damage, *added.faults()))


def _from_columns(path: Path, session: Session) -> Reviewed | None:
    try:
        kept = KeptColumns(path)
        for pieces in kept.pieces():
            session.take_kept(pieces)
        session.trials()  # what is not final yet is judged here; after this nothing is read any more
    except (ColumnsUnfit, RowsUnread, OSError):
        return None
    return Reviewed(path, session, kept.damage, kept.state, kept.digest)


def _from_entries(path: Path, reading: RecordReading, session: Session, *, keep: bool) -> Reviewed:
    keeping = ColumnsKeeping(path) if keep else None
    session.on_measured = keeping.measured if keeping is not None else None
    try:
        for entries in reading.blocks():
            session.take(entries)
            if keeping is not None:
                keeping.took(entries)
        if keeping is not None:
            keeping.finish(reading)
    finally:
        if keeping is not None:
            keeping.drop()
    damage = tuple(one.what for one in reading.damage)
    return Reviewed(path, session, damage, reading.state, reading.digest)

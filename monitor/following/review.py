"""A record from disk, judged: the same session that a live screen has, fed from the file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.following.columns_kept import ColumnsKeeping, ColumnsUnfit, KeptColumns
from monitor.following.others_kept import RowsUnread
from monitor.following.sources import sources_json
from monitor.judging.session import Session
from monitor.judging.trial import note_json, number, trial_json
from monitor.record.addendum import read_addendum
from monitor.record.reader import RecordReading
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
    for fields in read_addendum(path):
        reviewed.session.take_addendum(fields)
    return reviewed


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


def session_json(session: Session, record: str) -> dict[str, Any]:
    """The object that `review`, `demo` and `watch` print for one record (contract of the command line)."""
    counts = [drive.log.counts for drive in session.drives]
    spans = [drive.log.newest_t - drive.log.first_t for drive in session.drives if drive.log.counts.judged]
    rates = [drive.log.hello.rate_hz for drive in session.drives if drive.log.hello is not None]
    return {
        "record": record,
        "participant": session.opening.participant,
        "group": session.group,
        "drives": [
            {
                "drive": drive.log.index,
                "run": drive.log.run,
                "scenario": drive.log.hello.scenario if drive.log.hello else None,
                "ended_by": drive.log.end_kind,
            }
            for drive in session.drives
        ],
        "feed": {
            "frames": sum(one.frames for one in counts),
            "lost": sum(one.lost for one in counts),
            "duplicates": sum(one.duplicates for one in counts),
            "bad": session.bad,
            "duration_s": float(sum(spans)),
            "rate_hz": number(rates[-1]) if rates else None,
            "out_of_order": sum(one.out_of_order for one in counts),
            "repeated_time": sum(one.repeated_time for one in counts),
            "before_hello": sum(one.before_hello for one in counts),
        },
        "sources": sources_json(session),
        "trials": [trial_json(trial) for trial in session.trials()],
        "notes": [note_json(note) for note in session.operator.notes],
    }

"""A record from disk, judged: the same session that a live screen has, fed from the file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from monitor.archive.record_pass import RecordPass
from monitor.judging.session import Session
from monitor.record.addendum import addendum_of
from monitor.record.tombstone import refuse_withdrawn
from monitor.study.model import Study


@dataclass(frozen=True, slots=True)
class Reviewed:
    """A judged record and what was wrong with its bytes, a sentence each."""

    path: Path
    session: Session
    damage: tuple[str, ...]
    state: str
    digest: str


def review_record(path: Path, study: Study | None = None, *, keep: bool = False, write: bool = True) -> Reviewed:
    """Judges a record (open, closed, sealed or damaged), by its own study file or by another one.

    With `keep` the columns of a long record are used where they were kept, and kept where they were not; without
    `write` only the former.
    Raises `RecordUnreadable` where nothing can be read of it, and `StudyFaults` where its study does not load.
    """
    passed = RecordPass(path, study, keep=keep, write=write).run()
    added = addendum_of(path)
    for fields in added.maps:
        passed.session.take_addendum(fields)
    refuse_withdrawn(path)  # erased while it was read: what was found of it is not the whole
    return Reviewed(path, passed.session, (*passed.damage, *added.faults()), passed.state, passed.digest)

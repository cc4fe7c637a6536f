"""What was entered of how each participant was, record by record, by the operator's entries alone: nothing is judged,
and no frame or marker is looked at, so that nothing of a response can come into it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.archive.entered import read_entered
from monitor.errors import WitnessError
from monitor.judging.entered.operator import ComfortRating, OperatorLog
from monitor.judging.rules.stopped import Stop
from monitor.record.places import code_in_name
from monitor.record.reader import began_wall, list_records
from monitor.record.tombstone import ADVERSE_NAME, read_tombstone
from monitor.study.day.model import SafetyRule
from monitor.study.model import Study


@dataclass(frozen=True, slots=True)
class SafetySession:
    """One record: what was entered in it of the participant's safety, and what its study asks."""

    record: str
    participant: str
    study: str
    title: str
    began: float
    """Seconds since 1970."""
    asks: SafetyRule | None
    comfort_stop_at: float | None
    drove: bool
    """Whether there was a drive: who was only welcomed is not asked how they feel after it."""
    operator: OperatorLog
    faults: tuple[str, ...]

    @property
    def stops(self) -> tuple[Stop, ...]:
        """Those that were not taken back."""
        return tuple(self.operator.stops)

    @property
    def comfort(self) -> tuple[ComfortRating, ...]:
        """All spoken ratings."""
        return tuple(self.operator.comfort)

    @property
    def missing(self) -> tuple[str, ...]:
        """What the study asks for and nobody entered."""
        if self.asks is None:
            return ()
        log = self.operator.day
        asked = [when for when in self.asks.questionnaire if when == "before" or self.drove]
        found = [f"symptoms {when} the drive" for when in asked if log.filled_in(when) is None]
        leaves = self.asks.fit_to_leave and self.drove and log.fit is None
        return (*found, *(("fit to leave",) if leaves else ()))


@dataclass(frozen=True, slots=True)
class Gone:
    """A session whose participant withdrew: the day, and the adverse events that the approved protocol keeps."""

    whose: str
    """By what several sessions of one person are known as such; told nowhere."""
    date: str
    study: str | None
    kept: tuple[dict[str, Any], ...]


@dataclass(frozen=True, slots=True)
class SafetyFacts:
    """All records of a directory, or one record."""

    sessions: tuple[SafetySession, ...]
    withdrawn: tuple[Gone, ...]
    unreadable: tuple[str, ...]
    """Records of which nobody can say what was entered in them, with why."""


def safety_facts(path: Path, *, alone: bool) -> SafetyFacts:
    """Reads the operator's entries of all records in a directory, or of the one at `path` where it stands `alone`."""
    sessions: list[SafetySession] = []
    withdrawn: list[Gone] = []
    unreadable: list[str] = []
    for record in [path] if alone else list_records(path):
        try:
            tombstone = read_tombstone(record)
            if tombstone is None:
                sessions.append(_session(record))
            else:
                study = tombstone.get("study")
                date = str(tombstone["withdrawn_at"])[:10]
                whose = code_in_name(record) or record.name
                withdrawn.append(Gone(whose, date, study if isinstance(study, str) else None, tuple(_kept(record))))
        except (WitnessError, OSError) as error:
            why = str(error).removeprefix(str(record)).removeprefix(":").strip()
            unreadable.append(f"{record.name}: {' '.join(why.split())}")
    sessions.sort(key=lambda one: (one.began, one.record))
    return SafetyFacts(tuple(sessions), tuple(withdrawn), tuple(unreadable))


def _session(path: Path) -> SafetySession:
    entered = read_entered(path)
    study, opening = entered.study, entered.opening
    return SafetySession(
        path.name,
        opening.participant,
        opening.study_name,
        _title(study, opening.study_name),
        began_wall(path),
        None if study is None else study.day.safety,
        None if study is None else study.comfort_stop_at,
        entered.drove,
        entered.operator,
        entered.faults,
    )


def _title(study: Study | None, name: str) -> str:
    return name if study is None else study.title or name


def _kept(record: Path) -> Iterator[dict[str, Any]]:
    """What a withdrawal kept because the protocol says so."""
    path = record / ADVERSE_NAME
    if not path.exists():
        return
    try:
        events = json.loads(path.read_text(encoding="utf-8"))
    except ValueError:
        return
    yield from (one for one in events if isinstance(one, dict))

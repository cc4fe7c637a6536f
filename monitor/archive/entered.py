"""What people entered in a record, read without judging anything: no frame and no marker is looked at."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.errors import StudyFaults, WitnessError
from monitor.judging.entered.operator import OperatorLog
from monitor.record.addendum import addendum_of
from monitor.record.entries import EntryKind, Opening, unpack_map
from monitor.record.reader import RecordReading
from monitor.study.loading import parse_study
from monitor.study.model import Study


@dataclass(frozen=True, slots=True)
class Entered:
    """The operator's entries of one record, those after its closing too."""

    path: Path
    record_id: str
    opening: Opening
    study: Study | None
    """None where its study file does not load any more."""
    operator: OperatorLog
    drove: bool
    """Whether anything came from a simulator."""
    faults: tuple[str, ...]
    """What keeps this from being all that was entered, a sentence each."""


def read_entered(path: Path) -> Entered:
    """Raises `RecordUnreadable` where nothing can be read of the record, and `RecordWithdrawn`."""
    reading = RecordReading(path)
    opening, study, faults = reading.opening, None, []
    try:
        study = parse_study(opening.study_text, f"study file in {path}")
    except StudyFaults:
        faults.append("its study file does not load any more: what it asks for, and its stop rule, are not known")
    operator = OperatorLog(None if study is None else study.comfort_stop_at)
    drove = False
    for block in reading.blocks():
        for entry in block:
            drove = drove or entry.kind is EntryKind.MESSAGE
            if entry.kind is not EntryKind.OPERATOR:
                continue
            fields = _fields(entry.payload)
            if fields is None:
                faults.append(f"entry {entry.number}, of somebody in the control room, cannot be read")
            else:
                operator.take(fields)
    added = addendum_of(path)
    for fields in added.maps:
        operator.take(fields)
    faults += [*(one.what for one in reading.damage), *added.faults()]
    return Entered(path, reading.record_id, opening, study, operator, drove, tuple(faults))


def _fields(payload: bytes) -> dict[str, Any] | None:
    try:
        return unpack_map(payload)
    except WitnessError:
        return None

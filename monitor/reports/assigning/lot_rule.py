"""Whether a lot may be opened for a participant: after the study's steps of the run sheet, and not for who was not
taken. Consent, screening and practice come first, so that nobody who never drives takes up a place in the order."""

from __future__ import annotations

from pathlib import Path

from monitor.archive.entered import Entered, read_entered
from monitor.errors import WitnessError
from monitor.record.reader import RecordReading, list_records
from monitor.reports.assigning.asked import NotTaken, asked_of
from monitor.study.model import Study


def entered_of(directory: Path, study: Study, participant: str) -> tuple[Entered, ...]:
    """What was entered in the runs of one participant of a study; what cannot be read has nothing in it."""
    found = []
    for path in list_records(directory) if directory.exists() else []:
        try:
            opening = RecordReading(path).opening
            if opening.participant == participant and opening.study_name == study.name:
                found.append(read_entered(path))
        except (WitnessError, OSError):
            continue
    return tuple(found)


def not_ticked(study: Study, entered: tuple[Entered, ...]) -> tuple[str, ...]:
    """Steps that a lot waits for and that are ticked in none of the runs."""
    rule = study.assignment
    ticked = {step for one in entered for step in one.operator.steps_done}
    return tuple(step for step in rule.after if step not in ticked) if rule is not None else ()


def exclusion_of(directory: Path, study: Study, entered: tuple[Entered, ...]) -> NotTaken | None:
    """The exclusion that stands for whoever drove these runs."""
    return asked_of(directory, study.name).of_records({one.record_id for one in entered})

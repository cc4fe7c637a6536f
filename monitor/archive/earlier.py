"""What a participant met in earlier runs: read from the records, entered once at the start of the next run."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.archive.review import Reviewed, review_record
from monitor.errors import WitnessError
from monitor.judging.day.driving import stretches_of
from monitor.judging.rules.exposure import Shown
from monitor.record.places import code_in_name, is_emptied, leads_nowhere
from monitor.record.reader import RecordReading, began_wall, list_records


@dataclass(frozen=True, slots=True)
class Earlier:
    """What a participant's earlier records say."""

    exposures: tuple[dict[str, Any], ...] = ()
    """Evidence of surprises, each {"surprise_class", "naive" ("no" or "unknown"), "record", "trial", "why"}."""
    known: bool = True
    """Whether all records could be read: one that cannot be read may be this participant's."""
    runs: tuple[dict[str, Any], ...] = ()
    """The runs in order, for an entry of type `carried` (`judging/day/log.py`)."""


def earlier_of(records: Path, participant: str) -> Earlier:
    """What a participant met and drove before, by the records in a directory."""
    found: list[dict[str, Any]] = []
    runs: list[dict[str, Any]] = []
    known = True
    for path in list_records(records):
        if (is_emptied(path) or leads_nowhere(path)) and code_in_name(path) not in (None, participant):
            continue  # nothing of it is left, or to be had, but whose it is, and that is somebody else
        try:
            if RecordReading(path).opening.participant != participant:
                continue
            reviewed = review_record(path)
        except (WitnessError, OSError):
            known = False
            continue
        runs.append(_run(reviewed))
        for trigger_class, trial, shown in reviewed.session.shown():
            if shown is not Shown.NO:
                found.append(
                    {
                        "surprise_class": trigger_class,
                        "naive": "no" if shown is Shown.YES else "unknown",
                        "record": path.name,
                        "trial": trial,
                        "why": f"the hazard {'showed itself' if shown is Shown.YES else 'may have shown itself'}",
                    }
                )
        if reviewed.damage:
            found.append(
                {
                    "surprise_class": "*",
                    "naive": "unknown",
                    "record": path.name,
                    "trial": "?",
                    "why": "the record is damaged",
                }
            )
    return Earlier(tuple(found), known, tuple(sorted(runs, key=lambda run: run["began"])))


def _run(reviewed: Reviewed) -> dict[str, Any]:
    """A run in short. What was driven is told no finer than five minutes where a response is hidden."""
    session = reviewed.session
    hides = any(trial.withheld for trial in session.trials())
    stretches = stretches_of(drive.log for drive in session.drives)
    if hides:
        stretches = [one.coarse() for one in stretches]
    return {
        "record": reviewed.path.name,
        "began": began_wall(reviewed.path),
        "group": session.group,
        "scenarios": [drive.log.hello.scenario or "" for drive in session.drives if drive.log.hello is not None],
        "stretches": [[one.began, one.ended, one.driven_s] for one in stretches],
        "stops": [one.words for one in session.operator.stops],
        "steps": list(session.operator.steps_done),
        "filled": [when for when in ("before", "after") if session.operator.day.filled_in(when) is not None],
    }

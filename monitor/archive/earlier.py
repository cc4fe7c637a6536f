"""What a participant met in earlier runs: read from the records, entered once at the start of the next run."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from monitor.archive.review import review_record
from monitor.errors import WitnessError
from monitor.judging.rules.exposure import Shown
from monitor.record.reader import RecordReading, list_records


def earlier_exposures(records: Path, participant: str) -> tuple[tuple[dict[str, Any], ...], bool]:
    """Evidence of surprises in a participant's earlier records, and whether all of them could be read.

    Each piece: {"surprise_class", "naive" ("no" or "unknown"), "record", "trial", "why"}. A record that cannot be read
    makes the whole unknown: it may be this participant's.
    """
    found: list[dict[str, Any]] = []
    known = True
    for path in list_records(records):
        try:
            if RecordReading(path).opening.participant != participant:
                continue
            reviewed = review_record(path)
        except WitnessError:
            known = False
            continue
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
    return tuple(found), known

"""Two runs laid over each other, as text and as JSON."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from monitor.archive.rehearsals import FOLDER, kept_pages
from monitor.errors import WitnessError
from monitor.judging.case.trial import ConditionResult
from monitor.judging.document import number
from monitor.replay.beside.differences import Difference, differences
from monitor.replay.beside.runs import Alignment, LaidRun

NO_DIFFERENCE = "Nothing differs that people would see."


def reference_record(record: Path, study: str) -> Path:
    """The record of the last rehearsal of a study that was a go. Raises `WitnessError` where there is none."""
    records = record.parent
    for page in reversed(kept_pages(records, study)):
        kept = Path(str(page.get("record") or ""))
        for path in (kept, records / kept.name, records / FOLDER / kept.name):
            if page.get("go") and kept.name and path.is_dir():
                return path
    raise WitnessError(
        f"{records / FOLDER} holds no record of a rehearsal of {study} that was a go; "
        "name the other record: --beside OTHER"
    )


Pair = tuple[str, ConditionResult | None, ConditionResult | None]
"""A condition's name, and how it came out in the first and in the second run; None where it was not asked there."""


def condition_pairs(first: LaidRun, second: LaidRun) -> list[Pair]:
    """The conditions of both trials side by side, by name, in the order of the first one's study."""
    theirs = {one.name: one for one in second.trial.conditions}
    pairs: list[Pair] = [(one.name, one, theirs.pop(one.name, None)) for one in first.trial.conditions]
    return pairs + [(name, None, one) for name, one in theirs.items()]


def beside_json(first: LaidRun, second: LaidRun, alignment: Alignment) -> dict[str, Any]:
    """One JSON object: both runs, the conditions side by side, what differs in order."""
    return {
        "aligned_at": alignment,
        "runs": [
            {
                "record": run.stretch.record,
                "participant": run.stretch.participant,
                "trial": run.trial.id,
                "zero_t": number(run.zero_t),
                "verdict": run.trial.verdict,
            }
            for run in (first, second)
        ],
        "conditions": [
            {
                "name": name,
                "results": [one.result if one else None for one in (here, there)],
                "values": [number(one.value) if one else None for one in (here, there)],
            }
            for name, here, there in condition_pairs(first, second)
        ],
        "differences": [asdict(one) | {"by": number(one.by)} for one in differences(first, second)],
    }


def beside_lines(first: LaidRun, second: LaidRun, alignment: Alignment) -> list[str]:
    """The same as text: the differences in words, then the conditions."""
    lines = [
        f"{run} {laid.title}: {laid.trial.id} {laid.trial.verdict}, at {laid.zero_t:.2f} s of its drive"
        for run, laid in (("first ", first), ("second", second))
    ]
    lines += ["", f"Laid over each other at the {alignment}; seconds from there."]
    found = differences(first, second)
    lines += [one.sentence for one in found] or [NO_DIFFERENCE]
    lines += ["", f"{'condition':<24} {'first':>22} {'second':>22}"]
    lines += [
        f"{name[:24]:<24} {_cell(here):>22} {_cell(there):>22}" for name, here, there in condition_pairs(first, second)
    ]
    return lines


def first_words(found: tuple[Difference, ...], most: int = 2) -> str:
    """The first differences in one line."""
    return " ".join(one.sentence for one in found[:most]) or NO_DIFFERENCE


def _cell(one: ConditionResult | None) -> str:
    if one is None:
        return "not asked"
    value = one.state or ("–" if one.value is None else f"{one.value:.2f} {one.unit}".rstrip())
    return f"{value} {one.result}"

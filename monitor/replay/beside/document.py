"""Two runs laid over each other, as text and as JSON."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from monitor.archive.rehearsals import FOLDER, kept_pages, unreadable_pages
from monitor.errors import WitnessError
from monitor.judging.case.trial import ConditionResult, Finding, Result
from monitor.judging.document import number
from monitor.replay.beside.differences import differences, remarks
from monitor.replay.beside.runs import Alignment, LaidRun

NO_DIFFERENCE = "Nothing differs that people would see."
NONE_COMPARED = "Of what was compared nothing differs that people would see."
SAME = "Both are the same record."


def reference_record(record: Path, study: str) -> Path:
    """The record of the last rehearsal of a study that was a go. Raises `WitnessError` where there is none."""
    records = record.parent
    for page in reversed(kept_pages(records, study)):
        kept = Path(str(page.get("record") or ""))
        for path in (kept, records / kept.name, records / FOLDER / kept.name):
            if page.get("go") and kept.name and path.is_dir():
                return path
    unreadable = unreadable_pages(records)
    also = f" ({len(unreadable)} of its pages cannot be read)" if unreadable else ""
    raise WitnessError(
        f"{records / FOLDER} holds no record of a rehearsal of {study} that was a go{also}; "
        "name the other record: --beside OTHER"
    )


Pair = tuple[str, ConditionResult | None, ConditionResult | None]
"""A condition's name, and how it came out in the first and in the second run; None where it was not asked there."""


def condition_pairs(first: LaidRun, second: LaidRun) -> list[Pair]:
    """The conditions of both trials side by side, by name, in the order of the first one's study."""
    theirs = {one.name: one for one in second.trial.conditions}
    pairs: list[Pair] = [(one.name, one, theirs.pop(one.name, None)) for one in first.trial.conditions]
    return pairs + [(name, None, one) for name, one in theirs.items()]


def one_sided_findings(first: LaidRun, second: LaidRun) -> list[tuple[str, Finding]]:
    """What was found of one trial only, with "first" or "second"."""
    sides = (("first", first, second), ("second", second, first))
    return [
        (which, one)
        for which, run, other in sides
        for one in run.trial.findings
        if one.code not in {found.code for found in other.trial.findings}
    ]


@dataclass(frozen=True, slots=True)
class Summary:
    """What differs, with what was found of one trial only; and what was not compared, or speaks against it."""

    differs: tuple[str, ...]
    against: tuple[str, ...]
    decisive: dict[str, Result] = field(default_factory=dict)
    """Of what differs, the findings that void one of the trials ("not met") or leave it open ("undecided")."""

    @property
    def weightiest_first(self) -> tuple[str, ...]:
        """What differs first, then what decided, then the rest in its order: for where there is no room for all."""
        return tuple(dict.fromkeys((*self.differs[:1], *self.decisive, *self.differs)))


def summary(first: LaidRun, second: LaidRun) -> Summary:
    """Both in words, the first difference first."""
    said = remarks(first, second)
    lines = [one.sentence for one in differences(first, second)] or [NONE_COMPARED if said else NO_DIFFERENCE]
    found = [
        (one.severity, f"Found in the {which} run only: {one.code}. {one.sentence}".rstrip())
        for which, one in one_sided_findings(first, second)
    ]
    same = (SAME,) if first.stretch.record == second.stretch.record else ()
    meant: dict[str, Result] = {"void": "not met", "doubtful": "undecided"}
    decisive = {words: result for severity, result in meant.items() for its, words in found if its == severity}
    return Summary((*lines, *(words for _, words in found)), (*same, *said), decisive)


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
                "states": [one.state if one else None for one in (here, there)],
            }
            for name, here, there in condition_pairs(first, second)
        ],
        "differences": [asdict(one) | {"by": number(one.by)} for one in differences(first, second)],
        "findings": [
            {"run": which, "code": one.code, "sentence": one.sentence}
            for which, one in one_sided_findings(first, second)
        ],
        "remarks": list(remarks(first, second)),
    }


def beside_lines(first: LaidRun, second: LaidRun, alignment: Alignment) -> list[str]:
    """The same as text: the differences in words, then the conditions."""
    lines = [
        f"{run} {laid.title}: {laid.trial.id} {laid.trial.verdict}, at {laid.zero_t:.2f} s of its drive"
        for run, laid in (("first ", first), ("second", second))
    ]
    lines += ["", f"Laid over each other at the {alignment}; seconds from there."]
    said = summary(first, second)
    lines += [*said.differs, *said.against]
    lines += ["", f"{'condition':<24} {'first':>22} {'second':>22}"]
    lines += [
        f"{name[:24]:<24} {_cell(here):>22} {_cell(there):>22}" for name, here, there in condition_pairs(first, second)
    ]
    return lines


def _cell(one: ConditionResult | None) -> str:
    if one is None:
        return "not asked"
    value = one.state or ("–" if one.value is None else f"{one.value:.2f} {one.unit}".rstrip())
    return f"{value} {one.result}"

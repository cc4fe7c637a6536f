"""One tolerance over many records: how many trials would be valid at each value of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from monitor.errors import WitnessError
from monitor.judging.case.trial import Result, Trial, Verdict
from monitor.judging.judge import decide
from monitor.record.reader import list_records
from monitor.replay.explain.explanation import asked_of_trial
from monitor.replay.explain.words import up
from monitor.replay.lines.bands import needed_tolerance
from monitor.replay.seeking.playback import Playback
from monitor.replay.seeking.reading import MapMaking
from monitor.study.model import Study


@dataclass(frozen=True, slots=True)
class SweptTrial:
    """A trial and what it takes: the least tolerance that its condition needs (None: no tolerance is enough)."""

    record: str
    trial: Trial
    condition: str
    unit: str
    needed: float | None
    not_failed_from: float | None
    """The least tolerance with which the condition is no longer "not met" (met or undecided)."""

    def verdict_at(self, tolerance: float) -> Verdict:
        """The computed verdict with this tolerance."""
        if self.trial.fired_at is None:
            return self.trial.verdict
        result: Result = "not met"
        if self.needed is not None and tolerance >= self.needed:
            result = "met"
        elif self.not_failed_from is not None and tolerance >= self.not_failed_from:
            result = "undecided"
        conditions = tuple(
            replace(one, result=result) if one.name == self.condition else one for one in self.trial.conditions
        )
        return decide(conditions, self.trial.findings, final=True)


@dataclass(frozen=True, slots=True)
class SweepRow:
    """How many trials come out how at one tolerance."""

    tolerance: float
    valid: int
    invalid: int
    undecided: int


def swept_trials(
    path: Path, trigger_name: str, condition_name: str, study: Study | None = None
) -> Iterator[SweptTrial]:
    """The trials of a trigger in one record. Raises `WitnessError` where its study has no such condition."""
    found = MapMaking(path, study).run()
    trigger = next((one for one in found.study.triggers if one.name == trigger_name), None)
    names = [one.name for one in trigger.conditions] if trigger is not None else []
    if trigger is None or condition_name not in names:
        known = [f"{one.name}/{condition.name}" for one in found.study.triggers for condition in one.conditions]
        raise WitnessError(f"{path} has no condition {trigger_name}/{condition_name}; it has {', '.join(known)}.")
    place = names.index(condition_name)
    unit = trigger.conditions[place].measure.unit
    playback = Playback(found)
    playback.go_to_number(found.read_to_number)
    for trial in playback.trials():
        if trial.trigger != trigger_name:
            continue
        needed = not_failed_from = None
        asked = [] if trial.fired_at is None else asked_of_trial(found, playback, trial, trigger, trial.fired_at)
        if asked:
            needed = needed_tolerance(asked[place])
            not_failed_from = needed_tolerance(asked[place], ("met", "undecided"))
        yield SweptTrial(path.name, trial, condition_name, unit, needed, not_failed_from)


def sweep(trials: Sequence[SweptTrial], up_to: float, steps: int) -> list[SweepRow]:
    """The count of verdicts at `steps` + 1 tolerances from 0 to `up_to`."""
    rows = []
    for step in range(steps + 1):
        tolerance = up_to * step / steps
        verdicts = [one.verdict_at(tolerance) for one in trials]
        counts = [verdicts.count(verdict) for verdict in ("valid", "invalid", "undecided")]
        rows.append(SweepRow(tolerance, *counts))
    return rows


def far_enough(trials: Sequence[SweptTrial]) -> float:
    """A tolerance with which every trial passes that can: one figure, rounded up; 1.0 where none needs any."""
    most = max((one.needed for one in trials if one.needed), default=0.0)
    if most <= 0.0:
        return 1.0
    size = 10.0 ** (len(f"{int(most)}") - 1) if most >= 1.0 else 0.1 if most >= 0.1 else 0.01
    return float(size * (int(most / size) + 1))


@dataclass(frozen=True, slots=True)
class Sweep:
    """A sweep with its trials."""

    trials: tuple[SweptTrial, ...]
    rows: tuple[SweepRow, ...]


def sweep_folder(folder: Path, trigger: str, condition: str, steps: int = 20) -> Sweep:
    """The sweep over all records of a directory; records whose study has no such condition are left out."""
    trials: list[SweptTrial] = []
    for record in list_records(folder):
        try:
            trials += swept_trials(record, trigger, condition)
        except WitnessError:
            continue  # another study's record, or one that cannot be read: the others still count
    return Sweep(tuple(trials), tuple(sweep(trials, far_enough(trials), steps)))


def sweep_json(trials: Sequence[SweptTrial], rows: Sequence[SweepRow]) -> dict[str, Any]:
    """The sweep as one JSON object."""
    return {
        "trials": [
            {"record": one.record, "trial": one.trial.id, "verdict": one.trial.verdict, "needed": one.needed}
            for one in trials
        ],
        "unit": trials[0].unit if trials else "",
        "rows": [
            {"tolerance": row.tolerance, "valid": row.valid, "invalid": row.invalid, "undecided": row.undecided}
            for row in rows
        ],
    }


def sweep_lines(trials: Sequence[SweptTrial], rows: Sequence[SweepRow], width: int = 40) -> list[str]:
    """The sweep as a table with a curve of valid trials, a row for each tolerance."""
    if not trials:
        return ["no trial of this trigger"]
    unit = f" {trials[0].unit}".rstrip()
    total = len(trials)
    lines = [f"{'tolerance':>12}  {'valid':>5} {'undecided':>9} {'invalid':>7}   valid of {total}"]
    for row in rows:
        mark = "█" * round(row.valid / total * width)
        lines.append(f"{row.tolerance:>10.3g}{unit:<2}  {row.valid:>5} {row.undecided:>9} {row.invalid:>7}   {mark}▏")
    lines += [
        f"  {one.record} {one.trial.id} becomes valid with {up(one.needed)}{unit}"
        for one in trials
        if one.needed and one.verdict_at(one.needed) == "valid"
    ]
    return lines

"""One tolerance over many records: how many trials would be valid at each value of it.

A record is read through once, whatever the number of tolerances: as soon as a trial is final, the frames on which its
condition was judged are asked for the least tolerance with which it would have been met, by judging itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

from monitor.archive.engine.addresses import record_at
from monitor.archive.engine.run import Answer, answers
from monitor.archive.engine.unit import Task
from monitor.archive.record_pass import RecordPass, Step
from monitor.errors import WitnessError
from monitor.judging.case.case import trial_window
from monitor.judging.case.stretch import cut_stretch
from monitor.judging.case.trial import Result, Trial, Verdict
from monitor.judging.case.values import Cast
from monitor.judging.session import DriveTrials, Session
from monitor.judging.tracks.track import Track
from monitor.judging.verdict import decide
from monitor.record.reader import list_records
from monitor.replay.explain.words import up
from monitor.replay.lines.bands import Asked, needed_tolerance
from monitor.study.model import Study, Trigger

STEP_S = 8.0
"""Seconds of the drive between two looks for final trials: their frames are kept for 10 s more than judging needs."""


@dataclass(frozen=True, slots=True)
class SweptTrial:
    """A trial and what it takes: the least tolerance that its condition needs (None: no tolerance is enough)."""

    record: str
    trial: str
    verdict: Verdict
    unit: str
    needed: float | None
    not_failed_from: float | None
    """The least tolerance with which the condition is no longer "not met" (met or undecided)."""
    with_result: Mapping[Result, Verdict]
    """The computed verdict with each result that the condition could have."""

    def verdict_at(self, tolerance: float) -> Verdict:
        """The computed verdict with this tolerance."""
        if self.needed is not None and tolerance >= self.needed:
            return self.with_result["met"]
        if self.not_failed_from is not None and tolerance >= self.not_failed_from:
            return self.with_result["undecided"]
        return self.with_result["not met"]


@dataclass(frozen=True, slots=True)
class SweepRow:
    """How many trials come out how at one tolerance."""

    tolerance: float
    valid: int
    invalid: int
    undecided: int


class _Needed(NamedTuple):
    met: float | None
    not_failed: float | None


TrialKey = tuple[int, int]
"""Drive and occurrence."""


def swept_trials(
    path: Path,
    trigger_name: str,
    condition_name: str,
    study: Study | None = None,
    *,
    write: bool = True,
) -> list[SweptTrial]:
    """The trials of a trigger in one record. Raises `WitnessError` where its study has no such condition."""
    record_pass = RecordPass(path, study, keep=True, write=write)
    trigger = next((one for one in record_pass.study.triggers if one.name == trigger_name), None)
    names = [one.name for one in trigger.conditions] if trigger is not None else []
    if trigger is None or condition_name not in names:
        all_triggers = record_pass.study.triggers
        known = [f"{one.name}/{condition.name}" for one in all_triggers for condition in one.conditions]
        raise WitnessError(f"{path} has no condition {trigger_name}/{condition_name}; it has {', '.join(known)}.")
    place = names.index(condition_name)
    found: dict[TrialKey, _Needed] = {}

    def follow(session: Session) -> Callable[[Step], None]:
        found.clear()
        return lambda step: _note_final(session, trigger, place, found)

    session = record_pass.run(follow, step_s=STEP_S).session
    _note_final(session, trigger, place, found, over=True)
    trials = [one for one in session.trials() if one.trigger == trigger_name]
    return [_swept(path.name, one, condition_name, trigger, found.get((one.drive, one.occurrence))) for one in trials]


def sweep_one(path: Path, study: Study | None, options: Mapping[str, Any]) -> list[dict[str, Any]]:
    """One record for the engine: its `SweptTrial`s as plain values."""
    trials = swept_trials(path, options["trigger"], options["condition"], study, write=options["write"])
    return [asdict(one) for one in trials]


def sweep_task(trigger: str, condition: str, study: Study | None = None) -> Task:
    """What the engine is asked for."""
    return Task(sweep_one, study, {"trigger": trigger, "condition": condition})


def swept_in(answer: Answer) -> list[SweptTrial]:
    """The trials in an answer of the engine; none where it is a fault."""
    return [SweptTrial(**one) for one in answer.value or ()]


def _note_final(
    session: Session, trigger: Trigger, place: int, found: dict[TrialKey, _Needed], *, over: bool = False
) -> None:
    """Asks the condition of each fired trial that has become final; `over`: of every one that is left."""
    for drive in session.drives if over else session.drives[-2:]:
        for track in drive.tracks.get(trigger.name, ()):
            key = drive.log.index, track.occurrence
            if track.trial is None or track.trial.fired_at is None or key in found:
                continue
            if track.final_at is None and not over:
                continue
            found[key] = _needed(session, drive, trigger, place, track)


def _needed(session: Session, drive: DriveTrials, trigger: Trigger, place: int, track: Track) -> _Needed:
    trial = track.trial
    assert trial is not None
    assert trial.fired_at is not None
    number = session.last_number if track.final_at is None else track.final_at
    start_s, last_s = trial_window(trigger)
    stretch = cut_stretch(drive.log, trial.fired_at + start_s, trial.fired_at + last_s, number)
    if stretch is None:
        return _Needed(None, None)
    cast = Cast(session.study.roles, trigger.role, trial.role_id.get(trigger.role, -1))
    asked = Asked(trigger.conditions[place], stretch, trial.fired_at, cast)
    return _Needed(needed_tolerance(asked), needed_tolerance(asked, ("met", "undecided")))


def _swept(record: str, trial: Trial, condition: str, trigger: Trigger, needed: _Needed | None) -> SweptTrial:
    unit = next(one.measure.unit for one in trigger.conditions if one.name == condition)
    results: tuple[Result, ...] = ("met", "undecided", "not met")
    verdicts = {result: _with_result(trial, condition, result) for result in results}
    met, not_failed = needed or _Needed(None, None)
    return SweptTrial(record, trial.id, trial.verdict, unit, met, not_failed, verdicts)


def _with_result(trial: Trial, condition: str, result: Result) -> Verdict:
    if trial.fired_at is None:
        return trial.verdict
    conditions = tuple(replace(one, result=result) if one.name == condition else one for one in trial.conditions)
    return decide(conditions, trial.findings, final=True)


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
    """The sweep over all records of a directory; those whose study has no such condition, or that cannot be read, are
    left out."""
    records = [record_at(record) for record in list_records(folder)]
    trials = [one for answer in answers(records, sweep_task(trigger, condition)) for one in swept_in(answer)]
    return Sweep(tuple(trials), tuple(sweep(trials, far_enough(trials), steps)))


def sweep_json(trials: Sequence[SweptTrial], rows: Sequence[SweepRow]) -> dict[str, Any]:
    """The sweep as one JSON object."""
    return {
        "trials": [
            {"record": one.record, "trial": one.trial, "verdict": one.verdict, "needed": one.needed} for one in trials
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
        f"  {one.record} {one.trial} becomes valid with {up(one.needed)}{unit}"
        for one in trials
        if one.needed and one.verdict_at(one.needed) == "valid"
    ]
    return lines

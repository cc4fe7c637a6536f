"""Two judgements of the same record side by side: which trials another study file changes, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from monitor.archive.record_pass import RecordPass
from monitor.judging.case.trial import Trial
from monitor.replay.seeking.map import RecordMap
from monitor.study.loading import load_study


@dataclass(frozen=True, slots=True)
class Again:
    """A record judged by two study files: trials of both by id, and what differs."""

    study: str
    was: tuple[Trial, ...]
    now: tuple[Trial, ...]
    changes: tuple[dict[str, Any], ...]


def judge_again(found: RecordMap, study_path: str) -> Again:
    """Judges a record that has been read by another study file. Raises `StudyFaults` where that does not load."""
    assert found.session is not None, "the record has been read to its end"
    now = RecordPass(found.path, load_study(study_path), keep=True).run().session
    was_trials, now_trials = found.session.trials(), now.trials()
    return Again(study_path, was_trials, now_trials, tuple(what_changes(was_trials, now_trials)))


def what_changes(before: tuple[Trial, ...], after: tuple[Trial, ...]) -> list[dict[str, Any]]:
    """Trials whose verdict or conditions change under another study file, and why in one sentence."""
    old = {trial.id: trial for trial in before}
    new = {trial.id: trial for trial in after}
    changes = []
    for name in sorted(old.keys() | new.keys()):
        was, now = old.get(name), new.get(name)
        if was is None or now is None:
            why = (
                "only the other study file has this trial" if was is None else "the other study file has no such trial"
            )
        else:
            differences = _differences(was, now)
            if was.verdict == now.verdict and not differences:
                continue
            why = "; ".join(differences) or "other findings"
        changes.append({"trial": name, "was": was and was.verdict, "now": now and now.verdict, "why": why})
    return changes


def _differences(was: Trial, now: Trial) -> list[str]:
    found = []
    before = {condition.name: condition for condition in was.conditions}
    for condition in now.conditions:
        other = before.pop(condition.name, None)
        if other is None:
            found.append(f"{condition.name} is new ({condition.result})")
        elif other.result != condition.result:
            band = condition.band.words(condition.unit)
            found.append(f"{condition.name} was {other.result}, is {condition.result} with the band {band}")
    found += [f"{name} is no longer asked" for name in before]
    codes, now_codes = {one.code for one in was.findings}, {one.code for one in now.findings}
    found += [f"the finding {code} goes" for code in sorted(codes - now_codes)]
    found += [f"the finding {code} comes" for code in sorted(now_codes - codes)]
    return found

"""A drive against its scenario file: whether the script fired each event when its own file says.

The record is judged by the study with the file's rules in place of `fires_when`, so that edges and delays mean what
they mean everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from monitor.archive.review import review_record
from monitor.commissioning.scenario_file.scenario import ScenarioFile, ScriptEvent
from monitor.commissioning.scenario_file.told import as_terms
from monitor.commissioning.scenario_file.translation import Translation
from monitor.judging.case.trial import Trial
from monitor.study.model import Study, Trigger
from monitor.study.terms import FireTerm


@dataclass(frozen=True, slots=True)
class Fired:
    """One trial against the file. `ok` is None where the file's rule cannot be told."""

    trial: str
    ok: bool | None
    sentence: str

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {"trial": self.trial, "ok": self.ok, "sentence": self.sentence}


def hold_against(file: ScenarioFile, study: Study, record: Path, own: str | None = None) -> tuple[Fired, ...]:
    """What the file says of each trial of a record. Raises `RecordUnreadable` where there is none."""
    translation = Translation(file, study, own)
    triggers, untold = [], {}
    for trigger in study.triggers:
        event = file.event(trigger.name)
        rule = event if isinstance(event, str) else _rule_of(event, translation)
        if isinstance(rule, tuple):
            triggers.append(replace(trigger, armed_when=rule[0], fires_when=rule[1]))
        else:
            untold[trigger.name] = rule
            triggers.append(trigger)
    scripted = replace(study, triggers=tuple(triggers))
    trials = review_record(record, scripted).session.trials()
    by_name = {trigger.name: trigger for trigger in triggers}
    return tuple(_held(trial, by_name[trial.trigger], untold.get(trial.trigger)) for trial in trials)


Rule = tuple[tuple[FireTerm, ...], tuple[FireTerm, ...]]


def _rule_of(event: ScriptEvent, translation: Translation) -> Rule | str:
    """The file's rule as `armed_when` and `fires_when`; why it cannot be told, where it cannot."""
    parts: list[tuple[FireTerm, ...]] = []
    for told in translation.rules(event):
        why = next((one for group in told for one in group if one.term is None), None)
        if why is not None:
            return f"line {why.condition.line}, {why.condition.kind}: {why.why}"
        terms = as_terms(told)
        if terms is None:
            return "its groups of conditions make a rule of too many terms"
        parts.append(terms)
    if not parts[1]:
        return "the file gives it no start trigger that the feed could tell"
    return parts[0], parts[1]


def _held(trial: Trial, trigger: Trigger, why: str | None) -> Fired:
    """One trial in a sentence."""
    fired = "did not fire" if trial.fired_at is None else f"fired at {trial.fired_at:.2f} s"
    if why is not None:
        return Fired(trial.id, None, f"{trial.id} {fired}; its file's rule cannot be told: {why}.")
    timing = trial.timing
    held = "" if timing.expected_at is None else f" at {timing.expected_at:.2f} s"
    off = "" if timing.delay_s is None else f", {abs(timing.delay_s):.2f} s"
    said = {
        "on time": f"{fired}, as its file says",
        "late": f"{fired}{off} after its file's rule held{held}",
        "early": f"{fired}{off} before its file's rule held{held}"
        if held
        else f"{fired}, and its file's rule did not hold",
        "double": f"{fired} once more than the study expects",
        "missed": f"did not fire, and its file's rule held{held}",
        "not reached": "did not fire, and its file's rule never held",
        "not stated": f"{fired}; when its file's rule held is not known",
    }[timing.result]
    is_right = {"on time": True, "not reached": True, "not stated": None}.get(timing.result, False)
    return Fired(trial.id, is_right, f"{trial.id} {said}.")

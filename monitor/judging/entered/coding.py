"""What an independent coder is told of a trial, and what coders said.

A coder rules trial by trial without the computed verdict, the group, the response, and what another coder said. An
entry of type `coding` is never effective and lifts nothing; two coders' entries are compared, and where they differ
somebody rules, by a ruling like any other.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from monitor.judging.blinding import hide
from monitor.judging.case.trial import ConditionResult, Trial, Verdict
from monitor.judging.entered.operator import VERDICTS
from monitor.study.model import Reason, Study

_NAMES_THE_GROUP = ("alert", "group")
"""Codes that begin so tell which alert, and so which group, it was: they are told in the reason's own words."""


@dataclass(frozen=True, slots=True)
class Coding:
    """One coder's word on one trial."""

    trial: str
    verdict: Verdict
    reason: str
    words: str
    by: str
    wall: float


@dataclass(frozen=True, slots=True)
class CodingCase:
    """A trial as a coder sees it. Nothing in it says how it was judged."""

    trial: str
    trigger: str
    fired: bool
    measured: tuple[tuple[str, str, str], ...]
    """Condition, value, band: whether the one lies in the other is the coder's to say."""
    facts: tuple[str, ...]
    """What was noticed, a sentence each, in order of time; how much it weighs is not told."""


def cases(study: Study, trials: Iterable[Trial]) -> tuple[CodingCase, ...]:
    """Every trial as a coder may see it, whatever was revealed or ruled on, in a blind study and in any other."""
    bare = (replace(one, blind=True, revealed=False, rulings=()) for one in trials)
    return tuple(_case(study, one) for one in hide(study, bare))


def codings_of(entries: Iterable[Mapping[str, Any]]) -> dict[str, dict[str, Coding]]:
    """Trial → coder → the last thing that coder said of it."""
    found: dict[str, dict[str, Coding]] = {}
    for fields in entries:
        verdict, trial, by = fields.get("verdict"), fields.get("trial"), fields.get("by")
        if fields.get("type") != "coding" or verdict not in VERDICTS or not trial or not by:
            continue
        wall = fields.get("wall")
        coding = Coding(
            str(trial),
            verdict,
            str(fields.get("reason", "")),
            str(fields.get("words", "")),
            str(by),
            float(wall) if isinstance(wall, int | float) else 0.0,
        )
        found.setdefault(coding.trial, {})[coding.by] = coding
    return found


def refused(verdict: Verdict | None, reason: str, reasons: Mapping[str, Reason]) -> str | None:
    """Why a coding is not taken, in one sentence; None where it is."""
    if verdict is None:
        return "First the verdict."
    if verdict != "valid" and not reason:
        return f"{verdict} takes a reason."
    if reason and reason not in reasons:
        return f"The study has no reason code {reason}."
    if verdict == "valid" and reason and reasons[reason].severity != "note":
        return f"{reason} is a reason of loss or doubt, and does not go with valid."
    return None


def _case(study: Study, trial: Trial) -> CodingCase:
    facts = [] if trial.fired_at is not None else ["The trigger did not fire."]
    if trial.timing.delay_s is not None:
        facts.append(f"It fired {trial.timing.delay_s:+.3f} s from the instant at which its rule first held.")
    facts += [_sentence(study, one.code, one.sentence) for one in trial.findings]
    measured = tuple((_name(one), _value(one), one.band.words(one.unit)) for one in trial.conditions)
    return CodingCase(trial.id, trial.trigger, trial.fired_at is not None, measured, tuple(facts))


def _sentence(study: Study, code: str, sentence: str) -> str:
    reason = study.reasons.get(code)
    return f"{reason.words}." if reason is not None and code.startswith(_NAMES_THE_GROUP) else sentence


def _name(one: ConditionResult) -> str:
    return one.name if one.required else f"{one.name} (advisory)"


def _value(one: ConditionResult) -> str:
    if one.state is not None or one.value is None:
        return one.state or "not measured"
    return f"{one.value:.4g} {one.unit}".rstrip()

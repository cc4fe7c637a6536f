"""A judged trial with what the operator said of it: the call where the eyes were, what stopped the drive before it or
while it ran, and the answer to a code in which simulator and plan differ.

These are laid over the trial and not judged into it, because they may come long after it is final.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.judging.advice import what_now
from monitor.judging.case.case import make_finding
from monitor.judging.case.trial import ConditionResult, Finding, Trial
from monitor.judging.case.values import IN, stand_in_band
from monitor.judging.entered.operator import OperatorLog
from monitor.judging.occasion import Plan
from monitor.judging.rules.exposure import Shown
from monitor.judging.rules.identity import MISMATCHES
from monitor.judging.rules.signals import EYES
from monitor.judging.rules.stopped import judge_stops
from monitor.judging.verdict import decide
from monitor.measures.measured import Measured, State
from monitor.study.model import Condition, Study, Trigger


def with_calls(trial: Trial, trigger: Trigger, plan: Plan, operator: OperatorLog, shown: Shown) -> Trial:
    """The trial after the operator's calls; the same one where there is none about it."""
    study = plan.study
    conditions, findings = list(trial.conditions), list(trial.findings)
    on_road = operator.eyes.get(trial.id)
    if on_road is not None and trial.fired_at is not None:
        for index, (condition, result) in enumerate(zip(trigger.conditions, trial.conditions, strict=True)):
            if _may_be_called(condition, result):
                conditions[index] = _called(condition, result, on_road)
                findings.append(_said(study, condition, on_road, trial.fired_at))
    findings = [_answered(one, operator) for one in findings]
    findings += judge_stops(trial, trigger, study, operator.stops)
    findings += _expected(trial, trigger, study, operator)
    if tuple(findings) == trial.findings:
        return trial
    findings.sort(key=lambda one: (one.at if one.at is not None else np.inf, one.code))
    called = replace(
        trial,
        conditions=tuple(conditions),
        findings=tuple(findings),
        verdict=decide(tuple(conditions), tuple(findings), final=trial.stage == "final"),
    )
    return replace(called, what_now=what_now(called, shown, study, plan.group, plan.standing))


def _expected(trial: Trial, trigger: Trigger, study: Study, operator: OperatorLog) -> list[Finding]:
    """What the participant said in the debrief of having expected the event. Suspicion is for a sensitivity analysis,
    and takes nobody out by itself: a note, where the study's [reasons] do not say otherwise (common practice)."""
    if trial.fired_at is None:
        return []
    answers = operator.day.answers_after(trial.drive)
    said = []
    for item in study.day.debrief:
        is_asked = item.trigger == trigger.name if item.trigger is not None else trigger.surprise_class is not None
        found = answers.get(item.name)
        if is_asked and found is not None and found.answer in item.expected:
            sentence = f'Debrief, "{item.ask}": {found.said}, entered by {found.entered.by or "somebody"}.'
            said.append(make_finding(study, "expected-it", sentence, None))
    return said


def _may_be_called(condition: Condition, result: ConditionResult) -> bool:
    """Only where nothing was measured: a call never takes the place of a gaze signal."""
    measure = condition.measure
    if condition.or_else:
        return False  # another of its measures may hold
    asks_for_eyes = measure.kind == "signal" and measure.name.startswith(EYES)
    return asks_for_eyes and result.result == "undecided" and result.value is None and not result.open


def _called(condition: Condition, result: ConditionResult, on_road: bool) -> ConditionResult:
    value = np.array([1.0 if on_road else 0.0])
    measured = Measured(value, np.array([State.MEASURED], dtype=np.uint8))
    standing = stand_in_band(np.zeros(1), measured, condition.band, condition.measure)
    met = int(standing.inside[0]) == IN
    margin = float(standing.margin[0])
    return replace(
        result,
        value=float(value[0]),
        state=None,
        margin=margin if np.isfinite(margin) else None,
        result="met" if met else "not met",
        at_edge=met and margin < 0.0,
    )


def _said(study: Study, condition: Condition, on_road: bool, fired_at: float) -> Finding:
    where = "on the road (1)" if on_road else "away from it (0)"
    sentence = (
        f"{condition.name}: {condition.measure.name} was not measured; the operator called the eyes {where} at the "
        f"fire at {fired_at:.2f} s."
    )
    return make_finding(study, "eyes-called", sentence, fired_at)


def _answered(finding: Finding, operator: OperatorLog) -> Finding:
    """The finding with the operator's answer in its sentence. It keeps its severity: an answer changes no verdict."""
    answer = operator.answers.get(MISMATCHES.get(finding.code, ""))
    return finding if answer is None else replace(finding, sentence=f"{finding.sentence} Answered: {answer.words}.")

"""What judging would find of the coming trial already now: its own rules, asked about a fire that has not come yet.

A marker is put where the fire is foreseen, and the rules that look at what was before it are asked as of this entry. So
a doubt here is the finding that the trial will have, by the same code. (Conditions and pedals are the ladder's.)
"""

from __future__ import annotations

import math

from monitor.following.view import Doubt
from monitor.judging.case.case import Case
from monitor.judging.case.conditions import judge_condition
from monitor.judging.case.received import ReceivedMarker
from monitor.judging.case.stretch import cut_stretch
from monitor.judging.case.trial import Finding
from monitor.judging.firing import FireWatch
from monitor.judging.judge import Plan, collided_before, make_case
from monitor.judging.operator import OperatorLog
from monitor.judging.rules.exposure import Exposure, exposure_before
from monitor.judging.rules.feedhealth import judge_feed
from monitor.judging.rules.identity import MISMATCHES, exposure_findings, identity_findings
from monitor.judging.rules.lead import judge_lead
from monitor.judging.rules.pedals import judge_pedals
from monitor.judging.rules.platform import judge_platform
from monitor.judging.rules.plausibility import Doubt as ChannelDoubt
from monitor.judging.rules.plausibility import judge_channels, leave_open
from monitor.judging.rules.source_trouble import evidence_of, judge_sources
from monitor.judging.session import DriveTrials, Session
from monitor.study.model import Trigger

AHEAD_S = 30.0
"""The channels before a fire are looked at from here on."""

RUN_UP_KEPT_S = 5.0
"""Of the run-up that channels are held against each other over, so much of the past is looked at however far away the
fire is: what is wrong there goes on, as far as anybody can tell."""


def doubts_before(
    session: Session, drive: DriveTrials, watch: FireWatch, occurrence: int, seconds_left: float | None
) -> tuple[Doubt, ...]:
    """All that is known to make the trial anything but valid, what is told at once first."""
    plan = session.plan_of(drive)
    found = who_doubts(session, drive, watch.trigger)
    if seconds_left is not None and seconds_left > AHEAD_S:
        return found
    ahead_s = max(seconds_left or 0.0, 0.0)
    case = _case_at(plan, drive, watch, occurrence, session.last_number, ahead_s)
    if case.stretch is None:
        return found
    if seconds_left is not None:
        found += tuple(_as_doubt(one, ()) for one in _about_the_feed(case) if one.severity != "note")
    reach_s = min(ahead_s, _run_up_s(case) - RUN_UP_KEPT_S)
    return found + _about_channels(_case_at(plan, drive, watch, occurrence, session.last_number, reach_s))


def who_doubts(session: Session, drive: DriveTrials, trigger: Trigger) -> tuple[Doubt, ...]:
    """Who drives what, and what the participant had met before: it does not depend on the drive's frames."""
    plan, operator = session.plan_of(drive), session.operator
    findings = identity_findings(plan.study, plan.participant, plan.planned_group, drive.log.hello, None)
    found = [_as_doubt(one, (), at_once=True, answered=_answer(one.code, operator)) for one in findings]
    found += [_as_doubt(one, ()) for one in exposure_findings(plan.study, exposure_of(session, trigger), None)]
    if trigger.alert is not None and plan.group is None:
        reason = plan.study.reasons["group-unknown"]
        found.append(Doubt(reason.code, f"{reason.words}.", (), reason.severity))
    return tuple(one for one in found if one.severity != "note")


def exposure_of(session: Session, trigger: Trigger) -> Exposure:
    """Whether the participant is naive to the trigger now."""
    shown = [(trial, how) for name, trial, how in session.shown() if name == trigger.surprise_class]
    opening = session.opening
    return exposure_before(trigger.surprise_class, opening.exposures, opening.exposures_known, shown)


def _answer(code: str, operator: OperatorLog) -> str:
    answer = operator.answers.get(MISMATCHES.get(code, ""))
    return "" if answer is None else answer.words


def _as_doubt(finding: Finding, conditions: tuple[str, ...], *, at_once: bool = False, answered: str = "") -> Doubt:
    return Doubt(finding.code, finding.sentence, conditions, finding.severity, at_once, answered)


def _case_at(plan: Plan, drive: DriveTrials, watch: FireWatch, occurrence: int, number: int, ahead_s: float) -> Case:
    """The trial as if its marker stood so many seconds ahead of the newest frame."""
    fire_t = float(drive.log.newest_t) + ahead_s
    marker = ReceivedMarker(0, fire_t, "trigger", watch.trigger.name, {}, number, fire_t, math.nan, recovered=False)
    return make_case(plan, drive.log, watch, marker, occurrence, number)


def _about_the_feed(case: Case) -> list[Finding]:
    """What is wrong inside the trial's window as far as it has begun. Nothing of it can come right."""
    return [
        *judge_lead(case),
        *judge_feed(case, hazard_came=True),
        *judge_platform(case),
        *collided_before(case),
        *judge_sources(case, evidence_of(case)),
    ]


def _about_channels(case: Case) -> tuple[Doubt, ...]:
    frames = cut_stretch(case.drive, case.run_up_t, case.fired_at, case.number)
    doubts: list[ChannelDoubt] = [] if frames is None else [*judge_channels(case, frames), *judge_pedals(case, frames)]
    return tuple(_as_doubt(one.finding, _left_open(case, one)) for one in doubts if one.finding.severity != "note")


def _left_open(case: Case, doubt: ChannelDoubt) -> tuple[str, ...]:
    """The conditions that look at a channel which is not believed."""
    now = tuple(judge_condition(one, None, math.nan, None, None) for one in case.trigger.conditions)
    then = leave_open(now, doubt.channels, case.trigger.role)
    return tuple(one.name for one, other in zip(now, then, strict=True) if one is not other)


def _run_up_s(case: Case) -> float:
    return case.fired_at - case.run_up_t

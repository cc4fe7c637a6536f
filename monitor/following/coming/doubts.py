"""What judging would find of the coming trial already now: its own rules, asked about a fire that has not come yet.

A marker is put where the fire is foreseen, and the rules that look at what was before it are asked as of this entry. So
a doubt here is the finding that the trial will have, by the same code. (Conditions and pedals are the ladder's.)
"""

from __future__ import annotations

from monitor.following.coming.channels import ChannelWatch, as_doubt, case_at, pace_of
from monitor.following.coming.view import Doubt
from monitor.judging.case.case import Case
from monitor.judging.case.stretch import cut_stretch
from monitor.judging.case.trial import Finding
from monitor.judging.entered.operator import OperatorLog
from monitor.judging.judge import collided_before
from monitor.judging.occasion import Occasion
from monitor.judging.rules.before import judge_before
from monitor.judging.rules.exposure import Exposure, exposure_before
from monitor.judging.rules.feedhealth import judge_feed
from monitor.judging.rules.identity import MISMATCHES, exposure_findings, identity_findings
from monitor.judging.rules.lead import judge_lead
from monitor.judging.rules.platform import judge_platform
from monitor.judging.rules.source_trouble import evidence_of, judge_sources
from monitor.judging.session import Session
from monitor.study.model import Trigger

AHEAD_S = 30.0
"""The channels before a fire are looked at from here on."""


def doubts_before(
    session: Session, coming: Occasion, seconds_left: float | None, channels: ChannelWatch | None
) -> tuple[Doubt, ...]:
    """All that is known to make the trial anything but valid, what is told at once first. `channels`: what was found
    of them before; None looks at them as of now."""
    found = who_doubts(session, coming)
    if seconds_left is not None and seconds_left > AHEAD_S:
        return found
    case = case_at(coming, max(seconds_left or 0.0, 0.0))
    if case.stretch is None:
        return found
    watch, every_s = (ChannelWatch(), 0.0) if channels is None else (channels, pace_of(seconds_left))
    watch.pause()
    told = watch.look(coming, every_s)
    if seconds_left is not None:
        about = _about_the_feed(case) or told.pace
        found += tuple(as_doubt(one, ()) for one in about if one.severity != "note")
        found += tuple(as_doubt(one, ()) for one in _braking_unsure(case, told.unbelieved))
    return found + told.doubts


def who_doubts(session: Session, coming: Occasion) -> tuple[Doubt, ...]:
    """Who drives what, and what the participant had met before: it does not depend on the drive's frames."""
    plan, trigger, operator = coming.plan, coming.trigger, session.operator
    findings = identity_findings(plan.study, plan.participant, plan.planned_group, coming.drive.hello, None)
    found = [as_doubt(one, (), at_once=True, answered=_answer(one.code, operator)) for one in findings]
    found += [as_doubt(one, ()) for one in exposure_findings(plan.study, exposure_of(session, trigger), None)]
    if trigger.alert is not None and plan.group is None:
        reason = plan.study.reasons["group-unknown"]
        found.append(Doubt(reason.code, f"{reason.words}.", (), reason.severity))
    return tuple(one for one in found if one.severity != "note")


def exposure_of(session: Session, trigger: Trigger) -> Exposure:
    """Whether the participant is naive to the trigger now; to one that surprises nobody everybody is."""
    if trigger.surprise_class is None:
        return Exposure("yes", "")
    shown = [(trial, how) for name, trial, how in session.shown() if name == trigger.surprise_class]
    opening = session.opening
    return exposure_before(trigger.surprise_class, opening.exposures, opening.exposures_known, shown)


def _answer(code: str, operator: OperatorLog) -> str:
    answer = operator.answers.get(MISMATCHES.get(code, ""))
    return "" if answer is None else answer.words


def _about_the_feed(case: Case) -> list[Finding]:
    """What is wrong inside the trial's window as far as it has begun. Nothing of it can come right."""
    return [
        *judge_lead(case),
        *judge_feed(case, hazard_came=True),
        *judge_platform(case),
        *collided_before(case),
        *judge_sources(case, evidence_of(case)),
    ]


def _braking_unsure(case: Case, unbelieved: frozenset[str]) -> list[Finding]:
    """Whether the car braked in the look-back, as far as that has begun: by its pedal or by its speed alone. (By both
    it is the ladder's.)"""
    rule = case.trigger.before
    if rule is None or case.fired_at - float(case.drive.newest_t) > rule.look_back_s:
        return []
    run_up = cut_stretch(case.drive, case.run_up_t, case.fired_at, case.number)
    return [one for one in judge_before(case, run_up, unbelieved) if one.code == "braking-unsure"]

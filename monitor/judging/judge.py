"""One trial from everything known as of one entry: conditions, timing, alert, task, feed, exposure → verdict."""

from __future__ import annotations

import math
from dataclasses import replace

from monitor.judging.advice import what_now
from monitor.judging.case.case import Case
from monitor.judging.case.received import MARKER_DELAY_S, ReceivedMarker
from monitor.judging.case.stretch import cut_stretch
from monitor.judging.case.trial import (
    AlertResult,
    ConditionResult,
    Finding,
    Response,
    Stage,
    Timing,
    Trial,
)
from monitor.judging.occasion import Occasion, wanted
from monitor.judging.response import find_origin, time_response
from monitor.judging.rules.alerts import judge_alert, judge_unaccounted, treatment_findings
from monitor.judging.rules.disagreement import Doubts
from monitor.judging.rules.exposure import Exposure, Shown, what_showed
from monitor.judging.rules.feedhealth import judge_feed, out_of_sight, out_of_time
from monitor.judging.rules.frame_timing import in_milliseconds
from monitor.judging.rules.hazard import HazardSeen, judge_hazard, look_for_hazard
from monitor.judging.rules.identity import exposure_findings, identity_findings
from monitor.judging.rules.platform import judge_platform
from monitor.judging.rules.source_trouble import (
    evidence_of,
    judge_alert_by_clocks,
    judge_sources,
    judge_task_by_clocks,
)
from monitor.judging.rules.tasks import judge_task
from monitor.judging.rules.timing_evidence import ALONE
from monitor.judging.settled import Settled
from monitor.judging.timing import Asked, fired_already, judge_timing_surely, timing_findings, too_soon_findings
from monitor.judging.verdict import decide, leave_open

NOT_GIVEN = AlertResult(None, (), None, None, "open")


def judge_fired(
    occasion: Occasion, marker: ReceivedMarker, earlier: Exposure, *, settled: Settled, final: bool
) -> tuple[Trial, Shown]:
    """A trial whose marker is known, as of its entry; and whether its hazard showed itself to the participant."""
    case = occasion.case(marker)
    plan, drive, trigger = occasion.plan, occasion.drive, occasion.trigger
    asked = Asked(
        case.fired_at,
        wanted(trigger, drive),
        case.now_t,
        seen=_seen_about_fire(case),
        again=fired_already(occasion, marker),
        settled=occasion.watch.hopeful is None or case.passed(2.0 * drive.period_s, MARKER_DELAY_S),
    )
    timing, unsure = judge_timing_surely(occasion, asked)
    weighed = settled.weighed_of(case)
    conditions = tuple(one.condition for one in weighed)
    alert, alert_findings = judge_alert_by_clocks(case, judge_alert)
    sources = evidence_of(case)
    doubts = settled.doubts_of(case, weighed)
    signals = settled.signals_of(case)
    conditions = leave_open(conditions, doubts.own | {one.signal for one in signals})
    timing, contradicted = settled.timing_of(case, timing)
    hazard = look_for_hazard(case)
    shown = what_showed(case, hazard, alert)
    timed = timing_findings(occasion, timing, asked) if settled.has_seen(case) else []
    if settled.alone:
        timed = [replace(one, sentence=f"{one.sentence} {ALONE}") for one in timed]
    findings = [
        *alert_findings,
        *judge_unaccounted(case, _rule_held(occasion)),
        *treatment_findings(case),
        *timed,
        *contradicted,
        *(one.finding for one in signals),
        *too_soon_findings(occasion, asked),
        *judge_task_by_clocks(case, judge_task),
        *settled.before_of(case, doubts.own),
        *_hazard_findings(case, hazard, conditions, settled.doubts),
        *settled.lead_of(case),
        *settled.bend_of(case),
        *judge_feed(case, hazard_came=hazard.onset_t is not None),
        *doubts.findings,
        *judge_platform(case),
        *identity_findings(plan.study, plan.participant, plan.planned_group, drive.hello, case.fired_at),
        *collided_before(case),
        *judge_sources(case, sources),
        *unsure,
        *exposure_findings(plan.study, earlier, case.fired_at),
    ]
    lost = out_of_time(case) or in_milliseconds(case) or out_of_sight(case)
    if lost:
        findings = [one for one in findings if one.code in NO_TIME] + lost
        conditions = tuple(replace(one, result="undecided", at_edge=False) for one in conditions)
        timing = Timing(timing.expected_at, None, None, "not stated")
    findings.sort(key=lambda one: (one.at if one.at is not None else math.inf, one.code))
    stage: Stage = "final" if final else "fired"
    trial = Trial(
        id=occasion.id,
        trigger=trigger.name,
        drive=drive.index,
        occurrence=occasion.occurrence,
        fired_at=case.fired_at,
        wall=_wall_at(case),
        stage=stage,
        verdict=decide(conditions, tuple(findings), final=final),
        naive=earlier.naive,
        role_id={trigger.role: case.held_id} if case.held_id >= 0 else {},
        timing=timing,
        conditions=conditions,
        findings=tuple(findings),
        alert=alert,
        response=None,
        what_now="",
        sources=sources,
        surprises=trigger.surprise_class is not None,
        treatment=case.treatment,
    )
    return replace(trial, what_now=what_now(trial, shown, plan.study, plan.group, plan.standing)), shown


def _hazard_findings(
    case: Case, hazard: HazardSeen, conditions: tuple[ConditionResult, ...], doubts: Doubts | None
) -> list[Finding]:
    """What is wrong with the hazard; once its vehicle's channels have been held against each other, and no more than
    doubtful where they, or who it is, cannot be believed."""
    found = judge_hazard(case, hazard, conditions)
    if doubts is None and not case.over:
        return [one for one in found if one.severity != "void"]
    if doubts is None or not doubts.other & {"accel", "lead"}:
        return found
    return [replace(one, severity="doubtful") if one.severity == "void" else one for one in found]


def _rule_held(occasion: Occasion) -> list[float]:
    """When a trigger that comes often was to fire."""
    rules = occasion.watch.expected if occasion.trigger.comes_often else []
    return [rule.t for rule in rules if rule.number <= occasion.number]


def find_response_origin(occasion: Occasion, marker: ReceivedMarker) -> float | None:
    """The instant that responses are timed from; None where it is not found (yet)."""
    case = occasion.case(marker)
    return find_origin(case, look_for_hazard(case).onset_t)


def judge_response(
    occasion: Occasion, marker: ReceivedMarker, alert: AlertResult, unbelieved: frozenset[str]
) -> Response | None:
    """The response; None where there is no rule or its origin is not found. `unbelieved`: channels of own car that are
    in another unit."""
    case = occasion.case(marker)
    t0 = find_origin(case, look_for_hazard(case).onset_t)
    rule = case.trigger.response
    if t0 is None or rule is None:
        return None
    stretch = cut_stretch(case.drive, t0 - rule.looks_back_s, t0 + rule.horizon_s, case.number)
    if stretch is None:
        return None
    return time_response(case, stretch, t0, alert, unbelieved=unbelieved)


def shown_as_of(occasion: Occasion, marker: ReceivedMarker) -> Shown:
    """Whether a trial's hazard had shown itself as of an entry."""
    case = occasion.case(marker)
    return what_showed(case, look_for_hazard(case), judge_alert(case)[0])


NO_TIME = frozenset(
    ("participant-mismatch", "group-mismatch", "scenario-mismatch", "not-naive", "naive-unknown", "sequence-reset")
)
"""Findings that hold whatever the simulation's clock did."""


def _seen_about_fire(case: Case) -> bool:
    """Whether no frame is missing within two periods of the fire: else the rule may have held there unseen."""
    stretch = case.stretch
    if stretch is None:
        return False
    reach = 2.0 * stretch.period_s
    return not stretch.missing(case.fired_at - reach, case.fired_at + reach)


def collided_before(case: Case) -> list[Finding]:
    """A contact in the trial's window before it fired."""
    for marker in case.of_kind("collision"):
        if case.start_t <= marker.t <= case.fired_at:
            sentence = f"There was a collision at {marker.t:.2f} s, before the trigger fired."
            return [case.finding("collision-before-fire", sentence, marker.t)]
    return []


def _wall_at(case: Case) -> float:
    """The simulator's wall clock at the fire, carried on from the frame at or before it; where the simulator gives
    none, the recorder's when the marker came."""
    stretch = case.stretch
    at = stretch.last_at(case.fired_at) if stretch else -1
    if stretch is None or at < 0 or math.isnan(stretch.frames.wall[at]):
        return case.marker.wall
    return float(stretch.frames.wall[at] + max(case.fired_at - stretch.t[at], 0.0))

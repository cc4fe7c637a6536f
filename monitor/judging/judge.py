"""One trial from everything known as of one entry: conditions, timing, alert, task, feed, exposure → verdict."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from monitor.judging.advice import what_now
from monitor.judging.alerts import judge_alert
from monitor.judging.before import hazard_onset, judge_before, judge_lead
from monitor.judging.case import Case, make_finding, trial_window
from monitor.judging.conditions import judge_condition
from monitor.judging.drive import MARKER_DELAY_S, DriveLog, ReceivedMarker
from monitor.judging.exposure import Exposure, Shown, what_showed
from monitor.judging.feedhealth import judge_feed, leave_open
from monitor.judging.firing import FireWatch, judge_timing
from monitor.judging.response import find_origin, time_response
from monitor.judging.stretch import cut_stretch
from monitor.judging.tasks import judge_task
from monitor.judging.trial import (
    AlertResult,
    ConditionResult,
    Finding,
    Response,
    Stage,
    Timing,
    Trial,
    Verdict,
)
from monitor.study.model import Study, Trigger

NOT_GIVEN = AlertResult(None, (), None, None, "open")


@dataclass(frozen=True, slots=True)
class Plan:
    """What the run was meant to be: study, participant's group, codes to check the simulator's hello against."""

    study: Study
    participant: str
    group: str | None
    group_planned: bool
    """Whether the group was given by the operator (then the simulator's must agree) or taken from the simulator."""


def judge_fired(
    plan: Plan,
    drive: DriveLog,
    watch: FireWatch,
    marker: ReceivedMarker,
    occurrence: int,
    earlier: Exposure,
    number: int,
    *,
    final: bool,
) -> tuple[Trial, Shown]:
    """A trial whose marker is known, as of entry `number`; and whether its hazard showed itself to the participant."""
    case = make_case(plan, drive, watch, marker, occurrence, number)
    trigger = case.trigger
    timing = judge_timing(
        trigger,
        [one for one in watch.expected if one.number <= number],
        occurrence,
        case.fired_at,
        wanted=wanted(trigger, drive),
        period_s=drive.period_s,
        now_t=case.now_t,
        over=case.over,
    )
    conditions = tuple(
        judge_condition(
            condition,
            case.stretch,
            case.fired_at,
            plan.study.roles.get(condition.measure.role or trigger.role),
            case.held_id,
        )
        for condition in trigger.conditions
    )
    alert, alert_findings = judge_alert(case)
    feed_findings = judge_feed(case)
    conditions = leave_open(conditions, feed_findings)
    onset_t = hazard_onset(case)
    shown = what_showed(case, onset_t, alert)
    findings = [
        *alert_findings,
        *timing_findings(plan.study, trigger, timing, drive, case.fired_at),
        *judge_task(case),
        *judge_before(case),
        *judge_lead(case),
        *feed_findings,
        *identity_findings(plan, drive, case.fired_at),
        *_collided_before(case),
        *exposure_findings(plan.study, earlier, case.fired_at),
    ]
    findings.sort(key=lambda one: (one.at if one.at is not None else math.inf, one.code))
    stage: Stage = "final" if final else "fired"
    trial = Trial(
        id=f"{drive.index}/{trigger.name}/{occurrence}",
        trigger=trigger.name,
        drive=drive.index,
        occurrence=occurrence,
        fired_at=case.fired_at,
        wall=_wall_at(case),
        stage=stage,
        verdict=decide(conditions, tuple(findings), final=final),
        ruling=None,
        naive=earlier.naive,
        role_id={trigger.role: case.held_id} if case.held_id >= 0 else {},
        timing=timing,
        conditions=conditions,
        findings=tuple(findings),
        alert=alert,
        response=None,
        blind=plan.study.blind,
        revealed=False,
        what_now="",
    )
    return replace(trial, what_now=what_now(trial, shown, plan.study, plan.group)), shown


def judge_response(
    plan: Plan,
    drive: DriveLog,
    watch: FireWatch,
    marker: ReceivedMarker,
    occurrence: int,
    alert: AlertResult,
    number: int,
) -> Response | None:
    """The response as of entry `number`; None where there is no rule or its origin is not found."""
    case = make_case(plan, drive, watch, marker, occurrence, number)
    t0 = find_origin(case, hazard_onset(case))
    rule = case.trigger.response
    if t0 is None or rule is None:
        return None
    stretch = cut_stretch(drive, t0 - rule.baseline_s, t0 + rule.horizon_s, number)
    return None if stretch is None else time_response(case, stretch, t0, alert, over=case.over)


def make_case(
    plan: Plan, drive: DriveLog, watch: FireWatch, marker: ReceivedMarker, occurrence: int, number: int
) -> Case:
    """Everything that the rules of one fired trial may look at as of entry `number`."""
    trigger = watch.trigger
    first_s, last_s = trial_window(trigger)
    start_t, end_t = marker.t + first_s, marker.t + last_s
    stretch = cut_stretch(drive, start_t, end_t, number)
    at = stretch.last_at(marker.t) if stretch else -1
    return Case(
        study=plan.study,
        trigger=trigger,
        drive=drive,
        group=plan.group,
        number=number,
        occurrence=occurrence,
        marker=marker,
        stretch=stretch,
        start_t=start_t,
        end_t=end_t,
        now_t=stretch.covered_to if stretch else -math.inf,
        over=drive.end_number is not None and drive.end_number <= number,
        held_id=int(stretch.lead_id[at]) if stretch and at >= 0 else -1,
        role=plan.study.roles.get(trigger.role),
        markers=tuple(drive.known_markers(number)),
        lost=tuple(drive.lost_markers(number)),
    )


def judge_waiting(
    plan: Plan, drive: DriveLog, watch: FireWatch, occurrence: int, earlier: Exposure, number: int
) -> tuple[Trial, Shown]:
    """An expected trial whose marker has not come: armed, missed, or not reached."""
    trigger = watch.trigger
    over = drive.end_number is not None and drive.end_number <= number
    timing = judge_timing(
        trigger,
        [one for one in watch.expected if one.number <= number],
        occurrence,
        None,
        wanted=wanted(trigger, drive),
        period_s=drive.period_s,
        now_t=drive.newest_t,
        over=over,
    )
    findings = timing_findings(plan.study, trigger, timing, drive, None)
    if over and not trigger.fires_when:
        sentence = f"The trigger {trigger.name} did not fire in this drive."
        findings.append(make_finding(plan.study, "trigger-missed", sentence, drive.end_t))
    lost = drive.lost_markers(number)
    if findings and lost:
        sentence = f"{len(lost)} of the drive's markers never arrived; one of them may have been the trigger's."
        findings = [make_finding(plan.study, "marker-lost", sentence, lost[0].before_t)]
    if over:
        findings += exposure_findings(plan.study, earlier, None) + identity_findings(plan, drive, None)
    conditions = tuple(judge_condition(condition, None, math.nan, None, None) for condition in trigger.conditions)
    trial = Trial(
        id=f"{drive.index}/{trigger.name}/{occurrence}",
        trigger=trigger.name,
        drive=drive.index,
        occurrence=occurrence,
        fired_at=None,
        wall=None,
        stage="final" if over else "armed",
        verdict=decide((), tuple(findings), final=False),
        ruling=None,
        naive=earlier.naive,
        role_id={},
        timing=timing,
        conditions=conditions,
        findings=tuple(findings),
        alert=NOT_GIVEN,
        response=None,
        blind=plan.study.blind,
        revealed=False,
        what_now="",
    )
    shown = Shown.NO
    if timing.expected_at is not None:
        shown = shown_without_marker(plan, drive, watch, timing.expected_at, occurrence, number)
    return replace(trial, what_now=what_now(trial, shown, plan.study, plan.group)), shown


def shown_as_of(
    plan: Plan, drive: DriveLog, watch: FireWatch, marker: ReceivedMarker, occurrence: int, number: int
) -> Shown:
    """Whether a trial's hazard had shown itself as of an entry."""
    case = make_case(plan, drive, watch, marker, occurrence, number)
    return what_showed(case, hazard_onset(case), judge_alert(case)[0])


def shown_without_marker(
    plan: Plan, drive: DriveLog, watch: FireWatch, expected_at: float, occurrence: int, number: int
) -> Shown:
    """The same for a trigger whose marker never came, looked for where its rule held; a drive that gives no hazard
    evidence at all showed none."""
    if watch.trigger.hazard is None:
        return Shown.NO
    marker = ReceivedMarker(0, expected_at, "trigger", watch.trigger.name, {}, number, expected_at, math.nan, False)
    return shown_as_of(plan, drive, watch, marker, occurrence, number)


def decide(conditions: tuple[ConditionResult, ...], findings: tuple[Finding, ...], *, final: bool) -> Verdict:
    """Any required condition not met or a void finding: invalid, as soon as it is certain. Else any required condition
    undecided or a doubtful finding: undecided. Else valid, but only when final."""
    if any(one.severity == "void" for one in findings):
        return "invalid"
    if any(one.required and one.result == "not met" for one in conditions):
        return "invalid"
    if any(one.severity == "doubtful" for one in findings):
        return "undecided"
    if any(one.required and one.result == "undecided" for one in conditions):
        return "undecided"
    return "valid" if final else "undecided"


def wanted(trigger: Trigger, drive: DriveLog) -> int:
    """How often this drive is expected to fire the trigger."""
    return trigger.expected_in(drive.hello.scenario if drive.hello else None)


def timing_findings(
    study: Study, trigger: Trigger, timing: Timing, drive: DriveLog, fired_at: float | None
) -> list[Finding]:
    """What is wrong with when it fired."""
    name, expected_at = trigger.name, timing.expected_at
    frames = f"{abs(timing.delay_frames):.1f} frames" if timing.delay_frames is not None else ""
    late_s = f"{abs(timing.delay_s):.2f} s" if timing.delay_s is not None else ""
    code, sentence, at = "", "", fired_at
    if timing.result == "early":
        code = "fired-early"
        sentence = f"{name} fired at {fired_at:.2f} s, before its own rule held."
        if expected_at is not None:
            sentence = f"{name} fired {late_s} ({frames}) before its own rule held, at {expected_at:.2f} s."
    elif timing.result == "late":
        code = "fired-late"
        sentence = f"{name} fired {late_s} ({frames}) after its own rule held at {expected_at:.2f} s."
    elif timing.result == "double":
        code, sentence = "fired-twice", f"{name} fired again at {fired_at:.2f} s; once is expected in this drive."
    elif timing.result == "missed":
        code, at = "trigger-missed", expected_at
        sentence = f"The rule of {name} held from {expected_at:.2f} s, but the trigger did not fire."
    elif timing.result == "not reached":
        code, at = "trigger-not-reached", drive.end_t
        sentence = f"The drive ended at {drive.end_t:.2f} s before the rule of {name} held."
    elif fired_at is not None and wanted(trigger, drive) == 0:
        code, sentence = "fired-unexpected", f"{name} fired at {fired_at:.2f} s in a drive that should not fire it."
    return [make_finding(study, code, sentence, at)] if code else []


def identity_findings(plan: Plan, drive: DriveLog, at: float | None) -> list[Finding]:
    """Whether the simulator runs the participant, group and scenario that the operator meant."""
    hello = drive.hello
    if hello is None:
        return []
    study = plan.study
    found = []
    if hello.participant is not None and hello.participant != plan.participant:
        sentence = f"The simulator says participant {hello.participant}, the run is of {plan.participant}."
        found.append(make_finding(study, "participant-mismatch", sentence, at))
    if plan.group_planned and hello.group is not None and hello.group != plan.group:
        sentence = f"The simulator says group {hello.group}, the participant is assigned {plan.group}."
        found.append(make_finding(study, "group-mismatch", sentence, at))
    if hello.scenario is not None and study.scenarios and hello.scenario not in study.scenarios:
        sentence = f"The simulator says scenario {hello.scenario}, which the study file does not list."
        found.append(make_finding(study, "scenario-mismatch", sentence, at))
    return found


def exposure_findings(study: Study, earlier: Exposure, at: float | None) -> list[Finding]:
    """A participant who was surprised before, or may have been."""
    if earlier.naive == "yes":
        return []
    code = "not-naive" if earlier.naive == "no" else "naive-unknown"
    return [make_finding(study, code, earlier.why, at)]


def _collided_before(case: Case) -> list[Finding]:
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


def final_frame_after_s(trigger: Trigger) -> float:
    """Seconds from the fire after which a frame makes the trial final: every window plus the marker delay."""
    return trial_window(trigger)[1] + MARKER_DELAY_S

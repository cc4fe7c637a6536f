"""One trial from everything known as of one entry: conditions, timing, alert, task, feed, exposure → verdict."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from monitor.judging.advice import what_now
from monitor.judging.case.case import Case, trial_window
from monitor.judging.case.conditions import judge_condition, seen_after_s, window_of
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import MARKER_DELAY_S, ReceivedMarker
from monitor.judging.case.stretch import cut_stretch
from monitor.judging.case.trial import (
    AlertResult,
    ConditionResult,
    Finding,
    Response,
    Stage,
    Trial,
    Verdict,
)
from monitor.judging.firing import FireWatch, judge_timing_surely, timing_findings
from monitor.judging.response import find_origin, time_response
from monitor.judging.rules.alerts import judge_alert
from monitor.judging.rules.before import judge_before
from monitor.judging.rules.exposure import Exposure, Shown, what_showed
from monitor.judging.rules.feedhealth import judge_feed
from monitor.judging.rules.hazard import judge_hazard, look_for_hazard
from monitor.judging.rules.identity import exposure_findings, identity_findings
from monitor.judging.rules.lead import judge_bend, judge_lead
from monitor.judging.rules.pedals import judge_pedals
from monitor.judging.rules.platform import judge_platform
from monitor.judging.rules.plausibility import Doubt, judge_channels, leave_open
from monitor.judging.rules.source_trouble import (
    evidence_of,
    judge_alert_by_clocks,
    judge_sources,
    judge_task_by_clocks,
    unheard_in,
)
from monitor.judging.rules.tasks import judge_task
from monitor.study.model import Study, Trigger
from monitor.study.standing import Standing

NOT_GIVEN = AlertResult(None, (), None, None, "open")


@dataclass(frozen=True, slots=True)
class Plan:
    """What the run was meant to be: study, participant's group, codes to check the simulator's hello against."""

    study: Study
    participant: str
    group: str | None
    planned_group: str | None
    """The group that the simulator's must agree with: as given when the run began, else the one that the study's
    assignment gives the participant; None where both leave it to the simulator."""

    standing: Standing | None = None
    """How far the study was when the run began, for the words after a lost trial."""


DOUBTED_AFTER_S = 0.05
"""The channels before a fire are held against each other only then: it takes as long as everything else together, and
the first word about the fire does not wait for it."""


@dataclass(slots=True)
class Settled:
    """What nothing can change any more about one fired trial: kept, and not judged again with each frame."""

    doubts: list[Doubt] | None = None
    conditions: dict[str, ConditionResult] = field(default_factory=dict)

    def doubts_of(self, case: Case) -> list[Doubt]:
        """What is doubted about the channels before the fire, as of the case's entry."""
        if self.doubts is None and case.passed(DOUBTED_AFTER_S):
            frames = cut_stretch(case.drive, case.run_up_t, case.fired_at, case.number)
            self.doubts = [] if frames is None else [*judge_channels(case, frames), *judge_pedals(case, frames)]
        return self.doubts or []

    def conditions_of(self, case: Case) -> tuple[ConditionResult, ...]:
        """All conditions of the trigger as of the case's entry."""
        found = []
        for condition in case.trigger.conditions:
            result = self.conditions.get(condition.name)
            if result is None:
                role = case.study.roles.get(condition.measure.role or case.trigger.role)
                result = judge_condition(condition, case.stretch, case.fired_at, role, case.held_id)
                if case.drive.aligned is not None and condition.measure.kind == "signal":
                    # samples and sync marks of a further source come later than the frames that they belong to
                    waits = result.result == "undecided" and not case.passed(window_of(condition)[1], MARKER_DELAY_S)
                    result = replace(result, open=result.open or waits)
                elif case.now_t >= case.fired_at + seen_after_s(condition, case.drive.period_s):
                    self.conditions[condition.name] = result
            found.append(result)
        return tuple(found)


def judge_fired(
    plan: Plan,
    drive: DriveLog,
    watch: FireWatch,
    marker: ReceivedMarker,
    occurrence: int,
    earlier: Exposure,
    number: int,
    *,
    settled: Settled,
    final: bool,
) -> tuple[Trial, Shown]:
    """A trial whose marker is known, as of entry `number`; and whether its hazard showed itself to the participant."""
    case = make_case(plan, drive, watch, marker, occurrence, number)
    trigger = case.trigger
    timing, unsure = judge_timing_surely(
        plan.study,
        watch,
        number,
        occurrence,
        case.fired_at,
        wanted=wanted(trigger, drive),
        period_s=drive.period_s,
        now_t=case.now_t,
        over=case.over,
        seen=_seen_about_fire(case),
        settled=watch.hopeful is None or case.passed(2.0 * drive.period_s, MARKER_DELAY_S),
    )
    conditions = settled.conditions_of(case)
    alert, alert_findings = judge_alert_by_clocks(case, judge_alert)
    sources = evidence_of(case)
    doubts = settled.doubts_of(case)
    doubted = frozenset(channel for doubt in doubts for channel in doubt.channels)
    conditions = leave_open(conditions, doubted, trigger.role)
    hazard = look_for_hazard(case)
    shown = what_showed(case, hazard, alert)
    findings = [
        *alert_findings,
        *timing_findings(plan.study, trigger, timing, case.fired_at, end_t=drive.end_t, wanted=wanted(trigger, drive)),
        *judge_task_by_clocks(case, judge_task),
        *judge_before(case, doubted),
        *judge_hazard(case, hazard, conditions),
        *judge_lead(case),
        *judge_bend(case),
        *judge_feed(case, hazard_came=hazard.onset_t is not None),
        *(doubt.finding for doubt in doubts),
        *judge_platform(case),
        *identity_findings(plan.study, plan.participant, plan.planned_group, drive.hello, case.fired_at),
        *collided_before(case),
        *judge_sources(case, sources),
        *unsure,
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
        sources=sources,
    )
    return replace(trial, what_now=what_now(trial, shown, plan.study, plan.group, plan.standing)), shown


def find_response_origin(
    plan: Plan, drive: DriveLog, watch: FireWatch, marker: ReceivedMarker, occurrence: int, number: int
) -> float | None:
    """The instant that responses are timed from, as of entry `number`; None where it is not found (yet)."""
    case = make_case(plan, drive, watch, marker, occurrence, number)
    return find_origin(case, look_for_hazard(case).onset_t)


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
    t0 = find_origin(case, look_for_hazard(case).onset_t)
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
        unheard=unheard_in(drive.aligned, start_t, end_t, number),
    )


def shown_as_of(
    plan: Plan, drive: DriveLog, watch: FireWatch, marker: ReceivedMarker, occurrence: int, number: int
) -> Shown:
    """Whether a trial's hazard had shown itself as of an entry."""
    case = make_case(plan, drive, watch, marker, occurrence, number)
    return what_showed(case, look_for_hazard(case), judge_alert(case)[0])


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


def final_frame_after_s(trigger: Trigger) -> float:
    """Seconds from the fire after which a frame makes the trial final: every window plus the marker delay."""
    return trial_window(trigger)[1] + MARKER_DELAY_S

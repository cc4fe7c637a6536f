"""One trial from everything known as of one entry: conditions, timing, alert, task, feed, exposure → verdict."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from monitor.judging.advice import what_now
from monitor.judging.case.case import Case, needed_until_s, trial_window
from monitor.judging.case.conditions import judge_condition, seen_after_s, window_of
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import MARKER_DELAY_S, ReceivedMarker
from monitor.judging.case.stretch import Stretch, cut_stretch
from monitor.judging.case.trial import (
    AlertResult,
    ConditionResult,
    Finding,
    Response,
    Stage,
    Timing,
    Trial,
    Verdict,
)
from monitor.judging.evidence.ahead import OtherLead, lead_otherwise
from monitor.judging.evidence.causes import turned_channels
from monitor.judging.evidence.cutting import own_body, role_body
from monitor.judging.evidence.inputs import Bodies
from monitor.judging.evidence.weighing import Weighed, weigh
from monitor.judging.firing import FireWatch
from monitor.judging.response import find_origin, time_response
from monitor.judging.rules.alerts import judge_alert, judge_unaccounted, treatment_findings
from monitor.judging.rules.before import judge_before
from monitor.judging.rules.disagreement import Doubts, judge_disagreement
from monitor.judging.rules.exposure import Exposure, Shown, what_showed
from monitor.judging.rules.feedhealth import judge_feed, out_of_time
from monitor.judging.rules.frame_timing import in_milliseconds
from monitor.judging.rules.hazard import HazardSeen, judge_hazard, look_for_hazard
from monitor.judging.rules.identity import exposure_findings, identity_findings
from monitor.judging.rules.lead import judge_bend, judge_lead
from monitor.judging.rules.platform import judge_platform
from monitor.judging.rules.signals import SignalDoubt, judge_signals
from monitor.judging.rules.source_trouble import (
    evidence_of,
    judge_alert_by_clocks,
    judge_sources,
    judge_task_by_clocks,
    unheard_in,
)
from monitor.judging.rules.tasks import judge_task
from monitor.judging.rules.timing_evidence import ALONE, is_alone, timing_contradicted
from monitor.judging.timing import Asked, judge_timing_surely, timing_findings, too_soon_findings
from monitor.study.model import Study, Trigger
from monitor.study.standing import Standing
from monitor.study.terms import Condition

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


@dataclass(slots=True)
class Settled:
    """What nothing can change any more about one fired trial: kept, and not judged again with each frame."""

    doubts: Doubts | None = None
    signals: list[SignalDoubt] | None = None
    contradicted: list[Finding] | None = None
    alone: bool = False
    """Whether a wrong timing rests on the own station alone."""
    weighed: dict[str, Weighed] = field(default_factory=dict)
    lead_kept_to: float = -math.inf
    """Up to when nothing had become of the lead after the fire: of those frames nothing can become of it any more."""
    _before: dict[frozenset[str], list[Finding]] = field(default_factory=dict)
    _bodies: dict[tuple[str, float], Bodies | None] = field(default_factory=dict)

    def fork(self) -> Settled:
        """The same, to go on from alone."""
        return replace(
            self,
            signals=None if self.signals is None else [*self.signals],
            contradicted=None if self.contradicted is None else [*self.contradicted],
            weighed=dict(self.weighed),
            _before=dict(self._before),
            _bodies=dict(self._bodies),
        )

    def weighed_of(self, case: Case) -> tuple[Weighed, ...]:
        """All conditions of the trigger as of the case's entry, with their evidence where their window has been
        seen."""
        return tuple(self._weighed(case, condition) for condition in case.trigger.conditions)

    def _weighed(self, case: Case, condition: Condition) -> Weighed:
        known = self.weighed.get(condition.name)
        if known is not None:
            return known
        result = judge_condition(condition, case.stretch, case.fired_at, case.cast)
        comes_late = any(one.measure.kind in ("signal", "event") for one in condition.alternatives)
        if case.drive.aligned is not None and comes_late:
            # samples and sync marks of a further source come later than the frames that they belong to
            seen = case.passed(window_of(condition)[1], MARKER_DELAY_S)
        else:
            seen = case.over or case.now_t >= case.fired_at + seen_after_s(condition, case.drive.period_s)
        if not seen:
            # no word that evidence may take back
            return Weighed(replace(result, open=True))
        until_t = case.fired_at + max(window_of(condition)[1], 0.0)
        bodies = self.bodies_of(case, condition.measure.role or case.trigger.role, until_t)
        weighed = Weighed(result) if bodies is None else weigh(condition, result, bodies, case.fired_at)
        self.weighed[condition.name] = weighed
        return weighed

    def bodies_of(self, case: Case, role_name: str, until_t: float) -> Bodies | None:
        """Own car up to the fire and the vehicle in a role up to `until_t`, with the run-up; None without frames."""
        key = role_name, until_t
        if key not in self._bodies:
            self._bodies[key] = cut_bodies(case, role_name, until_t)
        return self._bodies[key]

    def has_seen(self, case: Case) -> bool:
        """Whether all frames about the fire have come in, so that what was before it can be held against each other."""
        return case.passed(SEEN_PERIODS * case.drive.period_s)

    def signals_of(self, case: Case) -> list[SignalDoubt]:
        """Doubts about signals, once all frames about the fire have come in."""
        if self.signals is None and self.has_seen(case):
            self.signals = judge_signals(case)
        return self.signals or []

    def timing_of(self, case: Case, timing: Timing) -> tuple[Timing, list[Finding]]:
        """The timing, not stated where another telling of what the rule looks at says otherwise."""
        if not self.has_seen(case):
            return timing, []
        if self.contradicted is None:
            bodies = self.bodies_of(case, case.trigger.role, case.fired_at)
            found = None if bodies is None else timing_contradicted(case, timing, bodies)
            self.contradicted = [] if found is None else [found]
            self.alone = timing.result in ("early", "late") and bodies is not None and is_alone(case, bodies)
        if not self.contradicted:
            return timing, []
        return Timing(timing.expected_at, None, None, "not stated"), self.contradicted

    def before_of(self, case: Case, doubted: frozenset[str]) -> list[Finding]:
        """What the driver did before the fire, once that has been seen."""
        run_up = self.run_up_of(case)
        if run_up is None:
            return []
        if doubted not in self._before:
            self._before[doubted] = judge_before(case, run_up, doubted)
        return self._before[doubted]

    def lead_of(self, case: Case) -> list[Finding]:
        """What has become of the lead. Each frame after the fire is looked at once."""
        found = judge_lead(case, self.lead_kept_to)
        if not found and self.has_seen(case):
            self.lead_kept_to = case.now_t
        return found

    def run_up_of(self, case: Case) -> Stretch | None:
        """The run-up to the fire, once it has been seen; None before."""
        if not self.has_seen(case):
            return None
        bodies = self.bodies_of(case, case.trigger.role, case.fired_at)
        return None if bodies is None else bodies.stretch

    def doubts_of(self, case: Case, weighed: tuple[Weighed, ...]) -> Doubts:
        """What is doubted about the channels, once all that a condition looks at has been seen."""
        if self.doubts is not None:
            return self.doubts
        if any(one.condition.open for one in weighed) or not (
            case.over or case.passed(SEEN_PERIODS * case.drive.period_s)
        ):
            return Doubts()
        until_t = case.fired_at + max(needed_until_s(case.trigger, hazard_came=True), 0.0)
        bodies = self.bodies_of(case, case.trigger.role, max(until_t, case.fired_at))
        doubts = Doubts() if bodies is None else judge_disagreement(case, bodies, weighed)
        self.doubts = doubts
        return doubts


SEEN_PERIODS = 5.0
"""Frames after the fire from which on nothing about the time before it can still come in."""


def cut_bodies(case: Case, role_name: str, until_t: float) -> Bodies | None:
    """Own car up to the fire and the vehicle in a role up to `until_t`, from the run-up on."""
    stretch = cut_stretch(case.drive, case.run_up_t, until_t, case.number)
    if stretch is None or stretch.last_at(case.fired_at) < 1:
        return None
    rows = case.cast.rows_in(stretch)(role_name)
    at = stretch.last_at(until_t)
    named = case.name_of(int(stretch.frames.others.id[rows[at]])) if at >= 0 and rows[at] >= 0 else role_name
    accepted = case.study.accepted
    return Bodies(
        stretch=stretch,
        rows=rows,
        own=own_body(stretch, case.fired_at, accepted),
        other=role_body(stretch, rows, named, until_t, accepted),
        role_name=role_name,
        until_t=until_t,
        cast=case.cast,
        other_lead=_other_lead(case, role_name, stretch),
    )


def _other_lead(case: Case, role_name: str, stretch: Stretch) -> OtherLead | None:
    """Whether boxes tell of another lead; no question where the study names the vehicle."""
    role = case.study.roles.get(role_name)
    is_named = role is not None and (role.vehicle is not None or role.id is not None)
    return None if is_named or case.held_id < 0 else lead_otherwise(stretch, case.held_id, case.fired_at)


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
    asked = Asked(
        occurrence,
        case.fired_at,
        wanted(trigger, drive),
        case.now_t,
        over=case.over,
        seen=_seen_about_fire(case),
        settled=watch.hopeful is None or case.passed(2.0 * drive.period_s, MARKER_DELAY_S),
    )
    timing, unsure = judge_timing_surely(plan.study, watch, number, asked, drive.period_s)
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
    timed = timing_findings(plan.study, trigger, timing, asked, end_t=drive.end_t) if settled.has_seen(case) else []
    if settled.alone:
        timed = [replace(one, sentence=f"{one.sentence} {ALONE}") for one in timed]
    findings = [
        *alert_findings,
        *judge_unaccounted(case, _rule_held(watch, number)),
        *treatment_findings(case),
        *timed,
        *contradicted,
        *(one.finding for one in signals),
        *too_soon_findings(plan.study, watch, number, asked, drive.period_s),
        *judge_task_by_clocks(case, judge_task),
        *settled.before_of(case, doubts.own),
        *_hazard_findings(case, hazard, conditions, settled.doubts),
        *settled.lead_of(case),
        *judge_bend(case),
        *judge_feed(case, hazard_came=hazard.onset_t is not None),
        *doubts.findings,
        *judge_platform(case),
        *identity_findings(plan.study, plan.participant, plan.planned_group, drive.hello, case.fired_at),
        *collided_before(case),
        *judge_sources(case, sources),
        *unsure,
        *exposure_findings(plan.study, earlier, case.fired_at),
    ]
    lost = out_of_time(case) or in_milliseconds(case)
    if lost:
        findings = [one for one in findings if one.code in NO_TIME] + lost
        conditions = tuple(replace(one, result="undecided", at_edge=False) for one in conditions)
        timing = Timing(timing.expected_at, None, None, "not stated")
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


def _rule_held(watch: FireWatch, number: int) -> list[float]:
    """When a trigger that comes often was to fire, as of an entry."""
    return [rule.t for rule in watch.expected if rule.number <= number] if watch.trigger.comes_often else []


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
    stretch = cut_stretch(drive, t0 - rule.looks_back_s, t0 + rule.horizon_s, number)
    if stretch is None:
        return None
    bodies = cut_bodies(case, case.trigger.role, case.fired_at)
    turned = () if bodies is None else turned_channels(bodies.own)
    unbelieved = frozenset(cause.channel for cause in turned if cause.kind == "unit")
    return time_response(case, stretch, t0, alert, over=case.over, unbelieved=unbelieved)


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


NO_TIME = frozenset(
    ("participant-mismatch", "group-mismatch", "scenario-mismatch", "not-naive", "naive-unknown", "sequence-reset")
)
"""Findings that hold whatever the simulation's clock did."""

WEIGHED = frozenset(("place", "station", "speed", "accel", "heading", "yaw_rate", "lane_offset"))
"""Channels that other tellings are held against: what a doubt of them does is weighed, condition by condition."""


def leave_open(conditions: tuple[ConditionResult, ...], doubted: frozenset[str]) -> tuple[ConditionResult, ...]:
    """The conditions, those undecided that look at a pedal, the wheel or a signal that is not believed."""
    unbelieved = doubted - WEIGHED
    if "steering_angle" in unbelieved:
        unbelieved |= {"steering_reversal_rate"}
    return tuple(
        replace(one, result="undecided", at_edge=False) if one.measure in unbelieved else one for one in conditions
    )


def decide(conditions: tuple[ConditionResult, ...], findings: tuple[Finding, ...], *, final: bool) -> Verdict:
    """Any required condition not met or a void finding: invalid, as soon as it is certain. Else any required condition
    undecided or a doubtful finding: undecided. Else valid, but only when final."""
    if any(one.severity == "void" for one in findings):
        return "invalid"
    if any(one.required and one.result == "not met" and not one.open for one in conditions):
        return "invalid"
    if any(one.severity == "doubtful" for one in findings):
        return "undecided"
    if any(one.required and (one.open or one.result == "undecided") for one in conditions):
        return "undecided"
    return "valid" if final else "undecided"


def wanted(trigger: Trigger, drive: DriveLog) -> int | None:
    """How often this drive is expected to fire the trigger; None: any number."""
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

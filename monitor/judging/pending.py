"""A trial whose trigger marker has not come: armed, missed, or not reached."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from monitor.judging.advice import what_now
from monitor.judging.case.case import make_finding
from monitor.judging.case.conditions import judge_condition
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import MARKER_DELAY_S, ReceivedMarker
from monitor.judging.case.stretch import cut_stretch
from monitor.judging.case.trial import Finding, Timing, Trial
from monitor.judging.case.values import held_rows, role_channel
from monitor.judging.firing import Expected
from monitor.judging.judge import NOT_GIVEN
from monitor.judging.occasion import Occasion, Plan, wanted
from monitor.judging.rules.alerts import judge_alert
from monitor.judging.rules.exposure import Exposure, Shown, what_showed
from monitor.judging.rules.hazard import look_for_hazard
from monitor.judging.rules.identity import exposure_findings, identity_findings
from monitor.judging.timing import Asked, judge_timing_surely, timing_findings
from monitor.judging.verdict import decide
from monitor.study.model import Study

BEFORE_TRIGGER_S, AFTER_TRIGGER_S = 1.0, 10.0
"""An alert or a contact within this of a trigger's marker belongs to that trigger."""


def judge_pending(occasion: Occasion, earlier: Exposure, missed: Expected | None = None) -> tuple[Trial, Shown]:
    """An expected trial whose marker has not come: armed, missed, or not reached. `missed`: the time of its rule that
    no fire of a trigger that comes often belongs to, when that is certain."""
    plan, drive, trigger = occasion.plan, occasion.drive, occasion.trigger
    over, number = occasion.over, occasion.number
    asked = Asked(None, wanted(trigger, drive), drive.newest_t)
    if missed is not None:
        timing, unsure = Timing(missed.t, None, None, "missed"), list[Finding]()
    else:
        timing, unsure = judge_timing_surely(occasion, asked)
    findings = timing_findings(occasion, timing, asked)
    findings += unsure
    if over and missed is None and not trigger.fires_when:
        sentence = f"The trigger {trigger.name} did not fire in this drive."
        findings.append(make_finding(plan.study, "trigger-missed", sentence, drive.end_t))
    lost = drive.lost_markers(number)
    if missed is not None:
        reach_s = trigger.grace_s + MARKER_DELAY_S
        lost = [one for one in lost if one.after_t < missed.t + reach_s and one.before_t > missed.t - reach_s]
    looked_at = timing.expected_at
    if over and looked_at is None and not trigger.fires_when:
        looked_at = _braked_at(occasion)
    came, braked_t = _came(occasion, looked_at)
    # where another trigger fired about then, the hazard was that one's
    another = braked_t is not None and any(
        marker.kind == "trigger" and abs(marker.t - braked_t) <= AFTER_TRIGGER_S
        for marker in drive.known_markers(number)
    )
    if findings and looked_at is not None and braked_t is not None and not (another or trigger.comes_often):
        held = f"The rule of {trigger.name} held from {looked_at:.2f} s and no" if trigger.fires_when else "No"
        sentence = (
            f"{held} marker told that {trigger.name} fired, but its hazard came at {braked_t:.2f} s: was the marker "
            "never sent?"
        )
        findings = [make_finding(plan.study, "fire-untold", sentence, looked_at)]
    if findings and lost:
        sentence = f"{len(lost)} of the drive's markers never arrived; one of them may have been the trigger's."
        findings = [make_finding(plan.study, "marker-lost", sentence, lost[0].before_t)]
    if findings:
        findings += _other_triggers(plan.study, drive, number)
    if over or missed is not None:
        findings += exposure_findings(plan.study, earlier, None)
        findings += identity_findings(plan.study, plan.participant, plan.planned_group, drive.hello, None)
    conditions = tuple(judge_condition(condition, None, math.nan) for condition in trigger.conditions)
    trial = Trial(
        id=occasion.id,
        trigger=trigger.name,
        drive=drive.index,
        occurrence=occasion.occurrence,
        fired_at=None,
        wall=None,
        stage="final" if over or missed is not None else "armed",
        verdict=decide((), tuple(findings), final=False),
        naive=earlier.naive,
        role_id={},
        timing=timing,
        conditions=conditions,
        findings=tuple(findings),
        alert=NOT_GIVEN,
        response=None,
        what_now="",
        surprises=trigger.surprise_class is not None,
        treatment=_treatment(plan, occasion.occurrence),
    )
    shown = _shown(drive, came, number)
    return replace(trial, what_now=what_now(trial, shown, plan.study, plan.group, plan.standing)), shown


def _treatment(plan: Plan, occurrence: int) -> str | None:
    group = plan.study.groups.get(plan.group or "")
    return None if group is None else group.treatment_of(occurrence)


def _other_triggers(study: Study, drive: DriveLog, number: int) -> list[Finding]:
    """Triggers that fired and that the study does not list: one of them may have been this one under another name."""
    known = {trigger.name for trigger in study.triggers}
    for marker in drive.known_markers(number):
        if marker.kind == "trigger" and marker.name not in known:
            sentence = f"A trigger {marker.name} that the study does not list fired at {marker.t:.2f} s."
            return [make_finding(study, "trigger-unknown", sentence, marker.t)]
    return []


def _came(occasion: Occasion, expected_at: float | None) -> tuple[Shown, float | None]:
    """Whether a hazard whose marker never came showed itself where the trigger's rule held, and when its vehicle braked
    by its acceleration and by its speed."""
    trigger, number = occasion.trigger, occasion.number
    if expected_at is None or trigger.hazard is None:
        return Shown.NO, None
    stand_in = ReceivedMarker(0, expected_at, "trigger", trigger.name, {}, number, expected_at, math.nan, False)
    case = occasion.case(stand_in)
    hazard = look_for_hazard(case)
    braked_t = hazard.onset_t if hazard.by_speed_t is not None else None
    return what_showed(case, hazard, judge_alert(case)[0]), braked_t


def _braked_at(occasion: Occasion) -> float | None:
    """When the vehicle of a trigger without a rule last began to brake as its hazard does, in what is kept of the
    drive; None where it did not."""
    rule = occasion.trigger.hazard
    stretch = cut_stretch(occasion.drive, -math.inf, math.inf, occasion.number)
    if rule is None or rule.onset is not None or stretch is None:
        return None
    leads, counts = np.unique(stretch.lead_id[stretch.lead_id >= 0], return_counts=True)
    lead = int(leads[counts.argmax()]) if len(leads) else None
    rows = held_rows(stretch, occasion.study.roles.get(rule.role or occasion.trigger.role), lead)
    brakes = role_channel(stretch.frames, "accel", rows).value <= -rule.decel_at_least_mps2
    begins = np.flatnonzero(brakes[1:] & ~brakes[:-1]) + 1
    return float(stretch.t[begins[-1]]) if len(begins) else None


def _shown(drive: DriveLog, came: Shown, number: int) -> Shown:
    """Whether a participant has met the hazard of a trigger whose marker never came; `came`: what the telemetry says.

    Beside that, an alert or a contact away from every trigger is evidence, and a marker that never arrived may have
    been the trigger's: that makes nobody naive.
    """
    markers = drive.known_markers(number)
    fires = [marker.t for marker in markers if marker.kind == "trigger"]
    for marker in markers:
        if marker.kind not in ("alert_on", "collision"):
            continue
        if not any(t - BEFORE_TRIGGER_S <= marker.t <= t + AFTER_TRIGGER_S for t in fires):
            return Shown.YES
    if came is Shown.NO and drive.lost_markers(number):
        return Shown.UNKNOWN
    return came

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
from monitor.judging.case.stretch import Stretch, cut_stretch
from monitor.judging.case.trial import Finding, Timing, Trial
from monitor.judging.case.values import held_rows, role_channel
from monitor.judging.firing import Expected
from monitor.judging.judge import NOT_GIVEN
from monitor.judging.occasion import Occasion, Plan, wanted
from monitor.judging.rules.alerts import judge_alert
from monitor.judging.rules.exposure import Exposure, Shown, what_showed
from monitor.judging.rules.hazard import BEFORE_FIRE_S, BY_SPEED_S, look_for_hazard, slowed_in
from monitor.judging.rules.identity import exposure_findings, identity_findings
from monitor.judging.timing import Asked, judge_timing_surely, timing_findings
from monitor.judging.verdict import decide
from monitor.measures.columns import FloatArray, IntArray
from monitor.study.model import Study
from monitor.study.rules import HazardRule

BEFORE_TRIGGER_S, AFTER_TRIGGER_S = 1.0, 10.0
"""An alert or a contact within this of a trigger's marker belongs to that trigger."""


def judge_pending(occasion: Occasion, earlier: Exposure, missed: Expected | None = None) -> tuple[Trial, Shown]:
    """An expected trial whose marker has not come: armed, missed, or not reached. `missed`: the time of its rule that
    no fire of a trigger that comes often belongs to, when that is certain."""
    plan, drive, trigger = occasion.plan, occasion.drive, occasion.trigger
    over, number = occasion.over, occasion.number
    asked = Asked(None, wanted(trigger, drive), drive.newest_at(number))
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
    came, came_t = _came(occasion, timing.expected_at)
    # where another trigger fired about then, the hazard was that one's
    another = came_t is not None and any(
        marker.kind == "trigger" and abs(marker.t - came_t) <= AFTER_TRIGGER_S for marker in drive.known_markers(number)
    )
    at, untold_at = timing.expected_at, None
    if came_t is not None and not (another or trigger.comes_often):
        untold_at = came_t if at is None else at
    if findings and untold_at is not None:
        held = "No" if at is None else f"The rule of {trigger.name} held from {at:.2f} s and no"
        sentence = (
            f"{held} marker told that {trigger.name} fired, but its hazard came at {came_t:.2f} s: was the marker "
            "never sent?"
        )
        findings = [make_finding(plan.study, "fire-untold", sentence, untold_at)]
    about_t = (-math.inf, math.inf)
    if timing.expected_at is not None:
        about_t = timing.expected_at - trigger.grace_s, timing.expected_at + trigger.grace_s
    unseen = drive.unseen_in(*about_t, number)
    if findings and unseen is not None:
        sentence = (
            f"No frame was seen between {unseen[0]:.2f} and {unseen[1]:.2f} s, and what tells that {trigger.name} "
            "fired may have been lost there: its source tells it by frames alone."
        )
        findings = [make_finding(plan.study, "marker-lost", sentence, unseen[1])]
    if findings and lost:
        which = "it" if len(lost) == 1 else "one of them"
        sentence = f"{len(lost)} of the drive's markers never arrived; {which} may have been the trigger's."
        # a driver who responds sends more of them
        uncounted = "Not all of the drive's markers arrived; one that did not may have been the trigger's."
        finding = make_finding(plan.study, "marker-lost", sentence, lost[0].before_t)
        findings = [replace(finding, while_hidden=uncounted)]
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
        untold_at=untold_at,
    )
    shown = _shown(drive, came, number)
    if shown is Shown.NO and unseen is not None:
        shown = Shown.UNKNOWN
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
    """Whether a hazard whose marker never came showed itself where the trigger's rule held, or anywhere in the drive
    for a trigger without a rule; and when it came."""
    trigger, number = occasion.trigger, occasion.number
    if trigger.hazard is None:
        return Shown.NO, None
    if expected_at is None:
        anywhere = occasion.over and not trigger.fires_when
        braked_t = _braked_at(occasion, trigger.hazard, (-math.inf, math.inf), -1) if anywhere else None
        return Shown.NO if braked_t is None else Shown.YES, braked_t
    stand_in = ReceivedMarker(0, expected_at, "trigger", trigger.name, {}, number, expected_at, math.nan, False)
    case = occasion.case(stand_in)
    about = expected_at - BEFORE_FIRE_S, expected_at + trigger.hazard.within_s
    hazard = look_for_hazard(case)
    came_t = hazard.onset_t
    if trigger.hazard.onset is None:
        came_t = _braked_at(occasion, trigger.hazard, about, case.held_id)
    came = what_showed(case, hazard, judge_alert(case)[0])
    return Shown.YES if came_t is not None else came, came_t


def _braked_at(occasion: Occasion, rule: HazardRule, about: tuple[float, float], held_id: int) -> float | None:
    """When a hazard's vehicle last began to brake between two times, in what is kept of the drive; None where it did
    not. Where nothing tells which vehicle is ahead, each may be the one.

    It is told by the speed, since an acceleration may not be filled, and by that where no speed is measured.
    """
    from_t, to_t = about
    stretch = cut_stretch(occasion.drive, from_t - BY_SPEED_S - 1.0, to_t, occasion.number)
    if rule.onset is not None or stretch is None:
        return None
    role = occasion.study.roles.get(rule.role or occasion.trigger.role)
    is_named = role is not None and (role.vehicle is not None or role.id is not None)
    leads = [held_id] if is_named or held_id >= 0 else _ahead(stretch)
    begins = [float(t) for lead in leads for t in _begins_to_brake(stretch, held_rows(stretch, role, lead), rule)]
    return max((t for t in begins if from_t <= t <= to_t), default=None)


def _ahead(stretch: Stretch) -> list[int]:
    """The vehicle that is ahead most of the time; all there are, where none is known to be."""
    leads, counts = np.unique(stretch.lead_id[stretch.lead_id >= 0], return_counts=True)
    return [int(leads[counts.argmax()])] if len(leads) else np.unique(stretch.frames.others.id).tolist()


def _begins_to_brake(stretch: Stretch, rows: IntArray, rule: HazardRule) -> FloatArray:
    slowed = slowed_in(stretch, rows)
    if np.isnan(slowed).all():
        slowed = -role_channel(stretch.frames, "accel", rows).value
    brakes = slowed >= rule.decel_at_least_mps2
    return stretch.t[1:][brakes[1:] & ~brakes[:-1]]


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

"""The driver and the scene before the hazard: pedals, and the vehicle ahead staying the same one."""

from __future__ import annotations

import numpy as np

from monitor.judging.case import Case
from monitor.judging.trial import Finding
from monitor.judging.values import held_rows, role_channel
from monitor.measures.columns import FloatArray


def judge_before(case: Case) -> list[Finding]:
    """Pedals inside the look-back before the fire. A pedal that is not measured gives no finding."""
    rule, stretch = case.trigger.before, case.stretch
    if rule is None or stretch is None:
        return []
    span = stretch.window(case.fired_at - rule.look_back_s, case.fired_at)
    t = stretch.t[span]
    brake, accelerator = _pedal(case, "brake", span), _pedal(case, "accelerator", span)
    findings = []
    if rule.brake_at_most is not None and (brake > rule.brake_at_most).any():
        first = int(np.flatnonzero(brake > rule.brake_at_most)[0])
        sentence = (
            f"The brake pedal was at {float(np.nanmax(brake)):.2f} within {rule.look_back_s:.1f} s before the fire "
            f"(from {case.fired_at - t[first]:.2f} s before it), at most {rule.brake_at_most:.2f} is permitted."
        )
        findings.append(case.finding("braking-before-hazard", sentence, float(t[first])))
    floor = rule.accelerator_at_least
    if floor is not None and len(accelerator) and (accelerator < floor).all():
        sentence = (
            f"The accelerator was below {floor:.2f} all through the {rule.look_back_s:.1f} s before the fire "
            f"(at most {float(np.nanmax(accelerator)):.2f}): it was released before the hazard."
        )
        findings.append(case.finding("accelerator-released-before", sentence, float(t[0])))
    if rule.two_footed_s is not None:
        both = int(((brake > 0.02) & (accelerator > 0.02)).sum()) * stretch.period_s
        if both > rule.two_footed_s:
            sentence = f"Both pedals were pressed for {both:.2f} s before the fire; a second foot rests on a pedal."
            findings.append(case.finding("two-footed", sentence, float(t[0])))
    return findings


def _pedal(case: Case, name: str, span: slice) -> FloatArray:
    assert case.stretch is not None
    column = case.stretch.frames.own.get(name)
    return np.full(span.stop - span.start, np.nan) if column is None else column[span]


def judge_lead(case: Case) -> list[Finding]:
    """Another vehicle being the nearest than the one that was the lead at fire, anywhere in the trial's window."""
    stretch = case.stretch
    uses_lead = any(condition.measure.role is not None for condition in case.trigger.conditions)
    if stretch is None or not uses_lead or case.held_id < 0:
        return []
    span = stretch.window(case.start_t, case.end_t)
    other = (stretch.lead_id[span] != case.held_id) & (stretch.lead_id[span] >= 0)
    if not other.any():
        return []
    first = span.start + int(np.flatnonzero(other)[0])
    names = stretch.frames.others.names
    swapped, held = int(stretch.lead_id[first]), case.held_id
    sentence = (
        f"From {stretch.t[first]:.2f} s the nearest vehicle ahead was {names.get(swapped, f'number {swapped}')}, "
        f"not {names.get(held, f'number {held}')} as at the fire."
    )
    return [case.finding("lead-changed", sentence, float(stretch.t[first]))]


def hazard_onset(case: Case) -> float | None:
    """The first instant at which the scripted hazard shows: the role's deceleration reaches the rule's level.

    None where there is no rule or the level is not reached in time.
    """
    rule, stretch = case.trigger.hazard, case.stretch
    if rule is None or stretch is None:
        return None
    role = case.study.roles.get(rule.role or case.trigger.role)
    span = stretch.window(case.fired_at - 0.5, case.fired_at + rule.within_s)
    accel = role_channel(stretch.frames, "accel", held_rows(stretch, role, case.held_id)).value[span]
    braking = np.flatnonzero(accel <= -rule.decel_at_least_mps2)
    return float(stretch.t[span][braking[0]]) if len(braking) else None

"""The driver before the hazard: pedals, and what the car does.

Braking is a pedal above its resting value and a car that slows down. One of them alone may be a resting foot, a hill,
or a pedal that is not there: that is for a person to look at. What is not measured is said, and never taken for "no".
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.stretch import Stretch
from monitor.judging.case.trial import Finding
from monitor.measures.columns import FloatArray
from monitor.study.rules import BeforeRule

RESTING = 0.01
"""A pedal above this carries a foot (common practice, no source)."""

RESTS_AT_MOST = 0.1
"""A brake pedal's resting value is its least one in the run-up, and never taken to be above this."""

SLOWS_MPS2 = 0.5
"""From this deceleration on a car with its brake pressed slows down (common practice, no source) …"""
BRAKES_MPS2 = 1.5
"""… and from this one on nothing but a brake does: the drag of a released accelerator is below it."""
OVER_S = 0.2
"""Decelerations are means over so long: one noisy frame brakes no car."""


@dataclass(frozen=True, slots=True)
class _Seen:
    """The look-back: times, pedals less their resting value, and the greatest deceleration, with what it comes from."""

    t: FloatArray
    brake: FloatArray
    accelerator: FloatArray
    decel: float | None
    decel_by: str
    decel_by_speed: float | None
    absent: tuple[str, ...]
    """Pedals that are not in the feed; one whose sensor is doubted has a finding of its own."""
    both_s: float
    rest: float


def judge_before(case: Case, run_up: Stretch | None, doubted: frozenset[str]) -> list[Finding]:
    """Pedals and deceleration inside the look-back before the fire. A channel that is not believed is not measured."""
    rule = case.trigger.before
    if rule is None or run_up is None or case.stretch is None:
        return []
    seen = _look_back(case, run_up, rule, doubted)
    if len(seen.t) == 0:
        return []
    findings = _braking(case, rule, seen)
    floor = rule.accelerator_at_least
    pressed = seen.accelerator[np.isfinite(seen.accelerator)]
    if floor is not None and len(pressed) and (pressed < floor).all():
        sentence = (
            f"The accelerator was below {floor:.2f} all through the {rule.look_back_s:.1f} s before the fire "
            f"(at most {float(pressed.max()):.2f}): it was released before the hazard."
        )
        findings.append(case.finding("accelerator-released-before", sentence, float(seen.t[0])))
    if rule.two_footed_s is not None and seen.both_s > rule.two_footed_s:
        sentence = f"Both pedals were pressed for {seen.both_s:.2f} s before the fire; a second foot rests on a pedal."
        findings.append(case.finding("two-footed", sentence, float(seen.t[0])))
    return findings + _not_measured(case, rule, seen)


def _look_back(case: Case, run_up: Stretch, rule: BeforeRule, doubted: frozenset[str]) -> _Seen:
    span = run_up.window(case.fired_at - rule.look_back_s, case.fired_at)
    own = {
        name: np.full(len(run_up.t), np.nan) if name in doubted or name not in run_up.frames.own else column
        for name, column in run_up.frames.own.items()
        if name in ("brake", "accelerator", "accel", "speed")
    }
    brake = own["brake"]
    before = brake[: span.stop][np.isfinite(brake[: span.stop])]
    rest = min(float(before.min()), RESTS_AT_MOST) if len(before) else 0.0
    decel, by = _deceleration(run_up.t, own["accel"], own["speed"], span)
    other = _deceleration(run_up.t, np.full(len(run_up.t), np.nan), own["speed"], span)[0]
    pedals = {name: run_up.frames.own[name][span] for name in ("brake", "accelerator")}
    both = int(((brake[span] > RESTING) & (own["accelerator"][span] > RESTING)).sum())
    return _Seen(
        t=run_up.t[span],
        brake=brake[span] - max(rest, 0.0),
        accelerator=own["accelerator"][span],
        decel=decel,
        decel_by=by,
        decel_by_speed=other,
        absent=tuple(name for name, column in pedals.items() if not np.isfinite(column).any()),
        both_s=both * run_up.period_s,
        rest=max(rest, 0.0),
    )


def _deceleration(t: FloatArray, accel: FloatArray, speed: FloatArray, span: slice) -> tuple[float | None, str]:
    """The greatest deceleration in a span, meaned; by the speed where acceleration is not measured."""
    decels = []
    for index in range(span.start, span.stop):
        first = int(t.searchsorted(t[index] - OVER_S, side="left"))
        if np.isfinite(accel[first : index + 1]).all() and index > first:
            decels.append(-float(accel[first : index + 1].mean()))
    if decels:
        return max(decels), "acceleration"
    half = [
        -float((speed[index] - speed[first]) / (t[index] - t[first]))
        for index in range(span.start, span.stop)
        if (first := int(t.searchsorted(t[index] - 0.5, side="left"))) < index
        and np.isfinite(speed[index] - speed[first])
    ]
    return (max(half), "speed") if half else (None, "")


def _braking(case: Case, rule: BeforeRule, seen: _Seen) -> list[Finding]:
    if rule.brake_at_most is None or rule.brake_at_most >= 1.0:
        return []
    pressed = np.flatnonzero(seen.brake > rule.brake_at_most)
    slows = seen.decel is not None and seen.decel >= SLOWS_MPS2
    within = f"within {rule.look_back_s:.1f} s before the fire"
    if len(pressed):
        t = float(seen.t[pressed[0]])
        rest = f" above its resting value of {seen.rest:.2f}" if seen.rest > 0.0 else ""
        sentence = (
            f"The brake pedal was at {float(np.nanmax(seen.brake)):.2f}{rest} {within} (from "
            f"{case.fired_at - t:.2f} s before it), at most {rule.brake_at_most:.2f} is permitted"
        )
        if slows and not (seen.decel_by_speed is not None and seen.decel_by_speed < SLOWS_MPS2):
            return [case.finding("braking-before-hazard", f"{sentence}.", t)]
        less = "whether the car slowed down is not measured" if seen.decel is None else "the car did not slow down"
        if slows:
            less = f"the car slowed down by its {seen.decel_by}, and not by its speed"
        return [case.finding("braking-unsure", f"{sentence}; {less}.", t)]
    if seen.decel is None:
        return []
    measured = bool(np.isfinite(seen.brake).any())
    if seen.decel >= (BRAKES_MPS2 if measured else SLOWS_MPS2):
        pedal = "the brake pedal was not pressed" if measured else "the brake pedal is not measured"
        sentence = f"The car slowed down by up to {seen.decel:.1f} m/s² by its {seen.decel_by} {within}; {pedal}."
        return [case.finding("braking-unsure", sentence, float(seen.t[0]))]
    return []


def _not_measured(case: Case, rule: BeforeRule, seen: _Seen) -> list[Finding]:
    """Pedals that a rule looks at and that are not there. A car that does not slow down is not braked, all the same."""
    asked = {
        "brake": rule.brake_at_most is not None and rule.brake_at_most < 1.0,
        "accelerator": rule.accelerator_at_least is not None,
    }
    wanted = [name for name in seen.absent if asked[name]]
    if not wanted:
        return []
    sentence = f"Not measured before the fire: {' and '.join(wanted)}"
    if seen.decel is not None and seen.decel < SLOWS_MPS2:
        sentence += f"; by its {seen.decel_by} the car slowed down by {max(seen.decel, 0.0):.1f} m/s² at most."
        return [replace(case.finding("pedals-not-measured", sentence, float(seen.t[0])), severity="note")]
    if seen.decel is None:
        sentence += ", and neither is whether the car slowed down."
        return [case.finding("pedals-not-measured", sentence, float(seen.t[0]))]
    return []

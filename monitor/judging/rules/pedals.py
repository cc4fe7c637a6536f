"""Pedal and wheel sensors in the run-up: stuck, at their end, or not zero at rest.

A foot never holds a pedal to its last digit for long, and a fully pressed pedal has an effect; a sensor that says
otherwise is doubted before the driver is.
"""

from __future__ import annotations

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.stretch import Stretch
from monitor.judging.rules.frame_timing import longest_run
from monitor.judging.rules.plausibility import Doubt
from monitor.measures.columns import FloatArray

STUCK_S, STUCK_MPS2 = 8.0, 0.15
"""A pressed accelerator that keeps its last digit for so long while the acceleration, averaged over half seconds,
changes by more than that (common practice, no source)."""

REST_S, REST_ABOVE, SLOWED_MPS = 5.0, 0.005, 0.5
"""A brake pedal that keeps exactly one value above this for so long while the car slows down by less than that."""

FULL, FULL_S, FULL_MPS2 = 0.999, 3.0, 0.3
"""A pedal at its end for so long while the speed changes by less than that per second."""

PRESSED = 0.02

WHEEL_RAD, STRAIGHT_RAD = 0.087, 0.002
"""A wheel angle of 5° (median) over the half seconds in which the heading turns by less than this is an offset."""


def judge_pedals(case: Case, run_up: Stretch) -> list[Doubt]:
    """Doubts about pedal and wheel channels; a channel that is not measured gives none."""
    span = run_up.window(case.run_up_t, case.fired_at)
    own = {name: run_up.frames.own[name][span] for name in ("accelerator", "brake", "speed", "accel")}
    t = run_up.t[span]
    if len(t) < 10:
        return []
    doubts = []
    for name in ("accelerator", "brake"):
        doubt = _full(case, name, t, own) or (_stuck(case, t, own) if name == "accelerator" else _rest(case, t, own))
        if doubt is not None:
            doubts.append(doubt)
    return [*doubts, *_wheel(case, run_up, span)]


def _full(case: Case, name: str, t: FloatArray, own: dict[str, FloatArray]) -> Doubt | None:
    run = longest_run(own[name] >= FULL)
    if run is None:
        return None
    begin, stop = run[0], run[0] + run[1]
    lasted_s = float(t[stop - 1] - t[begin])
    changed = float(own["speed"][stop - 1] - own["speed"][begin])
    effect = changed if name == "accelerator" else -changed
    if lasted_s < FULL_S or not effect / lasted_s < FULL_MPS2:
        return None
    sentence = (
        f"The {name} pedal read {own[name][begin]:.2f} for {lasted_s:.1f} s from {t[begin]:.2f} s while the "
        "speed changed "
        f"by {changed:+.2f} m/s only: a saturated sensor?"
    )
    return Doubt(case.finding("pedal-saturated", sentence, float(t[begin])), frozenset((f"own.{name}",)))


def _stuck(case: Case, t: FloatArray, own: dict[str, FloatArray]) -> Doubt | None:
    pedal = own["accelerator"]
    run = longest_run((np.diff(pedal) == 0.0) & (pedal[1:] > PRESSED))
    if run is None:
        return None
    begin, stop = run[0], run[0] + run[1] + 1
    lasted_s = float(t[stop - 1] - t[begin])
    if lasted_s < STUCK_S:
        return None
    size = max(round(0.5 * (stop - begin) / lasted_s), 1)
    means = [float(own["accel"][first : first + size].mean()) for first in range(begin, stop - size + 1, size)]
    changed = max(means) - min(means)
    if not changed > STUCK_MPS2:
        return None
    sentence = (
        f"The accelerator pedal kept exactly {pedal[begin]:.3f} for {lasted_s:.1f} s from {t[begin]:.2f} s "
        "while the car's "
        f"acceleration changed by {changed:.2f} m/s²: a stuck sensor?"
    )
    return Doubt(case.finding("channel-frozen", sentence, float(t[begin])), frozenset(("own.accelerator",)))


def _rest(case: Case, t: FloatArray, own: dict[str, FloatArray]) -> Doubt | None:
    pedal = own["brake"]
    run = longest_run((np.diff(pedal) == 0.0) & (pedal[1:] > REST_ABOVE))
    if run is None:
        return None
    begin, stop = run[0], run[0] + run[1] + 1
    lasted_s = float(t[stop - 1] - t[begin])
    slowed = float(own["speed"][begin] - own["speed"][stop - 1])
    if lasted_s < REST_S or not slowed < SLOWED_MPS:
        return None
    sentence = (
        f"The brake pedal read exactly {pedal[begin]:.3f} for {lasted_s:.1f} s from {t[begin]:.2f} s while the "
        "car did not "
        "slow down: a sensor that is not zero at rest?"
    )
    return Doubt(case.finding("pedal-offset", sentence, float(t[begin])), frozenset(("own.brake",)))


def _wheel(case: Case, run_up: Stretch, span: slice) -> list[Doubt]:
    size = max(round(0.5 / run_up.period_s), 1)
    begins = np.arange(span.start, span.stop - size, size, dtype=np.int64)
    heading, wheel = run_up.frames.own["heading"], run_up.frames.own["steering_angle"]
    straight = begins[np.abs(heading[begins + size] - heading[begins]) < STRAIGHT_RAD]
    if len(straight) < 8:
        return []
    angle = float(np.median(wheel[straight]))
    if not abs(angle) > WHEEL_RAD:
        return []
    sentence = (
        f"The steering wheel read {angle:+.3f} rad on a straight way: an offset, or a car that pulls to one side?"
    )
    return [Doubt(case.finding("wheel-offset", sentence, case.fired_at), frozenset())]

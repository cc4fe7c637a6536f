"""Pedal and wheel sensors against how the car moves: stuck, at their end, not zero at rest, or against the
deceleration.

A foot never holds a pedal to its last digit for long, and a fully pressed pedal has an effect; a sensor that says
otherwise is doubted before the driver is. Figures: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.judging.evidence.bodies import Body
from monitor.measures.runs import longest_run

STUCK_S, STUCK_MPS2 = 8.0, 0.12
"""A pressed accelerator that keeps its last digit for so long while the acceleration, averaged over half seconds,
changes by more than that."""

REST_S, REST_ABOVE, SLOWED_MPS = 5.0, 0.005, 0.5
"""A brake pedal that keeps exactly one value above this for so long while the car slows down by less than that."""

FULL, FULL_S, FULL_MPS2 = 0.999, 3.0, 0.3
"""A pedal at its end for so long while the speed changes by less than that per second."""

PRESSED = 0.02

IDLE_PRESSED, IDLE_S, IDLE_MPS2 = 0.15, 1.0, 0.5
"""A brake pedal pressed by more than this for so long while the car slows down by less than that."""

WHEEL_RAD, STRAIGHT_RAD = 0.087, 0.002
"""A wheel angle of 5° (median) over the half seconds in which the heading turns by less than this is an offset."""


@dataclass(frozen=True, slots=True)
class SensorDoubt:
    """A pedal or wheel channel that is not believed: the finding's code, its sentence and time."""

    code: str
    channel: str
    sentence: str
    at: float


def sensor_doubts(body: Body) -> list[SensorDoubt]:
    """Doubts about the pedals and the wheel of own car; a channel that is not measured gives none."""
    known: list[SensorDoubt] | None = body.memo.get("pedals")
    if known is None:
        known = body.memo["pedals"] = _doubts(body) if len(body) >= 10 else []
    return known


def _doubts(body: Body) -> list[SensorDoubt]:
    found = []
    for name in ("accelerator", "brake"):
        doubt = _full(body, name) or (_stuck(body) if name == "accelerator" else _rest(body) or _idle(body))
        if doubt is not None:
            found.append(doubt)
    wheel = _wheel(body)
    return [*found, wheel] if wheel is not None else found


def _full(body: Body, name: str) -> SensorDoubt | None:
    t, pedal, speed = body.t, body.channel(name), body.channel("speed")
    run = longest_run(pedal >= FULL)
    if run is None:
        return None
    begin, stop = run[0], run[0] + run[1]
    lasted_s = float(t[stop - 1] - t[begin])
    changed = float(speed[stop - 1] - speed[begin])
    effect = changed if name == "accelerator" else -changed
    if lasted_s < FULL_S or not effect / lasted_s < FULL_MPS2:
        return None
    sentence = (
        f"The {name} pedal read {pedal[begin]:.2f} for {lasted_s:.1f} s from {t[begin]:.2f} s while the speed changed "
        f"by {changed:+.2f} m/s only: a saturated sensor?"
    )
    return SensorDoubt("pedal-saturated", name, sentence, float(t[begin]))


def _stuck(body: Body) -> SensorDoubt | None:
    t, pedal, accel = body.t, body.channel("accelerator"), body.channel("accel")
    run = longest_run((np.diff(pedal) == 0.0) & (pedal[1:] > PRESSED))
    if run is None:
        return None
    begin, stop = run[0], run[0] + run[1] + 1
    lasted_s = float(t[stop - 1] - t[begin])
    if lasted_s < STUCK_S:
        return None
    size = max(round(0.5 * (stop - begin) / lasted_s), 1)
    means = [float(accel[first : first + size].mean()) for first in range(begin, stop - size + 1, size)]
    changed = max(means) - min(means)
    if not changed > STUCK_MPS2:
        return None
    sentence = (
        f"The accelerator pedal kept exactly {pedal[begin]:.3f} for {lasted_s:.1f} s from {t[begin]:.2f} s while the "
        f"car's acceleration changed by {changed:.2f} m/s²: a stuck sensor?"
    )
    return SensorDoubt("channel-frozen", "accelerator", sentence, float(t[begin]))


def _rest(body: Body) -> SensorDoubt | None:
    t, pedal, speed = body.t, body.channel("brake"), body.channel("speed")
    run = longest_run((np.diff(pedal) == 0.0) & (pedal[1:] > REST_ABOVE))
    if run is None:
        return None
    begin, stop = run[0], run[0] + run[1] + 1
    lasted_s = float(t[stop - 1] - t[begin])
    slowed = float(speed[begin] - speed[stop - 1])
    if lasted_s < REST_S or not slowed < SLOWED_MPS:
        return None
    sentence = (
        f"The brake pedal read exactly {pedal[begin]:.3f} for {lasted_s:.1f} s from {t[begin]:.2f} s while the car "
        "did not slow down: a sensor that is not zero at rest?"
    )
    return SensorDoubt("pedal-offset", "brake", sentence, float(t[begin]))


def _idle(body: Body) -> SensorDoubt | None:
    """A brake pedal that is pressed, and the car does not mind: another pedal, a scale, or a sensor that drifts."""
    t, pedal, speed = body.t, body.channel("brake"), body.channel("speed")
    run = longest_run((pedal > IDLE_PRESSED) & (speed > 2.0))
    if run is None:
        return None
    begin, stop = run[0], run[0] + run[1]
    lasted_s = float(t[stop - 1] - t[begin])
    slowed = float(speed[begin] - speed[stop - 1])
    if lasted_s < IDLE_S or not slowed / lasted_s < IDLE_MPS2:
        return None
    sentence = (
        f"The brake pedal read {float(pedal[begin:stop].max()):.2f} for {lasted_s:.1f} s from {t[begin]:.2f} s while "
        f"the speed fell by {slowed:.2f} m/s only: is it the brake pedal?"
    )
    return SensorDoubt("pedal-offset", "brake", sentence, float(t[begin]))


def _wheel(body: Body) -> SensorDoubt | None:
    size = max(round(0.5 / body.sampling.period_s), 1)
    begins = np.arange(0, len(body) - size, size, dtype=np.int64)
    heading, wheel = body.channel("heading"), body.channel("steering_angle")
    straight = begins[np.abs(heading[begins + size] - heading[begins]) < STRAIGHT_RAD]
    if len(straight) < 8:
        return None
    angle = float(np.median(wheel[straight]))
    if not abs(angle) > WHEEL_RAD:
        return None
    sentence = (
        f"The steering wheel read {angle:+.3f} rad on a straight way: an offset, or a car that pulls to one side?"
    )
    return SensorDoubt("wheel-offset", "steering_angle", sentence, float(body.t[-1]))

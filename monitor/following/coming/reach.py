"""How soon a driver can bring a measure into its band: the warning horizon of a condition.

The limits are those of determined, ordinary driving (common practice, no source): whatever needs more than these will
not be there in time, and what needs less may be. A scripted vehicle can do anything at any moment, so its channels have
no such horizon.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.study.band import Band
from monitor.study.model import Measure, Trigger

GAINS_MPS2 = 2.0
BRAKES_MPS2 = 4.0
SIDEWAYS_MPS = 1.0
PEDAL_S = 0.2
"""A foot is off a pedal, or on it, so soon."""
FURTHEST_S = 60.0
STEP_S = 0.05


@dataclass(frozen=True, slots=True)
class Moving:
    """Own car and the vehicle of the condition now: speeds in m/s, the gap in m; NaN where not known."""

    speed: float
    other_speed: float
    gap: float


def least_seconds(measure: Measure, band: Band, value: float, moving: Moving, trigger: Trigger) -> float | None:
    """The least time in which the value can come into the band; 0 in it, infinite where it cannot; None: not known."""
    if not np.isfinite(value):
        return None
    beyond = band.beyond(value)
    if beyond == 0:
        return 0.0
    if measure.rate_over_s is not None or measure.from_role is not None or band.outside is not None:
        return None
    edge = band.next_edge(value, rising=beyond < 0)
    if measure.kind == "lateral" and measure.name == "lane_offset":
        return abs(value - edge) / SIDEWAYS_MPS
    if measure.kind == "own" and measure.name == "speed":
        return abs(value - edge) / (BRAKES_MPS2 if beyond > 0 else GAINS_MPS2)
    if measure.kind == "own" and measure.name in ("brake", "accelerator"):
        return PEDAL_S
    if measure.kind == "pair" and measure.name == "closing_speed":
        return abs(value - edge) / (BRAKES_MPS2 if beyond > 0 else GAINS_MPS2)
    if measure.kind == "pair" and measure.name in ("time_gap", "distance_gap"):
        return _closing_seconds(measure.name, edge, moving, trigger, closing=beyond > 0)
    return None


def _closing_seconds(name: str, edge: float, moving: Moving, trigger: Trigger, *, closing: bool) -> float | None:
    """Until the gap has come to the edge, own car gaining or losing speed as far as the trigger's own speed allows."""
    if not np.isfinite([moving.speed, moving.other_speed, moving.gap]).all():
        return None
    slowest, fastest = _speeds_allowed(trigger, moving.speed)
    t = np.arange(0.0, FURTHEST_S, STEP_S)
    if closing:
        speed = np.minimum(moving.speed + GAINS_MPS2 * t, fastest)
    else:
        speed = np.maximum(moving.speed - BRAKES_MPS2 * t, slowest)
    gap = moving.gap - np.concatenate([[0.0], np.cumsum((speed - moving.other_speed)[:-1] * STEP_S)])
    value = gap / np.maximum(speed, 0.1) if name == "time_gap" else gap
    there = np.flatnonzero(value <= edge if closing else value >= edge)
    return float(t[there[0]]) if len(there) else float("inf")


def _speeds_allowed(trigger: Trigger, now: float) -> tuple[float, float]:
    """The speeds at which the trial would still count, by its own required condition on speed where it has one."""
    speeds = [one for one in trigger.conditions if one.required and one.measure.text == "speed" and not one.or_else]
    bands = [part for one in speeds if one.band.outside is None for part in one.band.parts]
    slowest = max((low for low, _ in bands if np.isfinite(low)), default=0.0)
    fastest = min((high for _, high in bands if np.isfinite(high)), default=now + 10.0)
    return min(slowest, now), max(fastest, now)

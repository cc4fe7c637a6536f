"""How a measure goes on: the straight line through its last seconds, and when a trigger's rule will hold.

A line is believed only as far as it stands out of the noise about it, and only as far ahead as its kind of measure goes
on as it was: a gap for ten seconds, a place in the lane for one and a half (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from monitor.judging.case.stretch import Stretch
from monitor.judging.case.values import IN, Cast, stand_in_band, values_on
from monitor.judging.firing import FireWatch
from monitor.judging.session import DriveTrials
from monitor.measures.columns import FloatArray
from monitor.study.band import Band
from monitor.study.model import FireTerm, Measure, Study, Trigger

TREND_S = 3.0
"""The line is laid through this much of the past."""

STANDS_OUT = 3.0
"""A line that rises by more than this many times the noise about it is believed."""

REACH_S = {
    "pair": 10.0,
    "point": 10.0,
    "event": 10.0,
    "rolling": 10.0,
    "role": 4.0,
    "own": 4.0,
    "lateral": 1.5,
    "signal": 0.0,
}
NEVER_NEGATIVE = frozenset(("speed", "time_gap", "distance_gap", "ttc", "ttc_accel"))
RESTLESS_S = 0.5
RESTLESS = frozenset(("accel", "yaw_rate", "steering_angle", "accelerator", "brake", "heading"))
"""Channels that a driver changes at any moment."""


WANDERING = frozenset(("own", "lateral", "role"))
"""Kinds of measure of which no line says when a rule far ahead will hold."""

FURTHER = 1.5
"""A trend says something of the fire while that is at most this many times its reach away."""


@dataclass(frozen=True, slots=True)
class Trend:
    """A measure now and where it goes. `slope` is per second, 0.0 where no line is believed."""

    value: float
    slope: float
    reach_s: float
    never_negative: bool = False
    is_known: bool = True
    """False while there is too little of the past to lay a line through."""

    def after(self, seconds: float) -> float:
        """The value foreseen so many seconds ahead."""
        then = self.value + self.slope * min(max(seconds, 0.0), self.reach_s)
        return max(then, 0.0) if self.value >= 0.0 and self.never_negative else then


def trend_of(measure: Measure, t: FloatArray, value: FloatArray) -> Trend | None:
    """The trend of a measure at the last frame; None where it has no value there."""
    if len(t) == 0 or not np.isfinite(value[-1]):
        return None
    if measure.kind == "event":
        return Trend(float(value[-1]), 1.0, np.inf)  # it grows with time, and begins anew with each event
    restless = measure.name in RESTLESS or measure.rate_over_s is not None
    reach_s = RESTLESS_S if restless else REACH_S[measure.kind]
    first = int(t.searchsorted(t[-1] - TREND_S))
    x, y = t[first:] - t[-1], value[first:]
    known = np.isfinite(y)
    if not known.all():
        x, y = x[known], y[known]
    if len(x) < 5 or x[-1] - x[0] < 0.5 * TREND_S:
        return Trend(float(y[-1]), 0.0, reach_s, is_known=False)
    never_negative = measure.name in NEVER_NEGATIVE
    dx, dy = x - x.sum() / len(x), y - y.sum() / len(y)
    slope = float(dx @ dy) / float(dx @ dx)
    rest = dy - slope * dx
    noise = math.sqrt(float(rest @ rest) / len(rest))
    believed = abs(slope) * float(x[-1] - x[0]) > STANDS_OUT * noise and abs(slope) > 1e-6
    return Trend(float(y[-1]), slope if believed else 0.0, reach_s, never_negative)


def seconds_to_fire(watch: FireWatch, drive: DriveTrials, stretch: Stretch, study: Study) -> float | None:
    """Seconds until the trigger's rule will hold, where its terms tell: a place by the speed now, others by trend.

    None where the rule states nothing, where a term goes the other way, or where it cannot be foreseen.
    """
    trigger = watch.trigger
    if not trigger.fires_when:
        return None
    terms = [term.alternatives for term in trigger.fires_when]
    if not watch.armed:
        arming = (term.alternatives for term in trigger.armed_when)
        terms += [tuple(replace(one, edge="none") for one in either) for either in arming]
    waits = [_soonest([_seconds_to(one, stretch, study, trigger) for one in either]) for either in terms]
    known = [wait for wait in waits if wait is not None]
    if len(known) < len(waits):
        return None
    rests_s = watch.expected[-1].t + trigger.refractory_s - float(stretch.t[-1]) if watch.expected else 0.0
    return max(known) if max(known) >= rests_s else None  # within the refractory time the rule does not hold


def _soonest(waits: list[float | None]) -> float | None:
    """Where one of several terms is enough: when the first of those that can be foreseen holds."""
    return min((wait for wait in waits if wait is not None), default=None)


def _seconds_to(term: FireTerm, stretch: Stretch, study: Study, trigger: Trigger) -> float | None:
    """Seconds until one term holds; the edges mean what they mean in `firing`."""
    measure = term.measure
    rows_of = Cast(study.roles, trigger.role, int(stretch.lead_id[-1])).rows_in(stretch)
    measured = values_on(stretch, measure, rows_of, slice(len(stretch.t) - 1, len(stretch.t)))
    standing = stand_in_band(stretch.t, measured, term.band, measure, "not met")
    holds = int(standing.inside[-1]) == IN
    if term.edge == "none" and holds:
        return term.delay_s
    if holds == (term.edge in ("none", "rising")):
        return None  # it must first be left, or entered
    trend = trend_of(measure, stretch.t, measured.value)
    if trend is None:
        return None
    slope = trend.slope
    if measure.kind == "own" and measure.name == "station":
        slope = float(stretch.frames.own["speed"][-1])
    wait = _crossing(trend.value, slope, term.band)
    if wait is None or (measure.kind in WANDERING and measure.name != "station" and wait > FURTHER * trend.reach_s):
        return None
    return wait + term.delay_s


def _crossing(value: float, slope: float, band: Band) -> float | None:
    """Seconds until a value that goes on so enters a band, or leaves it; None where it never does."""
    edge = band.next_edge(value, rising=slope > 0.0)
    if abs(slope) < 1e-3 or not np.isfinite(edge):
        return None
    return float((edge - value) / slope)

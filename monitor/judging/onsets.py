"""The signs of a response that a study names, and how well the car was kept after it.

A sign is anything measured: hands on the wheel, automation switched off, a button, a glance back, the wheel turned
beyond a threshold. The first of them to come is the response; one that was there at the origin already cannot come any
more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.stretch import Stretch
from monitor.judging.case.values import IN, MISSING, MOST_UNSEEN_S, stand_in_band, values_on
from monitor.measures.columns import BoolArray, FloatArray
from monitor.measures.measured import Measured, measured
from monitor.study.rules import ResponseRule, ResponseSign, StableRule
from monitor.study.terms import Measure

SignState = Literal["came", "did not come", "already there", "not measured"]


@dataclass(frozen=True, slots=True)
class Onset:
    """What became of a sign. `at_s`: seconds from the origin, where it came."""

    state: SignState
    at_s: float | None = None
    by_s: float | None = None
    """Where it came while nobody saw it: when it was there, for it was not measured right before."""


@dataclass(frozen=True, slots=True)
class Watched:
    """The frames that a response is looked for in: from its origin to the end (horizon, contact or end of the drive),
    in seconds of the drive."""

    case: Case
    stretch: Stretch
    t0: float
    end_t: float

    def values(self, measure: Measure) -> Measured:
        """The values of a measure on all frames of the stretch."""
        return values_on(self.stretch, measure, self.case.cast.rows_in(self.stretch))


def onset_of(watched: Watched, sign: ResponseSign, rule: ResponseRule) -> Onset:
    """A sign between the origin and the end of the response."""
    stretch, t0 = watched.stretch, watched.t0
    values = watched.values(sign.measure)
    if sign.from_baseline:
        values = _from_baseline(stretch, values, t0, rule)
    inside = stand_in_band(stretch.t, values, sign.band, sign.measure).inside
    span = stretch.window(t0, watched.end_t)
    if span.stop <= span.start or bool((inside[span] == MISSING).all()):
        return Onset("not measured")
    if inside[span.start] == IN:
        return Onset("already there")
    at = _first_held(stretch, inside == IN, span, sign.held_s)
    if at is None:
        return Onset("did not come")
    at_s = float(stretch.t[at] - t0)
    before = np.flatnonzero((inside[:at] != IN) & (inside[:at] != MISSING))
    unseen_s = np.inf if len(before) == 0 else float(stretch.t[at] - stretch.t[before[-1]]) - stretch.period_s
    return Onset("came", at_s) if unseen_s <= MOST_UNSEEN_S + 1e-9 else Onset("not measured", by_s=at_s)


def time_to_stable(watched: Watched, stable: StableRule, from_t: float) -> float | None:
    """Seconds from the origin until the car is stable and stays so; not before `from_t`, the last onset."""
    stretch = watched.stretch
    inside = stand_in_band(stretch.t, watched.values(stable.measure), stable.band, stable.measure).inside == IN
    at = _first_held(stretch, inside, stretch.window(from_t, watched.end_t), stable.held_s)
    return None if at is None else float(stretch.t[at] - watched.t0)


def greatest_lateral_deviation(stretch: Stretch, t0: float, end_t: float, rule: ResponseRule) -> float | None:
    """How far the lane offset went from its mean before the origin, in m; None where it is not measured."""
    values = _from_baseline(stretch, stretch.lateral["lane_offset"], t0, rule).value[stretch.window(t0, end_t)]
    return None if len(values) == 0 or np.isnan(values).all() else float(np.nanmax(np.abs(values)))


def _from_baseline(stretch: Stretch, values: Measured, t0: float, rule: ResponseRule) -> Measured:
    before: FloatArray = values.value[stretch.window(t0 - rule.baseline_s, t0)]
    known = before[np.isfinite(before)]
    return measured(values.value - (float(np.mean(known)) if len(known) else np.nan))


def _first_held(stretch: Stretch, inside: BoolArray, span: slice, held_s: float) -> int | None:
    """The first frame of a span from which on every frame is inside for `held_s`, seen to its end."""
    for at in range(span.start, span.stop):
        if not inside[at]:
            continue
        held = stretch.window(float(stretch.t[at]), float(stretch.t[at]) + held_s)
        seen = stretch.covered_to >= stretch.t[at] + held_s - 0.1 * stretch.period_s
        if seen and bool(inside[held].all()):
            return at
    return None

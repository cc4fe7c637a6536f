"""Whether a trigger's timing stands by every telling of what its rule looks at, such as the own car's station."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.trial import Finding, Timing, TimingResult
from monitor.judging.evidence.inputs import Account, Bodies, gap_directly, inputs_of, is_scaled
from monitor.judging.evidence.smoothing import Estimate
from monitor.judging.timing import JITTER_S
from monitor.measures.columns import BoolArray, FloatArray
from monitor.study.terms import FireTerm

ABOUT_S = 1.0
"""Tellings are held against each other from this long before the fire on."""


def timing_contradicted(case: Case, timing: Timing, bodies: Bodies) -> Finding | None:
    """The finding that the timing is another one by another telling; None where it stands."""
    if timing.result not in ("on time", "late", "early"):
        return None
    terms = (*case.trigger.armed_when, *case.trigger.fires_when)
    # a rule of several terms, or of alternatives, may begin by another one
    for term in terms if len(terms) == 1 and not terms[0].or_else else ():
        inputs = inputs_of(term.measure, bodies, case.fired_at - ABOUT_S, case.fired_at)
        if inputs is None:
            continue
        if any(bool(one.off.any()) for one in inputs.published.values()):
            begins = _by(inputs.of(inputs.published), bodies, term)
            if {_result(case, t, NOISE_S) for t in begins} - {timing.result}:
                return case.finding("timing-unsure", _noisy(case, term, timing, begins), case.fired_at)
        for name, accounts in inputs.others.items():
            for one in (*accounts, *_by_gap(case, term, bodies)):
                if not one.disagrees:
                    continue
                if timing.expected_at is None or is_scaled(one, bodies):
                    # where it would have begun to hold cannot be rebuilt: what it begins from is as doubtful
                    return case.finding("channels-disagree", _unsure(case, term, timing, one.by), case.fired_at)
                begins = _by(inputs.of({**inputs.published, name: one.estimate}), bodies, term)
                results = {_result(case, t) for t in begins}
                if results != {timing.result}:
                    return case.finding(
                        "channels-disagree", _sentence(case, term, timing, one.by, begins), case.fired_at
                    )
    return None


NOISE_S = 0.1
"""What noise may shift the begin of a rule by: as much as a fire may be late."""


def _unsure(case: Case, term: FireTerm, timing: Timing, by: str) -> str:
    return (
        f"{case.trigger.name} fired at {case.fired_at:.2f} s, {timing.result} by the published {term.measure.text}; "
        f"that and {by} disagree, so that when its rule held cannot be told."
    )


ALONE = "Nothing else in the feed tells from where its station counts."


def is_alone(case: Case, bodies: Bodies) -> bool:
    """Whether the rule looks at own station and nothing tells of a constant difference in it: that takes a vehicle with
    a station, and another way to place it."""
    terms = (*case.trigger.armed_when, *case.trigger.fires_when)
    if not any((term.measure.kind, term.measure.name) == ("own", "station") for term in terms):
        return False
    return not gap_directly(bodies, case.fired_at - ABOUT_S, case.fired_at)


def _by(ends: tuple[FloatArray, FloatArray], bodies: Bodies, term: FireTerm) -> list[float]:
    """When a term began to hold at the earliest and at the latest, where its value lies between two ends."""
    low, high = ends
    surely, perhaps = term.band.contains_all(low, high), ~term.band.contains_none(low, high)
    return [_begins(bodies, term, holds) for holds in (perhaps, surely)]


def _noisy(case: Case, term: FireTerm, timing: Timing, begins: list[float]) -> str:
    told = [f"{t:.2f} s" if math.isfinite(t) else "later" if t > 0.0 else "long before" for t in begins]
    return (
        f"{case.trigger.name} fired at {case.fired_at:.2f} s, {timing.result} by the published {term.measure.text}; "
        f"that is so noisy that its rule may have begun to hold at {told[0]} or at {told[1]}."
    )


def _by_gap(case: Case, term: FireTerm, bodies: Bodies) -> list[Account]:
    """Own station by the gap: where the stations of both place the pair otherwise than the boxes do, one is off."""
    if (term.measure.kind, term.measure.name) != ("own", "station"):
        return []
    found = []
    for one in gap_directly(bodies, case.fired_at - ABOUT_S, case.fired_at):
        telling = one.telling
        if telling is None or not telling.disagrees or telling.by != "x, y":
            continue
        station = bodies.stretch.frames.own["station"] + telling.change
        found.append(replace(one, estimate=Estimate(station, np.full(len(station), telling.limit)), by="the gap"))
    return found


def _begins(bodies: Bodies, term: FireTerm, holds: BoolArray) -> float:
    """When a term begins to hold in the run-up, its delay included; infinite where it does not up to the fire."""
    t = bodies.stretch.t
    if term.edge == "falling":
        holds = ~holds
    held = np.flatnonzero(holds)
    if not len(held):
        return math.inf
    last = int(held[-1])
    before = np.flatnonzero(~holds[:last])
    if last < len(t) - 1 and not holds[last + 1 :].any() and float(t[last]) < float(t[-1]):
        return math.inf
    return (float(t[int(before[-1]) + 1]) if len(before) else -math.inf) + term.delay_s


def _result(case: Case, begins_t: float, early_s: float = JITTER_S) -> TimingResult:
    period = case.drive.period_s
    delay_s = case.fired_at - begins_t
    if delay_s < -period - max(0.1 * period, early_s):
        return "early"
    late_s = max(case.trigger.late_after_frames * period, case.trigger.late_after_s)
    return "late" if delay_s > late_s + 0.1 * period else "on time"


def _sentence(case: Case, term: FireTerm, timing: Timing, by: str, begins: list[float]) -> str:
    told = [t for t in begins if math.isfinite(t)]
    when = (
        f"held from {told[-1]:.2f} s" if told else "did not hold up to it" if begins[-1] > 0.0 else "held long before"
    )
    return (
        f"{case.trigger.name} fired at {case.fired_at:.2f} s, {timing.result} by the published {term.measure.text}; by "
        f"{by} its rule {when}."
    )

"""Whether a trigger's timing stands by every telling of what its rule looks at, such as the own car's station."""

from __future__ import annotations

import math

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.trial import Finding, Timing, TimingResult
from monitor.judging.evidence.inputs import Bodies, inputs_of
from monitor.measures.columns import BoolArray
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
        for name, accounts in inputs.others.items():
            for one in accounts:
                if not one.disagrees:
                    continue
                low, high = inputs.of({**inputs.published, name: one.estimate})
                surely, perhaps = term.band.contains_all(low, high), ~term.band.contains_none(low, high)
                begins = [_begins(bodies, term, holds) for holds in (perhaps, surely)]
                results = {_result(case, t) for t in begins}
                if results != {timing.result}:
                    return case.finding(
                        "channels-disagree", _sentence(case, term, timing, one.by, begins), case.fired_at
                    )
    return None


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


def _result(case: Case, begins_t: float) -> TimingResult:
    period = case.drive.period_s
    delay_s = case.fired_at - begins_t
    if delay_s < -1.1 * period:
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

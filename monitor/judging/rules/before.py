"""The driver before the hazard: pedals."""

from __future__ import annotations

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.trial import Finding
from monitor.measures.columns import FloatArray

RESTING = 0.01
"""A pedal above this carries a foot: half of what counts as braking by default (common practice, no source)."""


def judge_before(case: Case, doubted: frozenset[str]) -> list[Finding]:
    """Pedals inside the look-back before the fire. A pedal that is not measured, or not believed, gives no finding."""
    rule, stretch = case.trigger.before, case.stretch
    if rule is None or stretch is None:
        return []
    span = stretch.window(case.fired_at - rule.look_back_s, case.fired_at)
    t = stretch.t[span]
    brake, accelerator = _pedal(case, "brake", span, doubted), _pedal(case, "accelerator", span, doubted)
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
        both = int(((brake > RESTING) & (accelerator > RESTING)).sum()) * stretch.period_s
        if both > rule.two_footed_s:
            sentence = f"Both pedals were pressed for {both:.2f} s before the fire; a second foot rests on a pedal."
            findings.append(case.finding("two-footed", sentence, float(t[0])))
    return findings


def _pedal(case: Case, name: str, span: slice, doubted: frozenset[str]) -> FloatArray:
    assert case.stretch is not None
    column = case.stretch.frames.own.get(name)
    if column is None or f"own.{name}" in doubted:
        return np.full(span.stop - span.start, np.nan)
    return column[span]

"""On-off signals of the driver, such as where the eyes are: one that never changes, or changes as nobody does, is no
evidence.

Glance and blink lengths are assumed: in a sample of drives the longest look away was 7.5 s, and at most seven short
runs came within ten seconds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.stretch import cut_signals
from monitor.judging.case.trial import Finding
from monitor.measures.columns import FloatArray

SHORT_S, WITHIN_S, SHORT_RUNS = 0.12, 10.0, 8
"""So many runs shorter than this within that time: a signal that drops out, and no eyelid."""
LONGEST_OFF_S = 8.0

EYES = "eyes"
"""A signal whose name begins so is about where the participant looks: 1 on the road, 0 away (as `eyes_on_road`). Hands,
automation and doors may well stay as they are for minutes."""
LOOK_BACK_S = 55.0
"""How far before the fire a signal is looked at: what a drive keeps of its frames reaches a little further."""
NEVER_S = 50.0
"""A signal of which so much was seen and that never changed tells nothing (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class SignalDoubt:
    """A finding about a signal, and the signal."""

    finding: Finding
    signal: str


def _is_of_eyes(case: Case, name: str) -> bool:
    return name.startswith(EYES) and case.study.signals[name].source == "driver"


def judge_signals(case: Case) -> list[SignalDoubt]:
    """Doubts about the signals of where the driver looks that the trigger's conditions ask for."""
    names = [
        one.measure.name
        for one in case.trigger.conditions
        if one.measure.kind == "signal" and not one.or_else and _is_of_eyes(case, one.measure.name)
    ]
    if not names:
        return []
    t, columns = cut_signals(case.drive, names, case.fired_at - LOOK_BACK_S, case.fired_at, case.number)
    found = []
    for name, column in zip(names, columns, strict=True):
        known = np.isfinite(column)
        if not known.any() or not np.isin(column[known], (0.0, 1.0)).all():
            continue
        why = unsteady(t, column)
        seen_s = float(t[known][-1] - t[known][0])
        if why is None and seen_s >= NEVER_S and not np.diff(column[known]).any():
            why = f"it was {column[known][0]:g} all through the {seen_s:.0f} s before the fire"
        if why is not None:
            sentence = f"{name} is no evidence of where the driver looked: {why}."
            found.append(SignalDoubt(case.finding("signal-implausible", sentence, case.fired_at), name))
    return found


def unsteady(t: FloatArray, value: FloatArray) -> str | None:
    """What about an on-off signal is no person's doing, in words; None where it may be."""
    known = np.isfinite(value)
    t, value = t[known], value[known]
    if len(t) < 2:
        return None
    steps = np.flatnonzero(np.diff(value) != 0.0) + 1
    begins = t[np.concatenate([[0], steps])]
    ends = np.append(t[steps], t[-1])
    lasts, states = ends - begins, value[np.concatenate([[0], steps])]
    short = begins[1:-1][lasts[1:-1] < SHORT_S]
    if len(short) >= SHORT_RUNS:
        within = short[SHORT_RUNS - 1 :] - short[: len(short) - SHORT_RUNS + 1]
        if bool((within <= WITHIN_S).any()):
            first = float(short[int(np.argmin(within))])
            return f"it changed {SHORT_RUNS} times for less than {SHORT_S:.2f} s within 10 s from {first:.1f} s"
    off = lasts * (states == 0.0)
    if float(off.max()) > LONGEST_OFF_S:
        return f"it stayed off for {float(off.max()):.1f} s from {float(begins[int(np.argmax(off))]):.1f} s"
    return None

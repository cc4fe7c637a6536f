"""On-off signals: eyes, belts, doors. One that never changes, or changes as nobody does, is no evidence.

Glance and blink lengths are assumed: in a sample of drives the longest look away was 7.5 s, and at most seven short
runs came within ten seconds.
"""

from __future__ import annotations

import numpy as np

from monitor.measures.columns import FloatArray

SHORT_S, WITHIN_S, SHORT_RUNS = 0.12, 10.0, 8
"""So many runs shorter than this within that time: a signal that drops out, and no eyelid."""
LONGEST_OFF_S = 8.0


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

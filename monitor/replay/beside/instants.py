"""Instants that differ between two runs: braking, what the driver did, markers, and which vehicle was ahead."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from monitor.judging.case.trial import Response
from monitor.measures.columns import FloatArray
from monitor.replay.beside.difference import Difference, capital, signed
from monitor.replay.beside.runs import AFTER_S, BEFORE_S, LaidRun

INSTANT_OFF_S = 0.05
"""Common practice, no source; and never less than a frame of each: a frame shows that something has begun by then."""
BEGINS_MPS2 = 1.0
"""The other vehicle brakes from this deceleration on: above coasting, below any scripted braking."""
BRAKES_S = 0.15
"""What is shorter is no braking."""
NOT_HAPPENING = ("note", "loss", "finding", "expected")

DOINGS = (
    ("accelerator_release_s", "the driver released the accelerator"),
    ("brake_onset_s", "the driver began to brake"),
    ("steering_onset_s", "the driver began to steer"),
)


def instants(first: LaidRun, second: LaidRun, grid: FloatArray) -> Iterator[Difference]:
    """Those that differ. `grid`: times from the zero."""
    for what, here, there in _pairs(first, second, grid):
        at = min(one for one in (here, there) if one is not None)
        if not -BEFORE_S <= at <= AFTER_S:
            continue
        if here is not None and there is not None:
            if abs(there - here) > instant_off_s(first, second) + 1e-9:
                way = "later" if there > here else "earlier"
                sentence = f"{capital(what)} {abs(there - here):.2f} s {way} ({signed(here)} and {signed(there)} s)."
                yield Difference(what, at, there - here, "s", sentence)
        else:
            which = "first" if there is None else "second"
            yield Difference(what, at, np.nan, "s", f"Only in the {which} run: {what}, at {signed(at)} s.")


def instant_off_s(first: LaidRun, second: LaidRun) -> float:
    """From how much on an instant is another one."""
    return max(INSTANT_OFF_S, first.stretch.period_s + second.stretch.period_s)


def _pairs(first: LaidRun, second: LaidRun, grid: FloatArray) -> Iterator[tuple[str, float | None, float | None]]:
    """What, and when in each run; None where it did not happen, though it would be known."""
    here, there = _braking_from(first, grid), _braking_from(second, grid)
    if (here is not None or _tells_braking(first, there)) and (there is not None or _tells_braking(second, here)):
        if here is not None or there is not None:
            yield f"the {first.trigger.role} began to brake", here, there
    for field, words in DOINGS:
        here, there = _done_at(first, field), _done_at(second, field)
        if (here is not None or _tells_done(first, there)) and (there is not None or _tells_done(second, here)):
            if here is not None or there is not None:
                yield words, here, there
    marks = {(one.kind, one.label) for run in (first, second) for one in run.stretch.marks}
    for kind, label in sorted(one for one in marks if one[0] not in NOT_HAPPENING):
        words = label if label.startswith(kind) else f"{kind} {label}".rstrip()
        times = [
            [one.t - run.zero_t for one in run.stretch.marks if (one.kind, one.label) == (kind, label)]
            for run in (first, second)
        ]
        for here, there in matched(*times):
            only = there if here is None else here if there is None else None
            other = second if there is None else first
            # when a trigger fired is the script's doing; the end of an alert or a task is the driver's
            if only is None or (other.covers(only) and (kind == "trigger" or not other.hides(only))):
                yield words if only is not None else f"{words} came", here, there
    for name in sorted({one[1] for run in (first, second) for one in run.ahead}):
        times = [[t - run.zero_t for t, who in run.ahead if who == name] for run in (first, second)]
        for here, there in matched(*times):
            yield f"{name} came ahead", here, there


def matched(first: list[float], second: list[float]) -> list[tuple[float | None, float | None]]:
    """The times of one thing in both runs, each with the nearest of the other's, in their order."""
    pairs: list[tuple[float | None, float | None]] = []
    left, right = sorted(first), sorted(second)
    while left and right:
        here, there = min(((a, b) for a in left for b in right), key=lambda pair: abs(pair[0] - pair[1]))
        pairs.append((here, there))
        left.remove(here)
        right.remove(there)
    return pairs + [(one, None) for one in left] + [(None, one) for one in right]


def _braking_from(run: LaidRun, grid: FloatArray) -> float | None:
    """When the trigger's vehicle began the braking of the hazard, seconds from the zero."""
    decel = -run.at_times(run.accel, grid)
    rule = run.trigger.hazard
    level = rule.decel_at_least_mps2 if rule is not None and rule.decel_at_least_mps2 else 2.0
    brakes = (decel >= level) & (grid >= -1.0)
    steps = max(1, round(BRAKES_S / float(grid[1] - grid[0])))
    lasting = [at for at in np.flatnonzero(brakes).tolist() if brakes[at : at + steps].all()]
    if not lasting:
        return None
    begin = int(lasting[0])
    while begin > 0 and decel[begin - 1] > BEGINS_MPS2:
        begin -= 1
    near = np.flatnonzero((run.t >= grid[begin] - 2 * (grid[1] - grid[0])) & (-run.accel > BEGINS_MPS2))
    return float(run.t[near[0]]) if len(near) else float(grid[begin])


def _tells_braking(run: LaidRun, t: float | None) -> bool:
    """Whether a run would show a braking that began then."""
    return t is None or bool(np.isfinite(run.accel[(run.t >= t) & (run.t <= t + 0.5)]).any())


def _done_at(run: LaidRun, field: str) -> float | None:
    """When the driver did something of the response, seconds from the zero."""
    found = run.trial.response
    onset: float | None = None if found is None or run.trial.response_hidden else getattr(found, field)
    return None if found is None or onset is None else found.t0 + onset - run.zero_t


def _tells_done(run: LaidRun, t: float | None) -> bool:
    """Whether a run would tell of it if the driver had done something about then."""
    found: Response | None = run.trial.response
    if t is None:
        return True
    if found is None or run.trial.response_hidden or found.outcome == "not measured":
        return False
    return found.censored_at_s is None or found.t0 + found.censored_at_s - run.zero_t > t + INSTANT_OFF_S

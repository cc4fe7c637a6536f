"""What differs between two runs that are laid over each other: instants first, then numbers, in order of time; and what
was not compared."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from monitor.replay.beside.difference import Difference, signed
from monitor.replay.beside.instants import INSTANT_OFF_S, instant_off_s, instants
from monitor.replay.beside.numbers import compared_names, numbers
from monitor.replay.beside.runs import AFTER_S, BEFORE_S, LaidRun

STEP_S = 0.05
COME_WITH_S = 0.15
"""A number that departs this soon after an instant that is off is the same difference, and is told after it."""
SHORT_BY_S = 0.5
"""A run that has frames until so much before the end of what is compared has them to its end."""


def differences(first: LaidRun, second: LaidRun) -> tuple[Difference, ...]:
    """All that differs, the first one first; of what begins together the largest."""
    grid = np.arange(-BEFORE_S, AFTER_S, STEP_S)
    begun = [*instants(first, second, grid), *_lost("first", first), *_lost("second", second)]

    def told_at(one: Difference) -> tuple[float, float]:
        """A number that departs with an instant comes after it, and with it what else departs then."""
        came_with = [begin.at_s for begin in begun if begin.at_s - STEP_S <= one.at_s <= begin.at_s + COME_WITH_S]
        return min(came_with) + 1e-6 if came_with and one not in begun else one.at_s, -one.weight

    return tuple(sorted([*begun, *numbers(first, second, grid)], key=told_at))


def _lost(which: str, run: LaidRun) -> Iterator[Difference]:
    for after_t, before_t in run.stretch.lost:
        at_s, long_s = after_t - run.zero_t, before_t - after_t
        if at_s <= AFTER_S and at_s + long_s >= -BEFORE_S:
            words = f"In the {which} run frames are missing for {long_s:.2f} s from {signed(at_s)} s on."
            yield Difference(f"frames of the {which} run", at_s, long_s, "s", words)


def remarks(first: LaidRun, second: LaidRun) -> tuple[str, ...]:
    """What was not compared, or speaks against what was: a sentence each. Without one, nothing that differs is nothing
    that anybody would see; with one, it is less."""
    return tuple(_remarks(first, second))


def _remarks(first: LaidRun, second: LaidRun) -> Iterator[str]:
    runs = (("first", first), ("second", second))
    for which, run in runs:
        if run.damage:
            places = "1 place" if len(run.damage) == 1 else f"{len(run.damage)} places"
            yield f"The {which} run's record is damaged in {places}: {run.damage[0]}"
    if first.study.sha256 != second.study.sha256:
        files = " and ".join(f"{one.study.name} {one.study.sha256[:8]}" for one in (first, second))
        yield f"They are judged by two study files ({files}): a condition of one name may ask for another thing."
    for which, run in runs:
        yield from _cover(which, run)
    if any(one.hidden for one in (first, second)):
        yield "What a blind record hides until it is ruled on is not compared."
    for which, run, other in (("first", first, second), ("second", second, first)):
        if len(run.t) and len(other.t):
            there = compared_names(other)
            only = [one for one in compared_names(run) if one not in there]
            if only:
                yield f"Not compared, because only the {which} run tells it: {', '.join(only)}."
    if instant_off_s(first, second) > INSTANT_OFF_S:
        apart = " and ".join(f"{one.stretch.period_s:.3f}" for one in (first, second) if len(one.t))
        yield (
            f"Frames are {apart} s apart: an instant counts as another one from {instant_off_s(first, second):.2f} s "
            "on."
        )


def _cover(which: str, run: LaidRun) -> Iterator[str]:
    t = run.t[(run.t >= -BEFORE_S) & (run.t <= AFTER_S)]
    until = min([AFTER_S, *(one.end_t - run.zero_t for one in run.hidden)])
    if not len(t):
        yield (
            f"The {which} run has no frame between {signed(-BEFORE_S)} and {signed(AFTER_S)} s: nothing of it is "
            "compared."
        )
    elif t[0] > -BEFORE_S + SHORT_BY_S or t[-1] < until - SHORT_BY_S:
        yield f"The {which} run has frames from {signed(float(t[0]))} to {signed(float(t[-1]))} s only."

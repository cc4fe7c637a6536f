"""A condition weighed: its published result, held against every other telling of what its measure is made of.

| published            | tellings that disagree | result            |
| -------------------- | ---------------------- | ----------------- |
| in                   | none                   | met               |
| in                   | all in                 | met, with a note  |
| in                   | any at the edge, out   | undecided         |
| out                  | none                   | not met           |
| out                  | all out                | not met           |
| out                  | any in, at the edge    | undecided         |
| at the edge, missing | any                    | undecided         |

"In" is inside the band by as much as the telling may be off, "out" outside by as much.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

import numpy as np

from monitor.judging.case.conditions import condition_standing, evaluate, window_of
from monitor.judging.case.trial import ConditionEvidence, ConditionResult, Result
from monitor.judging.case.values import IN, MISSING, OUT, Standing
from monitor.judging.evidence.continuity import breaks, is_displaced
from monitor.judging.evidence.inputs import Account, Bodies, Inputs, inputs_of
from monitor.judging.evidence.smoothing import Estimate, exactly
from monitor.judging.evidence.tellings import Telling
from monitor.measures.columns import FloatArray
from monitor.study.terms import Condition

Place = Literal["in", "edge", "out"]

ABOUT_S, ABOUT_FRAMES = 0.2, 3.0
"""Tellings are held against each other from so long before a condition's window on, or so many frames."""

MOST_TELLINGS = 4
"""Tellings of one input that are combined with those of the others; more than these, a feed has not."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """A condition with its evidence; the tellings that disagree, and whether they change what it comes to."""

    condition: ConditionResult
    against: tuple[Telling, ...] = ()
    changes: bool = False
    whose: tuple[str, ...] = ()
    """For each telling in `against` the role that it is about; empty for own car."""


def weigh(condition: Condition, published: ConditionResult, bodies: Bodies, fired_at: float) -> Weighed:
    """A condition whose window has been seen, with its evidence."""
    start_s, end_s = window_of(condition)
    # a window that ends a few frames before the fire is about it
    about_s = max(ABOUT_S, ABOUT_FRAMES * bodies.stretch.spacing_s)
    from_t, to_t = fired_at + start_s - condition.looks_back_s - about_s, fired_at + end_s
    inputs = None if condition.or_else else inputs_of(condition.measure, bodies, from_t, to_t)
    if inputs is None:
        return Weighed(_with(published, condition, ConditionEvidence((), None, None, None)))
    held = _Held(condition, inputs, bodies, fired_at)
    against = [one for one in held.accounts if one.disagrees]
    result: Result = published.result
    if result != "undecided" and _is_noisy(inputs):
        place = held.place(inputs.published)
        if place == "edge" or place != ("in" if result == "met" else "out"):
            result = "undecided"
    changes = False
    if against and published.result != "undecided":
        wanted = "in" if published.result == "met" else "out"
        changes = any(place != wanted for place in held.places())
        result = "undecided" if changes else result
    if (result == "not met" or _is_another(condition, bodies)) and _is_broken(condition, bodies, from_t):
        # which body it is, or where, is not known: nothing that it fails tells of the one that is meant
        result, changes = "undecided", changes or bool(against)
    evidence = held.evidence(published)
    found = replace(published, result=result, at_edge=published.at_edge and result == "met")
    tellings = tuple(one.telling for one in against if one.telling is not None)
    whose = tuple(one.whose for one in against if one.telling is not None)
    return Weighed(_with(found, condition, evidence), tellings, changes, whose)


class _Held:
    """A condition as it is held against the other tellings of its inputs."""

    def __init__(self, condition: Condition, inputs: Inputs, bodies: Bodies, fired_at: float) -> None:
        self._condition, self._inputs, self._fired_at = condition, inputs, fired_at
        self._stretch = bodies.stretch
        rows = bodies.cast.rows_in(bodies.stretch)
        self._published = condition_standing(condition, bodies.stretch, rows, None, fired_at)
        self.accounts = [one for found in inputs.others.values() for one in found]

    def places(self) -> Iterator[Place]:
        """Where the condition comes to lie by every combination of tellings with one that disagrees."""
        others, published = self._inputs.others, self._inputs.published
        options = [
            [(name, None), *((name, one) for one in others[name] if one.disagrees)][: MOST_TELLINGS + 1]
            for name in published
        ]
        for chosen in product(*options):
            if any(one is not None for _, one in chosen):
                yield self.place({name: published[name] if one is None else one.estimate for name, one in chosen})

    def place(self, given: dict[str, Estimate]) -> Place:
        """The condition evaluated twice: with every value where it lies worst, and where it lies best."""
        low, high = self._inputs.of(given)
        band = self._condition.band
        surely, perhaps = band.contains_all(low, high), ~band.contains_none(low, high)
        results = [
            evaluate(self._condition, _standing(self._published, low, inside), self._stretch, self._fired_at)[0]
            for inside in (surely, perhaps)
        ]
        if results == ["met", "met"]:
            return "in"
        return "out" if results == ["not met", "not met"] else "edge"

    def evidence(self, published: ConditionResult) -> ConditionEvidence:
        """By what the condition was checked, the value rebuilt at the frame that decided it, and what would have
        shown."""
        by = tuple(dict.fromkeys(one.by for one in self.accounts))
        if not by:
            return ConditionEvidence((), None, None, None)
        inputs, at = self._inputs, self._decided()
        against = any(one.disagrees for one in self.accounts)
        given = dict(inputs.published)
        for name, found in inputs.others.items():
            chosen = [one for one in found if one.disagrees] or list(found)
            if chosen:
                given[name] = max(chosen, key=_ratio).estimate if against else chosen[0].estimate
        middle = inputs.of({name: exactly(one.value) for name, one in given.items()})[0][at]
        rebuilt = float(middle) if math.isfinite(middle) else None
        differs = None if rebuilt is None or published.value is None else rebuilt - published.value
        return ConditionEvidence(by, rebuilt, differs, _noticed_from(inputs, published, at))

    def _decided(self) -> int:
        """The frame that decided the condition as published, in the evidence's stretch."""
        decided = evaluate(self._condition, self._published, self._stretch, self._fired_at)[1]
        return decided if decided is not None else max(self._stretch.last_at(self._fired_at), 0)


def _with(published: ConditionResult, condition: Condition, evidence: ConditionEvidence) -> ConditionResult:
    if condition.needs_evidence and not evidence.by and published.result != "undecided":
        published = replace(published, result="undecided", at_edge=False)
    return replace(published, evidence=evidence)


def _is_broken(condition: Condition, bodies: Bodies, from_t: float) -> bool:
    """Whether a body that the measure looks at jumped or became another one: the role's anywhere in the run-up, own
    car's in the time that the condition looks at. Own car's place tells which vehicle is the lead, and its lane."""
    measure = condition.measure
    if measure.kind in ("pair", "role") and bodies.other is not None and breaks(bodies.other):
        return True
    if _is_another(condition, bodies):
        return True
    if any(is_displaced(bodies.own, one) for one in breaks(bodies.own)):
        by_place = measure.kind == "lateral" and not bodies.own.has("lane_offset")
        if by_place or measure.kind in ("pair", "role") or measure.name in ("x", "y"):
            return True
    broken = {one.what for one in breaks(bodies.own) if float(bodies.own.t[one.at]) >= from_t}
    if measure.kind == "lateral":
        return "lane offset" in broken
    return bool(broken) and (measure.kind == "pair" or measure.name in ("x", "y", "station"))


def _is_another(condition: Condition, bodies: Bodies) -> bool:
    """Whether what a measure says of the lead is perhaps said of another vehicle."""
    return condition.measure.kind in ("pair", "role") and bodies.other_lead is not None


def _is_noisy(inputs: Inputs) -> bool:
    return any(bool(one.off.any()) for one in inputs.published.values())


def _standing(published: Standing, value: FloatArray, inside: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Standing:
    """How values stand; one that is not told stands as it was published."""
    told = ~np.isnan(value)
    places = np.where(told, np.where(inside, IN, OUT), published.inside).astype(np.int8)
    places = np.where((published.inside == MISSING) & ~told, MISSING, places).astype(np.int8)
    return replace(published, inside=places)


def _ratio(one: Account) -> float:
    return abs(one.telling.change) / one.telling.limit if one.telling is not None else 0.0


def _noticed_from(inputs: Inputs, published: ConditionResult, at: int) -> float | None:
    """From what error of the measure one of its inputs' errors would have been found; None where an input has nothing
    to be held against."""
    if published.value is None:
        return None
    base = inputs.of({name: exactly(one.value) for name, one in inputs.published.items()})
    total = 0.0
    for name in inputs.published:
        least = _least_noticed([account.telling for account in inputs.others[name] if account.telling is not None])
        if not math.isfinite(least):
            return None
        moved = {
            other: exactly(each.value + (least if other == name else 0.0)) for other, each in inputs.published.items()
        }
        step = abs(float(inputs.of(moved)[0][at] - base[0][at]))
        if not math.isfinite(step):
            return None
        total += step
    return total


def _least_noticed(tellings: list[Telling]) -> float:
    """The least lasting error of an input that one of its tellings would have shown: a step in it, which is all that an
    integral tells of, is none."""
    return min((one.notices for one in tellings if one.tells_lasting), default=math.inf)

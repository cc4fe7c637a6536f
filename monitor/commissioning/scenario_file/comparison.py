"""A scenario file against a study: where the script, `fires_when`, bands and hazards differ, with both values."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import Any, Literal

import numpy as np

from monitor.commissioning.scenario_file.scenario import ScenarioFile, ScriptEvent
from monitor.commissioning.scenario_file.told import MOST_CASES, Told, words_of
from monitor.commissioning.scenario_file.translation import Translation, Untold
from monitor.study.band import Band
from monitor.study.model import Study, Trigger
from monitor.study.terms import AtFire, FireTerm, Within
from monitor.tables.faults import closest, quoted

SAME_VALUE = 1e-6
SAME_DECEL_MPS2 = 0.05

Kind = Literal["differs", "cannot be told", "note"]


@dataclass(frozen=True, slots=True)
class Difference:
    """Something about a trigger. `line` is that of the file; None where the file has nothing of it."""

    kind: Kind
    trigger: str
    sentence: str
    line: int | None = None

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {"kind": self.kind, "trigger": self.trigger, "sentence": self.sentence, "line": self.line}


@dataclass(frozen=True, slots=True)
class Compared:
    """All that was found. `ok`: nothing differs; what cannot be told is no fault."""

    file: ScenarioFile
    found: tuple[Difference, ...]

    @property
    def ok(self) -> bool:
        return not any(one.kind == "differs" for one in self.found)

    def sentences(self) -> list[str]:
        """What differs first, then what cannot be told, then notes."""
        order: tuple[Kind, ...] = ("differs", "cannot be told", "note")
        ranked = sorted(self.found, key=lambda one: order.index(one.kind))
        marks = {"differs": "✗", "cannot be told": "?", "note": "·"}
        return [f"{marks[one.kind]} {one.trigger}: {one.sentence}" for one in ranked]

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "file": self.file.path,
            "version": self.file.version,
            "ok": self.ok,
            "found": [one.as_json() for one in self.found],
        }


def compare_with_study(file: ScenarioFile, study: Study, own: str | None = None) -> Compared:
    """The file's events against the study's triggers of the same names."""
    translation = Translation(file, study, own)
    names = [event.name for event in file.events]
    found = [Difference("note", "file", remark) for remark in file.remarks]
    for trigger in study.triggers:
        event = file.event(trigger.name)
        if isinstance(event, str):
            meant = None if trigger.name in names else closest(trigger.name, names)
            hint = f"; is it {quoted(meant)}?" if meant else ""
            sentence = f"{event}, so that nothing can be held against it{hint}"
            found.append(Difference("cannot be told", trigger.name, sentence))
        else:
            found += _compare(trigger, event, translation)
    for event in file.events:
        if all(event.name != trigger.name for trigger in study.triggers):
            sentence = f"the file's event (line {event.line}, {event.where}) is no trigger of the study"
            found.append(Difference("note", event.name or "(without a name)", sentence, event.line))
    return Compared(file, tuple(found))


def _compare(trigger: Trigger, event: ScriptEvent, translation: Translation) -> Iterator[Difference]:
    act, told = translation.rules(event)
    for each in (one for group in (*told, *act) for one in group):
        if each.term is None:
            sentence = f"line {each.condition.line}, {each.condition.kind}: {each.why}"
            yield Difference("cannot be told", trigger.name, sentence, each.condition.line)
        for remark in each.remarks:
            yield Difference("note", trigger.name, f"line {each.condition.line}: {remark}", each.condition.line)
    for group in told:
        edges = [one.condition for one in group if one.condition.edge != "none"]
        if len(edges) > 1:
            lines = " and ".join(str(one.line) for one in edges)
            sentence = f"lines {lines}: two edges in one group; it fires only if both fall into one and the same step"
            yield Difference("note", trigger.name, sentence, edges[0].line)
    if not event.groups:
        sentence = f"the file starts the event (line {event.line}) without a start trigger, the study states a rule"
        if trigger.fires_when:
            yield Difference("differs", trigger.name, sentence, event.line)
        return
    yield from _executions(trigger, event)
    yield from _hazard(trigger, event, translation)
    if not trigger.fires_when:
        rule = " or ".join(_words(group) for group in told)
        sentence = f"the study states no fires_when; the file fires it when {rule} (line {event.line})"
        yield Difference("differs", trigger.name, sentence, event.line)
        return
    cases = study_cases(trigger.fires_when)
    if cases is None:
        yield Difference("cannot be told", trigger.name, "the study's rule has too many cases to be compared")
        return
    yield from _cases(trigger, event, told, cases, "fires_when")
    arming = study_cases(trigger.armed_when)
    is_begun = any(all(one.is_always for one in group) for group in act)
    if arming is None:
        yield Difference("cannot be told", trigger.name, "the study's armed_when has too many cases to be compared")
    else:
        yield from _cases(trigger, event, [[]] if is_begun or not act else act, arming, "armed_when")
    yield from _bands(trigger, told)


def study_cases(terms: tuple[FireTerm, ...]) -> list[tuple[FireTerm, ...]] | None:
    """The cases in which a rule holds, each with terms that must hold at once; None where there are too many.

    A case that asks for all of another one and more adds nothing, and is left out.
    """
    if math.prod(len(term.alternatives) for term in terms) > MOST_CASES:
        return None
    plain = [[replace(one, or_else=()) for one in term.alternatives] for term in terms]
    cases = [tuple(dict.fromkeys(case)) for case in product(*plain)]
    sets = {frozenset(case): case for case in cases}
    return [case for asked, case in sets.items() if not any(other < asked for other in sets)]


def _executions(trigger: Trigger, event: ScriptEvent) -> Iterator[Difference]:
    often = trigger.expected
    if event.executions is None:
        sentence = f"how often the file executes it (line {event.line}) is worked out by the simulator"
        yield Difference("cannot be told", trigger.name, sentence, event.line)
        return
    if event.executions == often:
        return
    if often == "any" and event.executions != 1:
        return
    sentence = (
        f"the file executes it at most {event.executions} times (line {event.line}), the study expects "
        f"{'any number' if often == 'any' else often}"
    )
    # one event may well be started anew by what lies about it, so that fewer executions are only to be looked at
    fewer = often == "any" or event.executions < often
    yield Difference("differs" if fewer else "note", trigger.name, sentence, event.line)


def _hazard(trigger: Trigger, event: ScriptEvent, translation: Translation) -> Iterator[Difference]:
    decel, rule = event.slowing.decel_mps2, trigger.hazard
    if decel is None:
        if rule is not None and rule.level_mps2 is not None:
            sentence = f"how hard the event (line {event.line}) brakes: {event.slowing.why}"
            yield Difference("cannot be told", trigger.name, sentence, event.line)
        return
    if rule is not None and rule.onset is None and rule.role is not None:
        yield from _actor(trigger, event, rule.role, translation)
    if rule is not None and rule.onset is None:
        if rule.level_mps2 is not None and abs(decel - rule.level_mps2) > rule.level_tolerance_mps2 + SAME_DECEL_MPS2:
            sentence = (
                f"the file slows down with {decel:g} m/s² (line {event.line}), hazard.level_mps2 is "
                f"{rule.level_mps2:g} ± {rule.level_tolerance_mps2:g}"
            )
            yield Difference("differs", trigger.name, sentence, event.line)
        elif decel < rule.decel_at_least_mps2:
            sentence = (
                f"the file slows down with {decel:g} m/s² (line {event.line}), the hazard begins at "
                f"{rule.decel_at_least_mps2:g} (hazard.decel_at_least_mps2)"
            )
            yield Difference("differs", trigger.name, sentence, event.line)
    for one in trigger.conditions:
        is_braking = one.measure.kind == "role" and one.measure.name == "accel" and isinstance(one.when, Within)
        if is_braking and not one.or_else and not one.band.contains_one(-decel):
            sentence = (
                f"the file slows down with {decel:g} m/s² (line {event.line}), the condition {quoted(one.name)} asks "
                f"for {one.band.words(one.measure.unit)}"
            )
            yield Difference("differs", trigger.name, sentence, event.line)


def _actor(trigger: Trigger, event: ScriptEvent, hazard_role: str, translation: Translation) -> Iterator[Difference]:
    """Whether the vehicle that the file lets brake is the one that the hazard looks at."""
    if len(event.actors) != 1:
        sentence = f"which vehicle brakes: its manoeuvre has {len(event.actors)} actors (line {event.line})"
        yield Difference("cannot be told", trigger.name, sentence, event.line)
        return
    (actor,) = event.actors
    try:
        role = "the own car" if actor == translation.own else translation.role_of(actor)
    except Untold as untold:
        yield Difference("cannot be told", trigger.name, f"which vehicle brakes: {untold}", event.line)
        return
    if role != hazard_role:
        sentence = f"the file lets {actor} brake (line {event.line}), which is {role}; hazard.role is {hazard_role}"
        yield Difference("differs", trigger.name, sentence, event.line)


def _cases(
    trigger: Trigger, event: ScriptEvent, told: list[list[Told]], cases: list[tuple[FireTerm, ...]], key: str
) -> Iterator[Difference]:
    """Each case of the file against the one of the study that has most measures in common with it."""
    if len(told) != len(cases):
        what = "fires it" if key == "fires_when" else "begins the act about it"
        sentence = (
            f"the file {what} in {_count(len(told))} (line {event.line}), the study's {key} has {_count(len(cases))}: "
            "one group of conditions or another"
        )
        yield Difference("differs", trigger.name, sentence, event.line)
    left = list(cases)
    for group in told:
        if not left:
            rule = _words(group)
            line = group[0].condition.line if group else event.line
            yield Difference("differs", trigger.name, f"the study's {key} has no case for {rule} (line {line})", line)
            continue
        keys = {_key(one.term) for one in group if one.term is not None}
        best = max(left, key=lambda case: len(keys & {_key(term) for term in case}))
        left.remove(best)
        yield from _terms(trigger, group, best, event.line, key)


def _count(number: int) -> str:
    return "one case" if number == 1 else f"{number} cases"


def _terms(
    trigger: Trigger, group: list[Told], terms: tuple[FireTerm, ...], line: int, key: str
) -> Iterator[Difference]:
    """The conditions of one group against the terms of one case."""
    left = [term for term, _ in _joined((term, 0) for term in terms)]
    asked = ((one.term, one.condition.line) for one in group if one.term is not None and not one.is_always)
    for theirs, at in _joined(asked):
        alike = [term for term in left if _key(term) == _key(theirs)]
        if not alike:
            sentence = f"the file asks for {words_of(theirs)} (line {at}), of which the study's {key} says nothing"
            yield Difference("differs", trigger.name, sentence, at)
            continue
        same = max(alike, key=lambda term: (term.edge == theirs.edge, _same_band(theirs, term)))
        left.remove(same)
        name, unit = same.measure.text, same.measure.unit
        if not _same_band(theirs, same):
            both = [one.band.words(unit) for one in (theirs, same)]
            sentence = f"{name} {both[0]} in the file (line {at}), {both[1]} in the study's {key}"
            yield Difference("differs", trigger.name, sentence, at)
        if theirs.edge != same.edge:
            sentence = f"{name} with edge {theirs.edge} in the file (line {at}), {same.edge} in the study's {key}"
            yield Difference("differs", trigger.name, sentence, at)
        if abs(theirs.delay_s - same.delay_s) > SAME_VALUE:
            sentence = (
                f"{name} with a delay of {theirs.delay_s:g} s in the file (line {at}), {same.delay_s:g} s in the "
                f"study's {key}"
            )
            yield Difference("differs", trigger.name, sentence, at)
    untold = [told for told in group if told.term is None]
    for term in left:
        sentence = f"the study's {key} asks for {words_of(term)}, of which the file (line {line}) says nothing"
        # one of those that cannot be told may be it
        yield Difference("cannot be told" if untold else "differs", trigger.name, sentence, line)


def _joined(terms: Iterable[tuple[FireTerm, int]]) -> list[tuple[FireTerm, int]]:
    """Terms with their lines, those joined to one that ask for a value between two edges in two sentences."""
    joined: list[tuple[FireTerm, int]] = []
    for term, line in terms:
        twins = (at for at, (one, _) in enumerate(joined) if _is_plain(term) and replace(one, band=term.band) == term)
        place = next((at for at in twins if _is_plain(joined[at][0])), None)
        if place is None:
            joined.append((term, line))
            continue
        bands = (term.band, joined[place][0].band)
        low = max((one.at_least for one in bands if one.at_least is not None), default=None)
        high = min((one.at_most for one in bands if one.at_most is not None), default=None)
        joined[place] = replace(term, band=Band(low, high)), joined[place][1]
    return joined


def _is_plain(term: FireTerm) -> bool:
    """Whether a term asks for a value between two edges at each instant."""
    return term.edge == "none" and not (term.delay_s or term.band.tolerance) and term.band.outside is None


def _bands(trigger: Trigger, told: list[list[Told]]) -> Iterator[Difference]:
    """A value at which the script fires and which a condition at the fire does not allow: every fire is lost."""
    for each in (one for group in told for one in group):
        if each.term is None:
            continue
        for one in trigger.conditions:
            asked_then = isinstance(one.when, AtFire) and one.required and not one.or_else
            if not asked_then or _measure_key(one.measure) != _measure_key(each.term.measure):
                continue
            if not _fits(each.term, one.band):
                sentence = (
                    f"the file fires it when {words_of(each.term)} (line {each.condition.line}); there the condition "
                    f"{quoted(one.name)}, {one.band.words(one.measure.unit)}, does not hold"
                )
                yield Difference("differs", trigger.name, sentence, each.condition.line)


def _fits(term: FireTerm, band: Band) -> bool:
    """Whether a fire by a term can lie in a band: at its edge where an edge fires it, else anywhere in its band."""
    edges = [edge for edge in (term.band.at_least, term.band.at_most) if edge is not None]
    if term.edge != "none" and term.delay_s == 0.0:
        return any(band.contains_one(edge) for edge in edges)
    low = -np.inf if term.band.at_least is None else term.band.at_least
    high = np.inf if term.band.at_most is None else term.band.at_most
    return not bool(band.contains_none(np.array(low), np.array(high)))


def _same_band(theirs: FireTerm, ours: FireTerm) -> bool:
    """Whether two bands are the same. Of a place that is passed once only the edge that is reached first counts."""
    one, other = theirs.band, ours.band
    pairs = [(one.at_least, other.at_least), (one.at_most, other.at_most)]
    if theirs.measure.name == "station":
        pairs = pairs[:1]
    if other.outside is not None or other.tolerance:
        return False
    return all(
        (a is None) == (b is None) and (a is None or b is None or abs(a - b) <= SAME_VALUE * max(1.0, abs(b)))
        for a, b in pairs
    )


def _key(term: FireTerm) -> tuple[object, ...]:
    return _measure_key(term.measure)


def _measure_key(measure: Any) -> tuple[object, ...]:
    point = None if measure.point is None else measure.point.name
    return measure.kind, measure.name, measure.role, measure.from_role, point, measure.event, measure.rate_over_s


def _words(group: list[Told]) -> str:
    return " and ".join(one.condition.kind if one.term is None else words_of(one.term) for one in group) or "nothing"

"""What of a trial's channels cannot be believed: channels that disagree, stand, jump, are in another unit, or turned.

Own channels count up to the fire, those of the trial's vehicle up to the end of what the trial looks at. A difference
that changes a condition is doubtful; one that changes nothing is a note. A jump, another body under the same id and a
channel that stands are doubtful by themselves.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from monitor.judging.case.case import Case
from monitor.judging.case.trial import Finding
from monitor.judging.evidence.ahead import OtherLead
from monitor.judging.evidence.contradictions import Contradiction, contradictions_of
from monitor.judging.evidence.inputs import Bodies
from monitor.judging.evidence.pedals import sensor_doubts
from monitor.judging.evidence.tellings import Telling
from monitor.judging.evidence.weighing import Weighed


@dataclass(frozen=True, slots=True)
class Doubts:
    """Findings about channels, and the channels of own car that no rule should believe."""

    findings: tuple[Finding, ...] = ()
    own: frozenset[str] = frozenset()
    other: frozenset[str] = frozenset()
    """Those of the trial's vehicle; "lead" where it is perhaps another one."""


def judge_disagreement(case: Case, bodies: Bodies, weighed: Iterable[Weighed]) -> Doubts:
    """All doubts about the channels of own car and of the trial's vehicle."""
    weighed = list(weighed)
    own, findings = bodies.own, list[Finding]()
    doubted: set[str] = set()
    of_other: set[str] = set()
    for body in (own, bodies.other):
        for one in contradictions_of(body, case.start_t) if body is not None else ():
            finding = _finding(case, one, weighed, own=body is own)
            if finding is not None:
                findings.append(finding)
            (doubted if body is own else of_other).update(one.channels)
            if body is not own and one.code in ("implausible-jump", "body-changed"):
                of_other.add("lead")
    if bodies.other_lead is not None:
        findings.append(_another_lead(case, bodies.other_lead))
        of_other.add("lead")
    for doubt in sensor_doubts(own):
        findings.append(case.finding(doubt.code, doubt.sentence, doubt.at))
        doubted.add(doubt.channel)
    findings += _gap(case, weighed)
    return Doubts(tuple(findings), frozenset(doubted), frozenset(of_other))


def _another_lead(case: Case, one: OtherLead) -> Finding:
    lead = case.name_of(case.held_id)
    if one.beside_m is not None:
        way = "left" if one.beside_m > 0.0 else "right"
        told = f"its place is {abs(one.beside_m):.1f} m {way} of the own lane's centre"
    else:
        told = f"the {case.name_of(one.nearer_id or -1)} is nearer, and in the own lane by its place"
    sentence = (
        f"By lane and station the vehicle ahead is the {lead}, and {told}: is a lane number wrong? What is judged of "
        "the vehicle ahead may be about another one."
    )
    return case.finding("channels-disagree", sentence, one.at)


def _finding(case: Case, one: Contradiction, weighed: list[Weighed], *, own: bool) -> Finding | None:
    """A contradiction as a finding: doubtful where it changes a result, or by itself; else a note, and nothing where
    another finding says the same."""
    if not one.tellings:
        return case.finding(one.code, one.sentence, one.at)
    changes = [each for each in weighed if each.changes and any(_is_about(each, told, own) for told in one.tellings)]
    finding = case.finding(one.code, f"{one.sentence}{_which(changes)}", one.at)
    if changes:
        return finding
    return None if one.is_explained else replace(finding, severity="note")


def _is_about(weighed: Weighed, told: Telling, own: bool) -> bool:
    return any(
        one.pair == told.pair and (not whose) == own for one, whose in zip(weighed.against, weighed.whose, strict=True)
    )


def _gap(case: Case, weighed: list[Weighed]) -> list[Finding]:
    """The gap by the stations against the gap by the boxes."""
    told: dict[str, tuple[Telling, list[Weighed]]] = {}
    for each in weighed:
        for one in each.against:
            if one.channel == "gap":
                kept = told.setdefault(one.pair, (one, []))
                if each.changes:
                    kept[1].append(each)
    found = []
    for one, changes in told.values():
        sentence = (
            f"The gap to the {case.name_of(case.held_id)} is {abs(one.change):.2f} m "
            f"{'longer' if one.change > 0.0 else 'shorter'} by what places it than by {one.by}, at {one.to_t:.2f} s; "
            f"{one.limit:.2f} m is explained by road and noise.{_which(changes)}"
        )
        finding = case.finding("channels-disagree", sentence, one.to_t)
        found.append(finding if changes else replace(finding, severity="note"))
    return found


def _which(changes: list[Weighed]) -> str:
    names = list(dict.fromkeys(one.condition.name for one in changes))
    if not names:
        return " It changes no result."
    return f" Otherwise by the one than by the other: {', '.join(names)}."

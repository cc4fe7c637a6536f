"""What of a trial's channels cannot be believed: channels that disagree, stand, jump, are in another unit, or turned.

Own channels count up to the fire, those of the trial's vehicle up to the end of what the trial looks at. A difference
that changes a condition is doubtful; one that changes nothing is a note. A jump, another body under the same id and a
channel that stands are doubtful by themselves.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.trial import Finding
from monitor.judging.evidence.bodies import Body
from monitor.judging.evidence.causes import NO_GUESS, Cause, likely_cause, spoken_against, turned_channels
from monitor.judging.evidence.continuity import breaks
from monitor.judging.evidence.cutting import OWN
from monitor.judging.evidence.pairs import OF_OTHERS, PAIRS, Pair
from monitor.judging.evidence.pedals import sensor_doubts
from monitor.judging.evidence.standing import Stand, stands
from monitor.judging.evidence.tellings import INTEGRALS, RATES, Telling, tellings_of
from monitor.judging.evidence.weighing import Weighed

SPOKEN = {"yaw_rate": "yaw rate", "lane_offset": "lane offset", "place": "place"}

UNITS = {"speed": "m/s", "accel": "m/s²", "yaw_rate": "rad/s", "heading": "rad"}


@dataclass(frozen=True, slots=True)
class Doubts:
    """Findings about channels, and the channels of own car that no rule should believe."""

    findings: tuple[Finding, ...] = ()
    own: frozenset[str] = frozenset()
    other: frozenset[str] = frozenset()


def judge_disagreement(case: Case, own: Body, other: Body | None, weighed: Iterable[Weighed]) -> Doubts:
    """All doubts about the channels of own car and of the trial's vehicle."""
    weighed = list(weighed)
    findings: list[Finding] = []
    doubted: dict[str, set[str]] = {"own": set(), "other": set()}
    for body, pairs, key in ((own, PAIRS, "own"), (other, OF_OTHERS, "other")):
        if body is None or len(body) < 2:
            continue
        found, channels = _of_body(case, body, pairs, weighed)
        findings += found
        doubted[key] |= channels
    for doubt in sensor_doubts(own):
        findings.append(case.finding(doubt.code, doubt.sentence, doubt.at))
        doubted["own"].add(doubt.channel)
    findings += _gap(case, weighed)
    return Doubts(tuple(findings), frozenset(doubted["own"]), frozenset(doubted["other"]))


def _of_body(case: Case, body: Body, pairs: tuple[Pair, ...], weighed: list[Weighed]) -> tuple[list[Finding], set[str]]:
    own = body.who == OWN
    from_t, to_t = case.start_t, float(body.t[-1])
    findings = _breaks(case, body)
    doubted = {"place" for one in findings if one.code == "implausible-jump"}
    frozen = _frozen(case, body)
    findings += [finding for finding, _ in frozen]
    doubted |= {stand.channel for _, stand in frozen}
    told = _flagged(body, from_t, to_t)
    at_fault = spoken_against(body, pairs, {one.pair for one in told})
    plain = not frozen and not any(each.code == "implausible-jump" for each in findings)
    causes = list(turned_channels(body)) if own else []
    if plain:
        causes += [likely_cause(body, pair, at_fault) for pair in pairs for one in told if one.pair == pair.name]
    named = {cause.channel: cause for cause in reversed(causes) if cause.kind in ("unit", "sign")}
    for channel, cause in named.items():
        code = "unit-implausible" if cause.kind == "unit" else "axis-implausible"
        findings.append(case.finding(code, f"{whose(body)} {_said(cause.words)}", float(body.t[0])))
        doubted.add(channel)
    for group in _groups(told, at_fault):
        worst = max(group, key=lambda one: abs(one.change) / one.limit)
        pair = next((one for one in pairs if one.name == worst.pair), None)
        cause = likely_cause(body, pair, at_fault) if pair is not None else NO_GUESS
        doubted |= {at_fault} if at_fault else {worst.channel, _channel(worst.by)}
        changes = [one for one in weighed if one.changes and any(_is_about(one, each, own) for each in group)]
        finding = case.finding("channels-disagree", _sentence(body, worst, group, cause, changes), worst.to_t)
        if changes:
            findings.append(finding)
        elif plain and cause.kind not in ("unit", "sign") and not {worst.channel, _channel(worst.by)} & set(named):
            findings.append(replace(finding, severity="note"))
    return findings, doubted


def _groups(told: list[Telling], at_fault: str) -> list[list[Telling]]:
    """Tellings that go back to one channel together, the others each by itself."""
    one_fault = [one for one in told if at_fault in (one.channel, _channel(one.by))] if at_fault else []
    rest = [[one] for one in told if not any(one is other for other in one_fault)]
    return [one_fault, *rest] if one_fault else rest


def _flagged(body: Body, from_t: float, to_t: float) -> list[Telling]:
    """One telling for each pair that disagrees in the time asked about."""
    found: dict[str, Telling] = {}
    for channel in dict.fromkeys((*RATES, *INTEGRALS)):
        for one in tellings_of(body, channel, from_t, to_t, to_t):
            if one.disagrees:
                found.setdefault(one.pair, one)
    return sorted(found.values(), key=lambda one: (one.to_t, one.pair))


def _is_about(weighed: Weighed, told: Telling, own: bool) -> bool:
    return any(
        one.pair == told.pair and (not whose) == own for one, whose in zip(weighed.against, weighed.whose, strict=True)
    )


def _breaks(case: Case, body: Body) -> list[Finding]:
    found = []
    for one in breaks(body):
        t = float(body.t[one.at])
        if t < case.start_t:
            continue
        if one.what in ("place", "station"):
            sentence = f"{whose(body)} {one.what} jumped by {one.after:.1f} m at {t:.2f} s."
            found.append(case.finding("implausible-jump", sentence, t))
        elif one.what == "name":
            found.append(case.finding("body-changed", f"{who_is(body)} had another name from {t:.2f} s on.", t))
        else:
            sentence = (
                f"{whose(body)} {one.what} changed from {one.before:.2f} to {one.after:.2f} m at {t:.2f} s: another "
                "vehicle under the same id?"
            )
            found.append(case.finding("body-changed", sentence, t))
    first: dict[str, Finding] = {}
    for finding in found:
        first.setdefault(finding.code, finding)
    return list(first.values())


def _frozen(case: Case, body: Body) -> list[tuple[Finding, Stand]]:
    """The longest stand of each channel that meets the trial's window."""
    longest: dict[str, Stand] = {}
    for one in stands(body):
        if float(body.t[one.end]) < case.start_t:
            continue
        kept = longest.get(one.channel)
        if kept is None or one.end - one.begin > kept.end - kept.begin:
            longest[one.channel] = one
    return [(_stood(case, body, one), one) for one in longest.values()]


def _stood(case: Case, body: Body, one: Stand) -> Finding:
    begin_t, end_t = float(body.t[one.begin]), float(body.t[one.end])
    by = {
        "noise": f"while it moved {abs(one.moved):.1f} m and the channel's noise was gone",
        "speed": f"while its speed took it {abs(one.moved):.1f} m on",
        "accel": f"while its acceleration changed the speed by {abs(one.moved):.2f} m/s",
        "yaw_rate": f"while its yaw rate turned it by {abs(one.moved):.3f} rad",
        "place": f"while the way it moved in a second changed by {abs(one.moved):.2f} m/s",
    }[one.by]
    sentence = (
        f"{whose(body)} {_name(one.channel)} kept its last digit for {end_t - begin_t:.2f} s from {begin_t:.2f} s "
        f"{by}: a frozen channel?"
    )
    return case.finding("channel-frozen", sentence, begin_t)


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


def _sentence(body: Body, one: Telling, group: list[Telling], cause: Cause, changes: list[Weighed]) -> str:
    at = int(np.searchsorted(body.t, one.to_t, side="right")) - 1
    channel, by = _name(one.channel), _name(one.by)
    guess = f" ({_said(cause.words).rstrip('.')})" if cause.words else ""
    also = [_name(each.by if each.channel == one.channel else each.channel) for each in group if each is not one]
    against = f" and against {' and '.join(dict.fromkeys(also))}" if also else ""
    if one.by_slope:
        unit = UNITS.get(one.channel, one.unit)
        told = (
            f"at {one.to_t:.2f} s the {channel} says {body.channel(one.channel)[at]:.2f} {unit}, {by} "
            f"{one.value[at]:.2f} {unit}; over {one.seconds:g} s they differ by {abs(one.change):.2f} {unit}"
        )
        allowed = f"{one.limit:.2f}"
    else:
        unit = one.unit
        told = f"over {one.seconds:g} s to {one.to_t:.2f} s they came apart by {abs(one.change):.2f} {unit}"
        allowed = f"{one.limit:.2f} {unit}"
    return (
        f"{whose(body)} {channel} and {by} disagree: {told}{against}, and noise and sampling explain {allowed}{guess}."
        f"{_which(changes)}"
    )


def _which(changes: list[Weighed]) -> str:
    names = list(dict.fromkeys(one.condition.name for one in changes))
    if not names:
        return " It changes no result."
    return f" Otherwise by the one than by the other: {', '.join(names)}."


def _channel(by: str) -> str:
    return {"x, y": "place", "road line": "place"}.get(by, by)


def _name(channel: str) -> str:
    return SPOKEN.get(channel, channel)


def _said(words: str) -> str:
    for channel, spoken in SPOKEN.items():
        words = words.replace(channel, spoken)
    return words if words.endswith("?") else f"{words}."


def who_is(body: Body) -> str:
    return "Own car" if body.who == OWN else f"The {body.who}"


def whose(body: Body) -> str:
    return f"{who_is(body)}'s"

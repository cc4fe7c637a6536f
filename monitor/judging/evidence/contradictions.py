"""What of a body's channels cannot be believed, in words: that they disagree, stand, jump, are in another unit, or
turned.

The same for judging, for `check` and for whoever proves a feed: findings are made of it elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.judging.evidence.bodies import Body
from monitor.judging.evidence.causes import NO_GUESS, Cause, likely_cause, spoken_against, turned_channels
from monitor.judging.evidence.continuity import breaks, is_displaced
from monitor.judging.evidence.cutting import OWN
from monitor.judging.evidence.pairs import OF_OTHERS, PAIRS
from monitor.judging.evidence.standing import Stand, stands
from monitor.judging.evidence.tellings import INTEGRALS, RATES, Asked, Telling, tellings_of

SPOKEN = {"yaw_rate": "yaw rate", "lane_offset": "lane offset", "place": "place"}

UNITS = {"speed": "m/s", "accel": "m/s²", "yaw_rate": "rad/s", "heading": "rad"}


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Something about a body's channels that does not fit: the finding's code, a sentence, its time, the channels that
    are doubted by it. `tellings`: those that disagree; none for what is doubtful by itself."""

    code: str
    sentence: str
    at: float
    channels: frozenset[str] = frozenset()
    tellings: tuple[Telling, ...] = ()
    is_explained: bool = False
    """Whether another contradiction of the body says already what it comes of."""


def contradictions_of(body: Body, from_t: float) -> list[Contradiction]:
    """All that does not fit about a body in the time from `from_t` to its last frame."""
    if len(body) < 2:
        return []
    own, to_t = body.who == OWN, float(body.t[-1])
    pairs = PAIRS if own else OF_OTHERS
    found = [*_broken(body, from_t), *_frozen(body, from_t)]
    plain = not any(one.code in ("implausible-jump", "channel-frozen") for one in found)
    told = _flagged(body, from_t, to_t)
    at_fault = spoken_against(body, pairs, {one.pair for one in told})
    causes = list(turned_channels(body)) if own else []
    if plain:
        causes += [likely_cause(body, pair, at_fault) for pair in pairs for one in told if one.pair == pair.name]
    named = {cause.channel: cause for cause in reversed(causes) if cause.kind in ("unit", "sign")}
    for channel, cause in named.items():
        code = "unit-implausible" if cause.kind == "unit" else "axis-implausible"
        sentence = f"{whose(body)} {_said(cause.words)}"
        found.append(Contradiction(code, sentence, float(body.t[0]), frozenset((channel,))))
    for group in _groups(told, at_fault):
        worst = max(group, key=lambda one: abs(one.change) / one.limit)
        pair = next((one for one in pairs if one.name == worst.pair), None)
        cause = likely_cause(body, pair, at_fault) if pair is not None else NO_GUESS
        both = frozenset((worst.channel, _channel(worst.by)))
        found.append(
            Contradiction(
                code="channels-disagree",
                sentence=_sentence(body, worst, group, cause),
                at=worst.to_t,
                channels=frozenset((at_fault,)) if at_fault else both,
                tellings=tuple(group),
                is_explained=not plain or cause.kind in ("unit", "sign") or bool(both & set(named)),
            )
        )
    return found


def _groups(told: list[Telling], at_fault: str) -> list[list[Telling]]:
    """Tellings that go back to one channel together, the others each by itself."""
    one_fault = [one for one in told if at_fault in (one.channel, _channel(one.by))] if at_fault else []
    rest = [[one] for one in told if not any(one is other for other in one_fault)]
    return [one_fault, *rest] if one_fault else rest


def _flagged(body: Body, from_t: float, to_t: float) -> list[Telling]:
    """One telling for each pair that disagrees in the time asked about."""
    found: dict[str, Telling] = {}
    for channel in dict.fromkeys((*RATES, *INTEGRALS)):
        for one in tellings_of(body, channel, Asked(from_t, to_t, to_t), that_disagree=True):
            found.setdefault(one.pair, one)
    return sorted(found.values(), key=lambda one: (one.to_t, one.pair))


def _broken(body: Body, from_t: float) -> list[Contradiction]:
    found: list[Contradiction] = []
    for one in breaks(body):
        t = float(body.t[one.at])
        # own car may be put on its road long before; the trial's vehicle is another one from then on
        if t < from_t and body.who == OWN and not is_displaced(body, one):
            continue
        if one.what in ("place", "station", "lane offset"):
            sentence = f"{whose(body)} {one.what} jumped by {one.after:.1f} m at {t:.2f} s."
            found.append(Contradiction("implausible-jump", sentence, t, frozenset((one.what,))))
        elif one.what == "name":
            found.append(Contradiction("body-changed", f"{who_is(body)} had another name from {t:.2f} s on.", t))
        else:
            sentence = (
                f"{whose(body)} {one.what} changed from {one.before:.2f} to {one.after:.2f} m at {t:.2f} s: another "
                "vehicle under the same id?"
            )
            found.append(Contradiction("body-changed", sentence, t))
    first: dict[str, Contradiction] = {}
    for one_found in found:
        first.setdefault(one_found.code, one_found)
    return list(first.values())


def _frozen(body: Body, from_t: float) -> list[Contradiction]:
    """The longest stand of each channel that meets the trial's window."""
    longest: dict[str, Stand] = {}
    for one in stands(body):
        if float(body.t[one.end]) < from_t:
            continue
        kept = longest.get(one.channel)
        if kept is None or one.end - one.begin > kept.end - kept.begin:
            longest[one.channel] = one
    return [_stood(body, one) for one in longest.values()]


def _stood(body: Body, one: Stand) -> Contradiction:
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
    return Contradiction("channel-frozen", sentence, begin_t, frozenset((one.channel,)))


def _sentence(body: Body, one: Telling, group: list[Telling], cause: Cause) -> str:
    at = int(body.t.searchsorted(one.to_t, side="right")) - 1
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
    )


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

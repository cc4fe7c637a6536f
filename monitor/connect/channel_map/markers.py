"""Markers out of a source's values: edges of flags, steps of counters, changes of enumerations, messages apart."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final, NamedTuple

from monitor.connect.channel_map.model import MarkerRule
from monitor.connect.channel_map.values import ABSENT, Place, Sample, bits_in, code_in, number_in, text_in
from monitor.feed.limits import MAX_NAME

AT_ONCE = 32
"""Markers of one rule in one sample: a counter that jumps further has begun anew."""

NOTHING: Final = ""
"""The state of a value that is empty or left out, where that is a state of its own: no code is empty."""


class Happened(NamedTuple):
    """A marker to be sent, and the rule that makes it, counted from 0."""

    kind: str
    name: str
    t: float
    data: dict[str, Any] | None
    rule: int = -1


class _Watched(NamedTuple):
    """A rule by its number, and where its value, the name and the time of its markers stand in a sample."""

    number: int
    rule: MarkerRule
    source: Place
    name: Place
    time: Place


class MarkerWatch:
    """Watches the rules of a map over the samples of one drive.

    The first sample of a drive has no earlier one, so no edge is in it (as the open scenario standard has it). A value
    that is empty, null or left out is "nothing": a text column that is empty between events, a flag that is only sent
    while it is up. With `empty = "as before"` it says that all is as it was. NaN is not measured, and says nothing.
    """

    def __init__(self, rules: tuple[MarkerRule, ...], time_at: Callable[[Any], float]) -> None:
        self._rules = [
            _Watched(number, rule, Place(rule.source), Place(rule.name_from or ""), Place(rule.time_from or ""))
            for number, rule in enumerate(rules)
        ]
        self._time_at = time_at
        self._before: dict[int, Any] = {}
        self._given: set[str] = set()
        self.on_happened: Callable[[Happened, Sample], None] | None = None
        """Is told of each marker, for whoever looks on."""

    @property
    def absent(self) -> set[str]:
        """Names that no sample has had so far."""
        return {one.rule.source for one in self._rules if one.rule.when != "received"} - self._given

    def begin_drive(self) -> None:
        """Forgets what was before."""
        self._before.clear()

    def in_message(self, sample: Sample, t: float) -> list[Happened]:
        """The markers that a message apart is; `t`: the newest time of the drive."""
        found = []
        for watched in self._rules:
            rule = watched.rule
            if rule.when != "received" or rule.topic != sample.topic:
                continue
            if rule.becomes is None or code_in(watched.source.find(sample.values)) == rule.becomes:
                found.append(self._happened(watched, sample, t))
        return found

    def in_frame(self, sample: Sample, t: float, lost_since_t: float | None = None) -> list[Happened]:
        """The markers that a frame's sample shows. `lost_since_t`: the time of the frame before, where frames between
        the two were lost: what changed, changed somewhere between."""
        found = []
        for watched in self._rules:
            number, rule = watched.number, watched.rule
            if rule.when == "received":
                continue
            raw = watched.source.find(sample.values)
            if raw is not ABSENT and rule.source not in self._given:
                self._given.add(rule.source)
            now = state_of(rule, raw)
            if now is None:
                continue
            before, self._before[number] = self._before.get(number), now
            times = times_happened(rule, before, now)
            if rule.when == "counts up" and now == NOTHING and before is not None:
                self._before[number] = before  # a counter that is left out goes on from where it was
            since_t = None if rule.time_from is not None else lost_since_t
            found += [self._happened(watched, sample, t, since_t) for _ in range(times)]
        return found

    def _happened(self, watched: _Watched, sample: Sample, t: float, since_t: float | None = None) -> Happened:
        number, rule, _, name, time = watched
        text = rule.name
        if rule.name_from is not None:
            found = name.find(sample.values)
            text = text if found is ABSENT or found is None else text_in(found)
        if rule.names is not None:
            text = rule.names[str(self._before[number])]
        at = t
        if rule.time_from is not None:
            stated = self._time_at(time.find(sample.values))
            at = stated if math.isfinite(stated) else t
        data = rule.data()
        if since_t is not None:
            data = {**(data or {}), "not_before": since_t}
        happened = Happened(rule.kind, text[:MAX_NAME], at, data, number)
        if self.on_happened is not None:
            self.on_happened(happened, sample)
        return happened


def state_of(rule: MarkerRule, raw: Any) -> Any:
    """What a rule sees in a value: a number for flags and counters, else a code; `NOTHING`, or None where it says
    nothing new."""
    if raw is ABSENT or raw is None or (type(raw) is str and not raw):
        return NOTHING if rule.empty_is_nothing else None
    if rule.mask is not None:
        raw = bits_in(raw, rule.mask)
    if rule.when in ("rises", "falls", "counts up"):
        number = number_in(raw)
        return None if math.isnan(number) else number
    return None if type(raw) is float and math.isnan(raw) else code_in(raw)


def times_happened(rule: MarkerRule, before: Any, now: Any) -> int:
    """How often a rule's marker happened from one state to the next; `before` is None in the first sample."""
    if before is None:
        return 0
    match rule.when:
        case "rises":
            return int(not before and bool(now))
        case "falls":
            return int(bool(before) and not now)
        case "counts up":
            if now == NOTHING:
                return 0
            if before == NOTHING:  # how far it had counted before it was sent, nobody knows
                return int(now == 1)
            step = now - before
            return int(step) if 0 < step <= AT_ONCE else 0
        case "becomes":
            return int(now == rule.becomes and before != now)
        case _:
            return int(now not in (before, NOTHING) and (rule.names is None or now in rule.names))

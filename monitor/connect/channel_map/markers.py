"""Markers out of a source's values: edges of flags, steps of counters, changes of enumerations, messages apart."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

from monitor.connect.channel_map.model import MarkerRule
from monitor.connect.channel_map.values import ABSENT, Place, Sample, number_in, text_in
from monitor.feed.limits import MAX_NAME

AT_ONCE = 32
"""Markers of one rule in one sample: a counter that jumps further has begun anew."""


class Happened(NamedTuple):
    """A marker to be sent."""

    kind: str
    name: str
    t: float
    data: dict[str, Any] | None


class MarkerWatch:
    """Watches the rules of a map over the samples of one drive.

    The first sample of a drive has no earlier one, so no edge is in it (as the open scenario standard has it).
    """

    def __init__(self, rules: tuple[MarkerRule, ...], time_at: Callable[[Any], float]) -> None:
        self._rules = [
            (rule, Place(rule.source), Place(rule.name_from or ""), Place(rule.time_from or "")) for rule in rules
        ]
        self._time_at = time_at
        self._before: dict[int, Any] = {}
        self.absent: set[str] = set()

    def begin_drive(self) -> None:
        """Forgets what was before."""
        self._before.clear()

    def in_message(self, sample: Sample, t: float) -> list[Happened]:
        """The markers that a message apart is; `t`: the newest time of the drive."""
        found = []
        for rule, source, name, time in self._rules:
            if rule.when != "received" or rule.topic != sample.topic:
                continue
            if rule.becomes is None or text_in(source.find(sample.values)) == rule.becomes:
                found.append(self._happened(rule, name, time, sample, t))
        return found

    def in_frame(self, sample: Sample, t: float) -> list[Happened]:
        """The markers that a frame's sample shows."""
        found = []
        for index, (rule, source, name, time) in enumerate(self._rules):
            if rule.when == "received":
                continue
            raw = source.find(sample.values)
            if raw is ABSENT:
                self.absent.add(rule.source)
                continue
            if raw is None:
                continue
            times = self._times(index, rule, raw)
            found += [self._happened(rule, name, time, sample, t) for _ in range(times)]
        return found

    def _times(self, index: int, rule: MarkerRule, raw: Any) -> int:
        """How often the rule's marker happened with this value."""
        before = self._before.get(index)
        now: Any
        if rule.when in ("rises", "falls", "counts up"):
            now = number_in(raw)
            if math.isnan(now):
                return 0
        else:
            now = text_in(raw)
        self._before[index] = now
        if before is None:
            return 0
        match rule.when:
            case "rises":
                return int(not before and bool(now))
            case "falls":
                return int(bool(before) and not now)
            case "counts up":
                return int(now - before) if 0 < now - before <= AT_ONCE else 0
            case "becomes":
                return int(now == rule.becomes and before != now)
            case _:
                return int(now != before and (rule.names is None or now in rule.names))

    def _happened(self, rule: MarkerRule, name: Place, time: Place, sample: Sample, t: float) -> Happened:
        text = rule.name
        if rule.name_from is not None:
            found = name.find(sample.values)
            text = text if found is ABSENT or found is None else text_in(found)
        if rule.names is not None:
            text = rule.names[text_in(Place(rule.source).find(sample.values))]
        at = t
        if rule.time_from is not None:
            stated = self._time_at(time.find(sample.values))
            at = stated if math.isfinite(stated) else t
        return Happened(rule.kind, text[:MAX_NAME], at, rule.data())

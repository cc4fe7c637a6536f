"""What the names of a map held over a drive: ranges, empty cells, texts where numbers were meant, and codes."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from monitor.connect.channel_map.markers import NOTHING, Happened, state_of, times_happened
from monitor.connect.channel_map.model import ChannelMap, MarkerRule, OsiSource, Reading
from monitor.connect.channel_map.values import ABSENT, Place, Sample, bits_in, code_in, number_in
from monitor.tables.faults import closest, listed, quoted

CODES_KEPT = 64
"""Different codes of a column that are told apart; one with more of them is a measurement."""
TIMES_KEPT = 1000
TIMES_SHOWN = 5
MOSTLY = 0.5
_COMMA_NUMBER = re.compile(r"[-+]?\d+,\d+(?:[eE][-+]?\d+)?")
_DOWN = frozenset((NOTHING, "0", "false", 0.0))
"""States of a flag or a code in which nothing happens."""


@dataclass(slots=True)
class ColumnSeen:
    """One name of the source, as far as a channel or a signal reads numbers from it."""

    name: str
    uses: list[str] = field(default_factory=list)
    """What of the feed is made of it."""
    comes_and_goes: bool = False
    """Of a vehicle that need not be there all the time."""
    codes: dict[str, int] = field(default_factory=dict)
    """For a reading with a table: what came that the table does not list."""
    listed: dict[str, int] = field(default_factory=dict)
    """What came that it lists."""
    lines: int = 0
    empty: int = 0
    texts: int = 0
    first_text: str = ""
    least: float = math.inf
    most: float = -math.inf

    def take(self, raw: Any, reading: Reading, in_range: bool) -> None:
        """One value. `in_range`: whether it counts for least and most (what a blind study hides does not)."""
        self.lines += 1
        if raw is ABSENT or raw is None or (type(raw) is str and not raw):
            self.empty += 1
            return
        if reading.values is not None:
            code = code_in(raw if reading.mask is None else bits_in(raw, reading.mask))
            counts = self.listed if code in reading.values else self.codes
            if code in counts or len(counts) < CODES_KEPT:
                counts[code] = counts.get(code, 0) + 1
            return
        number = raw if type(raw) is float else number_in(raw)
        if number != number:
            if isinstance(raw, str):
                self.texts += 1
                self.first_text = self.first_text or raw
            else:
                self.empty += 1
        elif in_range:
            self.least, self.most = min(self.least, number), max(self.most, number)

    def faults(self) -> Iterator[str]:
        """What cannot be right of it."""
        uses = ", ".join(self.uses)
        given = self.lines - self.empty
        if self.lines and not given and not self.comes_and_goes:
            yield f"{self.name} is empty in all {self.lines} lines, and {uses} is read from it."
        elif self.texts > MOSTLY * given:
            hint = ' In the channel map: [source] decimal = ","' if _COMMA_NUMBER.fullmatch(self.first_text) else ""
            yield (
                f"{self.name} holds texts such as {quoted(self.first_text)} where {uses} needs numbers "
                f"({self.texts} of {given}).{hint}"
            )
        unlisted = sum(self.codes.values())
        if unlisted > MOSTLY * max(given, 1):
            yield (
                f"{self.name} is {listed(list(self.codes)[:6], 'and')} in {unlisted} of {given} lines, which the table "
                f"`values` of {uses} does not list."
            )

    def look_at(self) -> Iterator[str]:
        """What may be right, and should be looked at."""
        given = self.lines - self.empty
        if self.lines and not given and self.comes_and_goes:
            yield f"{self.name} is empty in all {self.lines} lines."
        if 0 < self.empty < self.lines and not self.comes_and_goes:
            yield f"{self.name} is empty in {self.empty} of {self.lines} lines ({100 * self.empty / self.lines:.0f} %)."
        if 0 < self.texts <= MOSTLY * given:
            yield f"{self.name} holds {self.texts} texts that are no numbers, such as {quoted(self.first_text)}."
        unlisted = sum(self.codes.values())
        if 0 < unlisted <= MOSTLY * given:
            yield (
                f"{self.name} is {listed(list(self.codes)[:6], 'and')} in {unlisted} lines, which `values` does not "
                "list: not measured there."
            )

    def sentence(self) -> str:
        """Its range in the source's own numbers."""
        words = ", ".join(f"{quoted(code)} {count}×" for code, count in self.listed.items()) or "no numbers"
        words = f"{self.least:g} to {self.most:g}" if self.least <= self.most else words
        return f"{self.name} → {', '.join(self.uses)}: {words}, {self.empty} of {self.lines} empty"

    def as_json(self) -> dict[str, Any]:
        """For `--json`."""
        known = self.least <= self.most
        return {
            "name": self.name,
            "uses": self.uses,
            "lines": self.lines,
            "empty": self.empty,
            "texts": self.texts,
            "least": self.least if known else None,
            "most": self.most if known else None,
        }


@dataclass(slots=True)
class RuleSeen:
    """One marker rule over a drive."""

    rule: MarkerRule
    number: int
    """Its place in the map, counted from 1."""
    times: list[float] = field(default_factory=list)
    count: int = 0
    lines: int = 0
    empty: int = 0
    not_numbers: int = 0
    first_text: str = ""
    codes: dict[str, int] = field(default_factory=dict)
    resting: set[str] = field(default_factory=set)
    """The code with which each drive begins."""
    is_wide: bool = False
    """More codes came than are kept."""
    after_nothing: int = 0
    up_at_begin: int = 0
    jumps: int = 0
    """A counter that fell, or that jumped too far."""
    without_time: int = 0
    _before: Any = None

    def begin_drive(self) -> None:
        """A new drive: no edge to what was before."""
        self._before = None

    def take(self, raw: Any) -> None:
        """The watched value of one sample."""
        rule = self.rule
        self.lines += 1
        empty = raw is ABSENT or raw is None or (type(raw) is str and not raw)
        now = state_of(rule, raw)
        if empty:
            self.empty += 1
        elif now is None:
            self.not_numbers += 1
            self.first_text = self.first_text or str(raw)
        if now is None:
            return
        before, self._before = self._before, now
        if rule.when == "counts up" and now == NOTHING and before is not None:
            self._before = before
        if before is None:
            self.resting.add(str(now))
            self.up_at_begin += rule.when == "rises" and now not in _DOWN
        elif rule.when == "counts up" and isinstance(now, float) and isinstance(before, float):
            self.jumps += now != before and not times_happened(rule, before, now)
        elif before == NOTHING:
            self.after_nothing += times_happened(rule, before, now)
        if now != before and rule.when in ("becomes", "changes") and not self.is_wide:
            self._count(str(now))

    def take_message(self, code: str) -> None:
        """The code of a message apart, of the rule's topic."""
        self.lines += 1
        self._count(code)

    def happened(self, one: Happened) -> None:
        """The rule made a marker."""
        self.count += 1
        if len(self.times) < TIMES_KEPT:
            self.times.append(one.t)

    def _count(self, code: str) -> None:
        self.codes[code] = self.codes.get(code, 0) + 1
        self.is_wide = len(self.codes) > CODES_KEPT

    @property
    def what(self) -> str:
        """The rule in words: what it makes of what."""
        rule = self.rule
        names = "" if rule.names is None else "/".join(dict.fromkeys(rule.names.values()))
        name = names or rule.name or (f"named by {rule.name_from}" if rule.name_from else "")
        bits = "" if rule.mask is None else f" bits {rule.mask:#x}"
        of = f"topic {rule.topic}" if rule.when == "received" else f"{rule.source}{bits}"
        becomes = "" if rule.becomes is None else f" {quoted(rule.becomes)}"
        return f"{' '.join(word for word in (rule.kind, name) if word)} ({of} {rule.when}{becomes})"

    @property
    def listed_codes(self) -> set[str]:
        """The codes that the rule waits for."""
        return set(self.rule.names or ()) | ({self.rule.becomes} if self.rule.becomes is not None else set())

    def faults(self) -> Iterator[str]:
        """What cannot be right of it by itself."""
        given = self.lines - self.empty
        if self.rule.when in ("rises", "falls", "counts up") and self.not_numbers > MOSTLY * max(given, 1):
            yield (
                f"marker {self.number}, {self.what}: {self.rule.when} needs numbers, and {self.rule.source} holds texts"
                f' such as {quoted(self.first_text)}; write when = "becomes" or "changes".'
            )
        if self.is_wide:
            yield (
                f"marker {self.number}, {self.what}: {self.rule.source} has more than {CODES_KEPT} different values, so"
                " it is a measurement and no code."
            )
        if self.after_nothing and self.rule.empty_is_nothing and self.empty < MOSTLY * self.lines:
            yield (
                f"marker {self.number}, {self.what}: {self.after_nothing} of {self.count} came only because "
                f"{self.rule.source} was empty just before, and it is empty in {self.empty} of {self.lines} lines; "
                'where that means that nothing changed, write empty = "as before" in this [[marker]].'
            )

    def look_at(self) -> Iterator[str]:
        """What may be right, and should be looked at."""
        if self.up_at_begin:
            yield f"marker {self.number}, {self.what}: it is up already when a drive begins, which is no edge."
        if self.jumps:
            yield f"marker {self.number}, {self.what}: the counter fell or jumped {self.jumps} times; none was made."
        if 0 < self.not_numbers <= MOSTLY * max(self.lines - self.empty, 1):
            yield f"marker {self.number}, {self.what}: {self.not_numbers} values were no numbers and were passed over."
        if self.without_time:
            yield (
                f"marker {self.number}, {self.what}: {self.rule.time_from} gave no time {self.without_time} times; the "
                "sample's own was taken."
            )

    def sentence(self, hidden: bool) -> str:
        """How often it came, and when."""
        if hidden:
            return f"marker {self.number}, {self.what}: hidden, since the study is blind"
        if not self.count:
            return f"marker {self.number}, {self.what}: never"
        shown = ", ".join(f"{t:.2f}" for t in self.times[:TIMES_SHOWN])
        more = " …" if self.count > TIMES_SHOWN else ""
        times = "once" if self.count == 1 else f"{self.count} times"
        return f"marker {self.number}, {self.what}: {times}, at {shown}{more} s"

    def as_json(self, hidden: bool) -> dict[str, Any]:
        """For `--json`."""
        rule = self.rule
        return {
            "marker": self.number,
            "kind": rule.kind,
            "from": rule.source or None,
            "when": rule.when,
            "count": None if hidden else self.count,
            "times": [] if hidden else self.times,
        }


class MapSeen:
    """Looks on while samples go through a map."""

    def __init__(self, channels: ChannelMap, blind: bool) -> None:
        self.columns: dict[str, ColumnSeen] = {}
        self._blind = blind
        self._fired = False
        self._readings: list[tuple[Place, Reading, ColumnSeen]] = []
        for use, reading, comes_and_goes in _readings(channels):
            for name in reading.names():
                column = self.columns.setdefault(name, ColumnSeen(name, comes_and_goes=comes_and_goes))
                column.uses.append(use)
                column.comes_and_goes = column.comes_and_goes and comes_and_goes
                if len(column.uses) == 1 or reading.values is not None:
                    self._readings.append((Place(name), reading, column))
        self.rules = [RuleSeen(rule, number) for number, rule in enumerate(channels.markers, start=1)]
        self._watched = [(seen, Place(seen.rule.source)) for seen in self.rules]
        self._groups: dict[str, int] = {}
        self._run = channels.run
        self._group = Place(channels.run.group_from or "")

    def begin_drive(self) -> None:
        """A new drive."""
        self._fired = False
        for seen in self.rules:
            seen.begin_drive()

    def take_frame(self, sample: Sample) -> None:
        """The sample of a frame."""
        values = sample.values
        in_range = not (self._blind and self._fired)
        for place, reading, column in self._readings:
            column.take(place.find(values), reading, in_range)
        for seen, place in self._watched:
            if seen.rule.when != "received":
                seen.take(place.find(values))
        if self._run.groups is not None:
            raw = self._group.find(values)
            if raw is not ABSENT and raw is not None:
                code = str(raw if isinstance(raw, str) else code_in(raw))
                if len(self._groups) < CODES_KEPT:
                    self._groups[code] = self._groups.get(code, 0) + 1

    def take_message(self, sample: Sample) -> None:
        """A message apart."""
        for seen, place in self._watched:
            if seen.rule.when == "received" and seen.rule.topic == sample.topic and seen.rule.source:
                seen.take_message(code_in(place.find(sample.values)))

    def happened(self, one: Happened, sample: Sample) -> None:
        """A rule made a marker of a sample."""
        seen = self.rules[one.rule]
        seen.happened(one)
        if seen.rule.time_from is not None:
            seen.without_time += math.isnan(number_in(Place(seen.rule.time_from).find(sample.values)))
        self._fired = self._fired or one.kind == "trigger"

    def faults(self) -> list[str]:
        """What cannot be right."""
        found = [fault for column in self.columns.values() for fault in column.faults()]
        found += [fault for seen in self.rules for fault in seen.faults()]
        found += [fault for unseen, unlisted, source in self._codes() if (fault := _mistyped(unseen, unlisted, source))]
        unknown = {code: count for code, count in self._groups.items() if code not in (self._run.groups or {})}
        if unknown:
            found.append(
                f"{self._run.group_from} is {listed(list(unknown)[:6], 'and')}, which [run.groups] does not list: the "
                "group is not said."
            )
        return found

    def look_at(self) -> list[str]:
        """What may be right, and should be looked at."""
        found = [one for column in self.columns.values() for one in column.look_at()]
        found += [one for seen in self.rules for one in seen.look_at()]
        for unseen, unlisted, source in self._codes():
            if unlisted and not _mistyped(unseen, unlisted, source):
                codes = ", ".join(f"{quoted(code)} ({count}×)" for code, count in list(unlisted.items())[:6])
                found.append(f"{source} was also {codes}, which no [[marker]] lists.")
        return found

    def _codes(self) -> Iterator[tuple[dict[str, RuleSeen], Mapping[str, int], str]]:
        """For each watched code: the codes that never came, with their rule, and those that no rule lists."""
        by_source: dict[tuple[str, int | None, str | None], list[RuleSeen]] = {}
        for seen in self.rules:
            rule = seen.rule
            if (rule.when in ("becomes", "changes") or rule.becomes is not None) and not seen.is_wide:
                by_source.setdefault((rule.source, rule.mask, rule.topic), []).append(seen)
        for (source, _, _), rules in by_source.items():
            waits = {code: seen for seen in rules for code in seen.listed_codes}
            takes_any = any(seen.rule.when == "changes" and seen.rule.names is None for seen in rules)
            came: dict[str, int] = {}
            resting: set[str] = set()
            for seen in rules:
                came |= seen.codes
                resting |= seen.resting
            unseen = {code: seen for code, seen in waits.items() if code not in came}
            unlisted = {
                code: count
                for code, count in came.items()
                if code not in waits and code not in resting and code not in _DOWN and not takes_any
            }
            yield unseen, unlisted, source


def _mistyped(unseen: Mapping[str, RuleSeen], unlisted: Mapping[str, int], source: str) -> str:
    """That a code of the map never came, while another one came that it does not have: one that is written much alike,
    or the code of a trigger, since a trigger that is not seen to fire is a lost participant."""
    pairs = [(code, meant) for code in unlisted if (meant := closest(code, unseen)) is not None]
    if not unlisted or not (pairs or any(seen.rule.kind == "trigger" for seen in unseen.values())):
        return ""
    codes = listed(list(unlisted)[:6], "and")
    never = listed(list(unseen)[:6], "and")
    hint = f" Is {quoted(pairs[0][1])} meant to be {quoted(pairs[0][0])}?" if pairs else ""
    numbers = ", ".join(str(one) for one in sorted({seen.number for seen in unseen.values()}))
    return f"marker {numbers}: {source} was never {never}, and it was {codes}, which no [[marker]] lists.{hint}"


def _readings(channels: ChannelMap) -> Iterator[tuple[str, Reading, bool]]:
    """Every reading of single values, what it is for, and whether it is of a vehicle that comes and goes."""
    yield "time", channels.time, False
    if channels.own is not None:
        for name, reading in channels.own.channels.items():
            yield f"own {name}", reading, isinstance(channels.source, OsiSource)  # which gives what it has
    for vehicle in channels.vehicles:
        for name, reading in vehicle.parts.channels.items():
            yield f"{vehicle.name or vehicle.id} {name}", reading, True
    for name, signal in channels.signals.items():
        yield name, signal.reading, False

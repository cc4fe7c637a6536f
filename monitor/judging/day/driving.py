"""How long a participant has driven, since the start of the day and since the last break, against the study's limits.

Driving is the time of the frames; a break is a standstill (a pause, or the time between two drives or runs) of at least
so many minutes by the recorder's clock, within a record by the one that never steps: a wall clock that is set forward
gives nobody a break. The numbers only remind: nothing is stopped by them (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.feed.marker_kinds import KINDS
from monitor.judging.case.drive import DriveLog
from monitor.study.day.model import Limits

COARSE_S = 300.0
"""What is told of a drive whose response is hidden is told no finer: how long it took tells of the response."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Driven without a standstill: from and to (seconds since 1970), and how long by the frames, s."""

    began: float
    ended: float
    driven_s: float

    def coarse(self) -> Stretch:
        """No finer than `COARSE_S`, and never shorter."""
        driven_s = COARSE_S * math.ceil(self.driven_s / COARSE_S)
        began = 60.0 * math.floor(self.began / 60.0)
        return Stretch(began, began + driven_s, driven_s)


@dataclass(frozen=True, slots=True)
class Driven:
    """Minutes driven. `since`: when what counts since the last break began, seconds since 1970."""

    total_min: float
    since_break_min: float
    since: float
    began: float


@dataclass(frozen=True, slots=True)
class Due:
    """A limit that is near or passed. `left_min` is negative behind it."""

    about: str
    """ "break" or "total"."""
    left_min: float
    driven_min: float
    limit_min: float
    since: float

    @property
    def level(self) -> str:
        """ "near" or "over"."""
        return "over" if self.left_min <= 0.0 else "near"

    @property
    def short(self) -> str:
        """For the state line."""
        minutes = f"{abs(self.left_min):.0f} min"
        what = "BREAK" if self.about == "break" else "DAY'S LIMIT"
        if self.level == "near":
            return f"{what} in {minutes}" if self.left_min >= 0.5 else f"{what} now"
        return f"{what} due" if abs(self.left_min) < 0.5 else f"{what} due {minutes}"

    @property
    def sentence(self) -> str:
        """What was driven against the limit."""
        since = "since the last break" if self.about == "break" else "today"
        return f"{self.driven_min:.0f} min driven {since}, the study's limit is {self.limit_min:g} min"


def stretches_of(drives: Iterable[DriveLog]) -> list[Stretch]:
    """What was driven in a record so far, in order."""
    clock = _SteadyClock()
    return [one for log in drives for one in _stretches(log, clock)]


@dataclass(slots=True)
class _SteadyClock:
    """Seconds since 1970 as the wall clock had them first, and from there on by the boot clock. Where the machine was
    started again in between that begins anew, and there is nothing but the wall clock."""

    _from_wall: float = 0.0
    _from_ns: float = math.inf

    def at(self, wall: float, ns: int) -> float:
        """The time at a message by both of its clocks."""
        if ns < self._from_ns:
            self._from_wall, self._from_ns = wall, ns
        return self._from_wall + (ns - self._from_ns) / 1e9


def _stretches(log: DriveLog, clock: _SteadyClock) -> Iterator[Stretch]:
    """A drive, cut where it was paused. It begins when its `run_start` came in, else with its first hello."""
    if not log.counts.judged:
        return
    markers = sorted(log.markers.values(), key=lambda one: one.n)
    start = next((one for one in markers if one.kind == "run_start"), None)
    first = (log.hello_wall, log.hello_ns) if start is None else (start.wall, start.monotonic_ns)
    began = clock.at(*first)
    from_t, holds = log.first_t, False
    for marker in markers:
        hold = KINDS[marker.kind].holds
        if hold is True and not holds:
            driven_s = max(0.0, marker.t - from_t)
            yield Stretch(began, max(clock.at(marker.wall, marker.monotonic_ns), began), driven_s)
        elif hold is False and holds:
            began, from_t = clock.at(marker.wall, marker.monotonic_ns), marker.t
        holds = holds if hold is None else hold
    if not holds:
        driven_s = max(0.0, log.newest_t - from_t)
        yield Stretch(began, began + driven_s, driven_s)


def stretches_from(values: Sequence[Any]) -> tuple[Stretch, ...]:
    """Stretches as an entry has them, [began, ended, driven]; what is no such thing is left out."""
    return tuple(
        Stretch(*map(float, one))
        for one in values
        if isinstance(one, list | tuple) and len(one) == 3 and all(_is_time(value) for value in one)
    )


def _is_time(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def driven(stretches: Sequence[Stretch], limits: Limits) -> Driven | None:
    """Minutes so far; None before anything was driven."""
    if not stretches:
        return None
    since_s, since = 0.0, stretches[0].began
    for before, one in zip([None, *stretches], stretches, strict=False):
        if before is not None and one.began - before.ended >= 60.0 * limits.break_min:
            since_s, since = 0.0, one.began
        since_s += one.driven_s
    total_s = sum(one.driven_s for one in stretches)
    return Driven(total_s / 60.0, since_s / 60.0, since, stretches[0].began)


def due(found: Driven | None, limits: Limits) -> Due | None:
    """The limit that is nearest, where one is near or passed."""
    if found is None:
        return None
    rows = [
        ("break", limits.since_break_min, found.since_break_min, found.since),
        ("total", limits.total_min, found.total_min, found.began),
    ]
    near = [
        Due(about, limit - minutes, minutes, limit, since)
        for about, limit, minutes, since in rows
        if limit is not None and limit - minutes <= limits.near_min
    ]
    return min(near, key=lambda one: one.left_min, default=None)

"""How the clock of one source stands to that of another: told from marks that both have seen, with its uncertainty.

A mark is seen at the first sample after it happened, so a source that samples every r seconds dates it up to r late. So
one pair of marks tells the offset to within half the sum of both, and two pairs or more tell the drift.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

PAIR_WITHIN_S = 1.0
"""Marks of one name belong together if they arrive here within this long."""
MARKS_KEPT = 16
"""Older marks are forgotten, so that a clock whose rate changes is followed."""
DRIFT_AT_MOST = 1e-3
"""Seconds a second: until a second mark has come, the clocks may drift apart by this much. A computer's clock is off by
at most a tenth of it; a simulation that runs slower than real time by more than this is no real-time simulation (common
practice, no source)."""


@dataclass(frozen=True, slots=True)
class Pair:
    """A mark that both saw: at `first_t` by the clock of the first source, at `second_t` by that of the second."""

    first_t: float
    second_t: float


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """first time = second time + offset. `corners`: of all the offsets at `at_t` and drifts that fit the marks."""

    at_t: float
    corners: tuple[tuple[float, float], ...]
    """Offset in s and drift in s/s; what is between them fits, too."""
    even: bool
    """False where no offset and drift fit the marks as they were dated, and the marks were given more room."""

    def at(self, second_t: float) -> tuple[float, float]:
        """The offset at a time of the second clock, and how far it may be off."""
        possible = [offset + drift * (second_t - self.at_t) for offset, drift in self.corners]
        least, most = min(possible), max(possible)
        return (least + most) / 2, (most - least) / 2


def estimate_offset(pairs: Sequence[Pair], first_step_s: float, second_step_s: float) -> ClockOffset | None:
    """The offset that the pairs tell; None without any. `…_step_s`: the time from sample to sample of each source.

    Each mark was dated up to a step late on either side, so the offset there lies in a range as wide as both steps; and
    the drift is at most `DRIFT_AT_MOST`. Whatever fits all of it is possible, and nothing else is.
    """
    if not pairs:
        return None
    half = (first_step_s + second_step_s) / 2
    middle = (second_step_s - first_step_s) / 2
    at_t = sum(pair.second_t for pair in pairs) / len(pairs)
    marks = [(pair.second_t - at_t, pair.first_t - pair.second_t + middle) for pair in pairs]
    room = half
    corners = _fitting(marks, room)
    while not corners:  # the clocks do not run evenly: nobody knows how in between, so every mark gets more room
        room = 1.5 * room + 1e-3
        corners = _fitting(marks, room)
    return ClockOffset(at_t, corners, even=room == half)


def _fitting(marks: Sequence[tuple[float, float]], room: float) -> tuple[tuple[float, float], ...]:
    """Corners of the offsets and drifts that pass each mark (time, offset) within `room`; empty where none do."""
    reach = max(abs(t) for t, _ in marks) * DRIFT_AT_MOST + room + 1.0
    low, high = min(one for _, one in marks) - reach, max(one for _, one in marks) + reach
    corners = [(low, -DRIFT_AT_MOST), (high, -DRIFT_AT_MOST), (high, DRIFT_AT_MOST), (low, DRIFT_AT_MOST)]
    for t, offset in marks:
        for sign in (1.0, -1.0):
            # sign · (a + b·t − offset) ≤ room
            corners = _cut(corners, sign, sign * t, sign * offset + room)
    return tuple(corners)


def _cut(corners: list[tuple[float, float]], a: float, b: float, most: float) -> list[tuple[float, float]]:
    """The part of a convex polygon in which a·x + b·y ≤ most."""
    kept = []
    for index, here in enumerate(corners):
        there = corners[(index + 1) % len(corners)]
        inside, next_inside = (a * one[0] + b * one[1] - most for one in (here, there))
        if inside <= 0:
            kept.append(here)
        if inside * next_inside < 0:
            share = inside / (inside - next_inside)
            kept.append((here[0] + share * (there[0] - here[0]), here[1] + share * (there[1] - here[1])))
    return kept


@dataclass(slots=True)
class SyncMarks:
    """Pairs up the sync marks of two sources as they arrive."""

    pairs: deque[Pair] = field(default_factory=lambda: deque(maxlen=MARKS_KEPT))
    _first: deque[tuple[str, float, float]] = field(default_factory=lambda: deque(maxlen=MARKS_KEPT))
    _second: deque[tuple[str, float, float]] = field(default_factory=lambda: deque(maxlen=MARKS_KEPT))

    def first(self, name: str, t: float, arrived_s: float) -> None:
        """A mark of the first source."""
        partner = _taken(self._second, name, arrived_s)
        if partner is None:
            self._first.append((name, t, arrived_s))
        else:
            self.pairs.append(Pair(t, partner))

    def second(self, name: str, t: float, arrived_s: float) -> None:
        """A mark of the second source."""
        partner = _taken(self._first, name, arrived_s)
        if partner is None:
            self._second.append((name, t, arrived_s))
        else:
            self.pairs.append(Pair(partner, t))

    def clear(self) -> None:
        """One of the clocks began anew."""
        self.pairs.clear()
        self._first.clear()
        self._second.clear()


def _taken(waiting: deque[tuple[str, float, float]], name: str, arrived_s: float) -> float | None:
    """The time of the mark of this name that arrived nearest, taken out; None where none arrived within a second."""
    near = [one for one in waiting if one[0] == name and abs(one[2] - arrived_s) <= PAIR_WITHIN_S]
    if not near:
        return None
    best = min(near, key=lambda one: abs(one[2] - arrived_s))
    waiting.remove(best)
    return best[1]

"""How the clock of one source stands to that of another: told from marks that both have seen, with its uncertainty.

A mark is seen at the first sample after it happened, so a source that samples every r seconds dates it up to r late. So
one pair of marks tells the offset to within half the sum of both, and two pairs or more tell the drift.

A source that knows its clock against the clock of receipt (`Told`, as the lab streaming layer measures it) needs no
marks: what the receipt of the first source's frames says of its clock is the second half of the way.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

PAIR_WITHIN_S = 1.0
"""Marks of one name belong together if they arrive here within this long."""
APART = 2.0
"""See `pair_marks`."""
TOLD_WITHIN_S = 3.0
"""What a source said of its clock stands for this long; it says it once a second."""
ON_ITS_WAY_S = 0.002
"""From a frame's instant to its receipt beyond one period: a hop of a local network (common practice, no source)."""
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
    off_by_s: float | None = None
    """How far the difference may be off; None: as far as both sampling steps date a mark late."""


@dataclass(frozen=True, slots=True)
class Told:
    """What a source says of its own clock: receipt time = its time + `offset_s`, ± `uncertainty_s`, at `arrived_s`."""

    offset_s: float
    uncertainty_s: float
    arrived_s: float
    number: int = 0
    """The entry of the record that it came in."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """An instant of receipt at which the first source's time was known to be from `least_t` to `most_t`."""

    arrived_s: float
    least_t: float
    most_t: float
    number: int = 0


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """first time = second time + offset. `corners`: of all the offsets at `at_t` and drifts that fit the marks."""

    at_t: float
    corners: tuple[tuple[float, float], ...]
    """Offset in s and drift in s/s; what is between them fits, too."""
    even: bool
    """False where no offset and drift fit the marks as they were dated, and the marks were given more room."""
    more_s: float = 0.0
    """How far the offset may be from all that fits: where the clocks do not run evenly, by all the room given."""

    def at(self, second_t: float) -> tuple[float, float]:
        """The offset at a time of the second clock, and how far it may be off."""
        possible = [offset + drift * (second_t - self.at_t) for offset, drift in self.corners]
        least, most = min(possible), max(possible)
        return (least + most) / 2, (most - least) / 2 + self.more_s

    def second_at(self, first_t: float) -> tuple[float, float]:
        """The time of the second clock at a time of the first one, and how far it may be off.

        Begun at the marks, because the clocks may be a billion seconds apart: taken there for a time of the second
        clock, a time of the first one would be thirty years from every mark.
        """
        second_t, off_by = first_t - self.at(self.at_t)[0], 0.0
        for _ in range(2):  # the drift is at most 1e-3: each turn leaves a thousandth of the error
            offset, off_by = self.at(second_t)
            second_t = first_t - offset
        return second_t, off_by


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
    marks = [
        (
            pair.second_t - at_t,
            pair.first_t - pair.second_t + (middle if pair.off_by_s is None else 0.0),
            half if pair.off_by_s is None else pair.off_by_s,
        )
        for pair in pairs
    ]
    more_s = 0.0
    corners = _fitting(marks, more_s)
    while not corners:  # the clocks do not run evenly: nobody knows how in between, so every mark gets more room
        more_s = 1.5 * more_s + 0.5 * half + 1e-3
        corners = _fitting(marks, more_s)
    widest = max(room for _, _, room in marks)
    return ClockOffset(at_t, corners, not more_s, more_s + 2.0 * widest if more_s else 0.0)


def _fitting(marks: Sequence[tuple[float, float, float]], more_s: float) -> tuple[tuple[float, float], ...]:
    """Corners of the offsets and drifts that pass each mark (time, offset, room) within its room and so much more;
    empty where none do."""
    room = max(one for _, _, one in marks) + more_s
    reach = max(abs(t) for t, _, _ in marks) * DRIFT_AT_MOST + room + 1.0
    low, high = min(one for _, one, _ in marks) - reach, max(one for _, one, _ in marks) + reach
    corners = [(low, -DRIFT_AT_MOST), (high, -DRIFT_AT_MOST), (high, DRIFT_AT_MOST), (low, DRIFT_AT_MOST)]
    for t, offset, own_room in marks:
        for sign in (1.0, -1.0):
            # sign · (a + b·t − offset) ≤ room
            corners = _cut(corners, sign, sign * t, sign * offset + own_room + more_s)
    return tuple(corners)


def receipt_clock_s() -> float:
    """The clock of receipt of this machine, in seconds: that by which a recorder here dates what comes in."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


def receipt_pairs(receipts: Sequence[Receipt], told: Sequence[Told]) -> list[Pair]:
    """The pairs that come of what a source says of its clock: at each receipt of the first source, by what the second
    said nearest to it. Their uncertainties are added, with the drift of a clock in between."""
    pairs = []
    for receipt in receipts:
        near = min(told, key=lambda one: abs(one.arrived_s - receipt.arrived_s), default=None)
        if near is None or abs(near.arrived_s - receipt.arrived_s) > TOLD_WITHIN_S:
            continue
        drift_s = DRIFT_AT_MOST * abs(near.arrived_s - receipt.arrived_s)
        pairs.append(
            Pair(
                (receipt.least_t + receipt.most_t) / 2,
                receipt.arrived_s - near.offset_s,
                (receipt.most_t - receipt.least_t) / 2 + near.uncertainty_s + drift_s,
            )
        )
    return pairs


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


@dataclass(frozen=True, slots=True)
class Mark:
    """A sync mark: its name, its time by the clock of its source, and when it arrived here (seconds of one clock)."""

    name: str
    t: float
    arrived_s: float
    number: int = 0
    """The entry of the record that it came in."""


def pair_marks(firsts: Sequence[Mark], seconds: Sequence[Mark]) -> list[Pair]:
    """The marks that belong together, in order: of one name, each the nearest to the other by arrival.

    Where another one of that name arrived less than `APART` times as far off, nothing is believed: with a mark of one
    side lost, or the other one late, a wrong pair would look like a right one.
    """
    pairs = []
    for second in seconds:
        near = _near(second, firsts)
        if near is not None and _near(near, seconds) is second:
            pairs.append(Pair(near.t, second.t))
    return pairs


def _near(mark: Mark, others: Sequence[Mark]) -> Mark | None:
    """The other side's mark that arrived nearest, where that is near enough and no other one nearly as near."""
    found = [(abs(one.arrived_s - mark.arrived_s), one) for one in others if one.name == mark.name]
    found.sort(key=lambda one: one[0])
    if not found or found[0][0] > PAIR_WITHIN_S:
        return None
    if len(found) > 1 and found[1][0] < APART * found[0][0]:
        return None
    return found[0][1]


@dataclass(slots=True)
class SyncMarks:
    """The sync marks of two sources as they arrive, the last ones of each."""

    firsts: deque[Mark] = field(default_factory=lambda: deque(maxlen=MARKS_KEPT))
    seconds: deque[Mark] = field(default_factory=lambda: deque(maxlen=MARKS_KEPT))

    @property
    def pairs(self) -> list[Pair]:
        """The marks that belong together so far."""
        return pair_marks(self.firsts, self.seconds)

    def first(self, name: str, t: float, arrived_s: float) -> None:
        """A mark of the first source."""
        self.firsts.append(Mark(name, t, arrived_s))

    def second(self, name: str, t: float, arrived_s: float) -> None:
        """A mark of the second source."""
        self.seconds.append(Mark(name, t, arrived_s))

    def clear(self) -> None:
        """One of the clocks began anew."""
        self.firsts.clear()
        self.seconds.clear()

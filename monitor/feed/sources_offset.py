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
    """first time = second time + offset; the offset is that at `at_t` (second clock), and changes by `drift`."""

    at_t: float
    offset_s: float
    drift: float
    half_width_s: float
    """How far the offset may be off at the marks."""
    drift_half_width: float
    from_t: float
    to_t: float
    """The marks lie between these times of the second clock; beyond them the drift's uncertainty adds up."""

    def at(self, second_t: float) -> tuple[float, float]:
        """The offset at a time of the second clock, and how far it may be off."""
        beyond = max(self.from_t - second_t, second_t - self.to_t, 0.0)
        offset = self.offset_s + self.drift * (second_t - self.at_t)
        return offset, self.half_width_s + beyond * self.drift_half_width


def estimate_offset(pairs: Sequence[Pair], first_step_s: float, second_step_s: float) -> ClockOffset | None:
    """The offset that the pairs tell; None without any. `…_step_s`: the time from sample to sample of each source."""
    if not pairs:
        return None
    half = (first_step_s + second_step_s) / 2
    middle = (second_step_s - first_step_s) / 2
    times = [pair.second_t for pair in pairs]
    offsets = [pair.first_t - pair.second_t + middle for pair in pairs]
    count = len(pairs)
    at = sum(times) / count
    mean = sum(offsets) / count
    span = max(times) - min(times)
    if span <= 0:
        return ClockOffset(at, mean, 0.0, half, DRIFT_AT_MOST, min(times), max(times))
    spread = sum((t - at) ** 2 for t in times)
    drift = sum((t - at) * (one - mean) for t, one in zip(times, offsets, strict=True)) / spread
    worst = max(abs(one - mean - drift * (t - at)) for t, one in zip(times, offsets, strict=True))
    # Marks further off the line than sampling explains: the clocks do not run evenly, and nobody knows how in between.
    uneven = max(worst - half, 0.0)
    width = half + uneven
    return ClockOffset(at, mean, drift, width, min(2 * width / span, DRIFT_AT_MOST), min(times), max(times))


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

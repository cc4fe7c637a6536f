"""Where a replay stands by the clock. The place is worked out from the instant at which playing began, never added up,
so that it does not drift however seldom it is asked for."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

SLOWEST, FASTEST = 0.1, 60.0


@dataclass(frozen=True, slots=True)
class Loop:
    """Playing goes round from `start_s` to `end_s`, seconds of the record."""

    start_s: float
    end_s: float


class PlayClock:
    """Place in seconds of the record, speed in times recorded time."""

    def __init__(self, length_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.length_s = length_s
        self.speed = 1.0
        self.loop: Loop | None = None
        self._clock = clock
        self._from_s = 0.0
        self._since: float | None = None

    def at_s(self) -> float:
        """The place now."""
        if self._since is None:
            return self._from_s
        at_s = self._from_s + (self._clock() - self._since) * self.speed
        loop = self.loop
        if loop is not None and at_s > loop.end_s:
            return loop.start_s + (at_s - loop.start_s) % max(loop.end_s - loop.start_s, 0.1)
        return min(at_s, self.length_s)

    @property
    def playing(self) -> bool:
        """Whether the place moves: False when paused, and at the record's end."""
        return self._since is not None and (self.loop is not None or self.at_s() < self.length_s)

    def play(self) -> None:
        """Goes on from here; from the record's start where it has come to its end."""
        at_s = self.at_s()
        self._start(0.0 if at_s >= self.length_s and self.loop is None else at_s)

    def pause(self) -> None:
        """Stands still here."""
        self._from_s, self._since = self.at_s(), None

    def go(self, at_s: float) -> None:
        """Goes to a place, clipped to the record, and plays on if it was playing. A loop that it leaves ends."""
        at_s = min(max(at_s, 0.0), self.length_s)
        if self.loop is not None and not self.loop.start_s <= at_s <= self.loop.end_s:
            self.loop = None
        if self._since is None:
            self._from_s = at_s
        else:
            self._start(at_s)

    def set_speed(self, speed: float) -> None:
        """Times recorded time, clipped to 0.1 … 60."""
        at_s, playing = self.at_s(), self._since is not None
        self.speed = min(max(speed, SLOWEST), FASTEST)
        if playing:
            self._start(at_s)

    def go_round(self, loop: Loop | None) -> None:
        """Plays round a stretch of the record, from its start; None plays on from here without it."""
        at_s, playing = self.at_s(), self._since is not None
        self.loop = loop
        if loop is not None:
            self._start(loop.start_s)
        elif playing:
            self._start(at_s)

    def _start(self, at_s: float) -> None:
        self._from_s, self._since = at_s, self._clock()

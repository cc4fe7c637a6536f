"""How fast simulated time goes on by the recorder's clock: twice a second, a judged frame and when it was received.

A frame may be received late and never early. So what simulated time fell behind by is told by the frames that came
soonest at either end of a while, and a stall on our side, which is made up for, is none.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from monitor.measures.columns import FloatArray, FrameBlock, IntArray

EVERY_S = 0.5
"""Of simulated time, from one frame that is looked at to the next."""

ENDS = 6
"""Of so many frames at either end the one that came soonest tells: a stall of ours of three seconds is let pass."""

LEAST_S = 3.0
"""Over less time, in seconds of the recorder's clock, nothing is said: a frame may come a tenth of a second late."""


OFF_PACE, NOBODY_DRIVES = 0.1, 1.5
"""A tenth is more than a busy machine falls behind by for good, and the motion that is shown then is slow motion; so
many times real time is a test, with nobody in the seat (common practice, no source)."""


def is_off_pace(factor: float) -> bool:
    """Whether a simulation at so many times its pace shows slow or fast motion to a person."""
    return factor < 1.0 - OFF_PACE or 1.0 + OFF_PACE < factor < NOBODY_DRIVES


def real_time_factor(t: FloatArray, received_s: FloatArray) -> float | None:
    """Simulated seconds a second of the recorder's clock, by the frames that came soonest in the first third and in the
    last one; None where there are too few."""
    third = len(t) // 3
    if third < 2 or received_s[-1] - received_s[0] < LEAST_S:
        return None
    late_s = received_s - t
    first, last = int(late_s[:third].argmin()), len(t) - third + int(late_s[-third:].argmin())
    return float((t[last] - t[first]) / (received_s[last] - received_s[first]))


@dataclass(frozen=True, slots=True)
class Beat:
    """A frame: its entry, its time, and when it was received (seconds of the recorder's monotonic clock)."""

    number: int
    t: float
    received_s: float


@dataclass(frozen=True, slots=True)
class Went:
    """Simulated time from `from_t` on: it went on by `went_s` while `took_s` passed."""

    from_t: float
    went_s: float
    took_s: float


@dataclass(slots=True)
class Pacing:
    """The beats of a drive, growing. `pace`: what the run's opening says, None where receipt tells nothing."""

    pace: float | None
    beats: deque[Beat] = field(default_factory=deque)
    _due_t: float = -math.inf
    _went_s: float = 0.0
    _took_s: float = 0.0

    def fork(self) -> Pacing:
        """The same, to go on from alone."""
        return Pacing(self.pace, deque(self.beats), self._due_t, self._went_s, self._took_s)

    def take(
        self, frames: FrameBlock, received_ns: Callable[[int], int], is_paused: Callable[[float, float], bool]
    ) -> None:
        """Judged frames; `received_ns` of an entry's number, `is_paused` between two times: that is no slow motion."""
        t = frames.t
        while len(t) and t[-1] >= self._due_t:
            at = int(t.searchsorted(self._due_t))
            number = int(frames.number[at])
            beat = Beat(number, float(t[at]), received_ns(number) / 1e9)
            if self.beats and not is_paused(self.beats[-1].t, beat.t):
                self._went_s += beat.t - self.beats[-1].t
                self._took_s += beat.received_s - self.beats[-1].received_s
            self.beats.append(beat)
            # a time so large that half a second is nothing to it must not be looked at for ever
            self._due_t = max(beat.t + EVERY_S, math.nextafter(beat.t, math.inf))

    def trim(self, first_t: float) -> None:
        """Lets go of beats before a time."""
        while len(self.beats) > 1 and self.beats[0].t < first_t:
            self.beats.popleft()

    @property
    def factor(self) -> float | None:
        """Simulated seconds a second of the recorder's clock, over the drive so far; None where nothing tells it."""
        return self._went_s / self._took_s if self.pace is not None and self._took_s >= LEAST_S else None

    def recently(self, over_s: float = 5.0) -> float | None:
        """The same over the last seconds of the recorder's clock."""
        if self.pace is None or len(self.beats) < 2:
            return None
        last = self.beats[-1]
        first = next(one for one in self.beats if one.received_s >= last.received_s - over_s)
        took_s = last.received_s - first.received_s
        return (last.t - first.t) / took_s if took_s >= LEAST_S else None

    def since(self, from_t: float, number: int) -> Went | None:
        """How simulated time went on from a time to an entry; None where that cannot be told."""
        if self.pace is None:
            return None
        within = [one for one in self.beats if from_t <= one.t and one.number <= number]
        ends = min(len(within) // 3, ENDS)
        if ends < 2 or within[-1].received_s - within[0].received_s < LEAST_S:
            return None

        def late_s(beat: Beat) -> float:
            assert self.pace is not None
            return beat.received_s - beat.t / self.pace

        first, last = min(within[:ends], key=late_s), min(within[-ends:], key=late_s)
        return Went(first.t, (last.t - first.t) / self.pace, last.received_s - first.received_s)


def by_number(numbers: Sequence[int] | IntArray, received_ns: Sequence[int] | IntArray) -> Callable[[int], int]:
    """When an entry was received, by the numbers of entries in order."""
    return lambda number: int(received_ns[bisect_left(numbers, number)])

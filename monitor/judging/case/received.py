"""What a drive remembers of the messages that came in: markers, losses, counts, each with its entry in the record."""

from __future__ import annotations

from array import array
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

MARKER_DELAY_S = 2.0
"""A marker may be this much older than frames already received (contract of the feed)."""


@dataclass(frozen=True, slots=True)
class ReceivedMarker:
    """A marker with where it stood in the record."""

    n: int
    t: float
    kind: str
    name: str
    data: dict[str, Any]
    number: int
    """Entry that it came in; for a marker found only in `recent`, the entry of that hello."""
    newest_t: float
    """Time of the newest judged frame when it came; NaN before the first."""
    wall: float
    """Wall clock of the recorder when it came, seconds since 1970: a label only."""
    recovered: bool
    """True where it was found only in `recent`."""
    monotonic_ns: int = 0
    """Boot clock of the recorder's machine when it came."""

    @property
    def not_before(self) -> float:
        """The earliest time at which it may have happened: `t`, unless its sender says that it saw only between which
        two frames it did."""
        earliest = self.data.get("not_before")
        if isinstance(earliest, bool) or not isinstance(earliest, int | float) or not earliest <= self.t:
            return self.t
        return float(earliest)

    @property
    def late(self) -> bool:
        """Whether it came later than the feed's contract allows."""
        return self.newest_t - self.t > MARKER_DELAY_S


@dataclass(frozen=True, slots=True)
class Loss:
    """Frames missing between two received ones, at `after_t` and `before_t`; told by the entry `number`. Where the
    frames' numbers were set back, `count` is 0 and `before_t` infinite until they go on."""

    after_t: float
    before_t: float
    count: int
    number: int

    def touches(self, start_t: float, end_t: float) -> bool:
        """Whether the open interval between the two received frames meets a window."""
        return self.after_t < end_t and self.before_t > start_t


@dataclass(slots=True)
class Unseen:
    """Times of a run without frames, each with the entry that told it. They are kept for all of the run, and as plain
    numbers: where every second frame is lost, at 60 Hz for eight hours, they are 20 MB."""

    _after_t: array[float] = field(default_factory=lambda: array("d"))
    _before_t: array[float] = field(default_factory=lambda: array("d"))
    _number: array[int] = field(default_factory=lambda: array("q"))

    def fork(self) -> Unseen:
        """The same, to go on from alone."""
        return Unseen(self._after_t[:], self._before_t[:], self._number[:])

    def add(self, loss: Loss) -> None:
        """The next one."""
        self._after_t.append(loss.after_t)
        self._before_t.append(loss.before_t)
        self._number.append(loss.number)

    def first_in(self, start_t: float, end_t: float, number: int) -> tuple[float, float] | None:
        """The times of the frames about the first one that meets a window, as of entry `number`; None for none."""
        known = bisect_right(self._number, number)
        after_t, before_t = np.asarray(self._after_t)[:known], np.asarray(self._before_t)[:known]
        touching = np.flatnonzero((after_t < end_t) & (before_t > start_t))
        return (float(after_t[touching[0]]), float(before_t[touching[0]])) if len(touching) else None


@dataclass(frozen=True, slots=True)
class CountStep:
    """The frames' count of markers rose: markers `first_n` … `last_n` were sent between two judged frames."""

    first_n: int
    last_n: int
    after_t: float
    before_t: float
    number: int


@dataclass(frozen=True, slots=True)
class SetBack:
    """The frames' numbers, or their clock, went back from `before` to `to`, after the frame of `after_t`."""

    what: Literal["numbers", "clock"]
    after_t: float
    to: float
    before: float
    number: int


@dataclass(slots=True)
class FeedCounts:
    """What came in, counted."""

    frames: int = 0
    judged: int = 0
    lost: int = 0
    duplicates: int = 0
    out_of_order: int = 0
    repeated_time: int = 0
    before_hello: int = 0

"""The time since a marker of the feed: another event, another trigger, the trigger's own last fire."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import islice

import numpy as np

from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import ReceivedMarker
from monitor.measures.columns import FloatArray, IntArray
from monitor.measures.measured import Measured, State, measured
from monitor.study.terms import Event

SLACK_FRAMES = 0.1
"""A marker this close before a frame, in periods, is of that frame: no time has passed since it."""


def is_of(event: Event, marker: ReceivedMarker) -> bool:
    """Whether a marker is one of the event's."""
    return marker.kind == event.kind and event.name in (None, marker.name)


def time_since(
    log: DriveLog | None, event: Event, t: FloatArray, number: int, *, not_at: float | None = None
) -> Measured:
    """Seconds since the last such marker strictly before each frame time, as of entry `number`; shape (n,).

    "Not yet" before the first one; not measured where a lost marker may have been one since. A marker at `not_at` (the
    trial's own fire) does not count.
    """
    if log is None:
        return measured(np.full(len(t), np.nan))
    slack = SLACK_FRAMES * log.period_s
    times = sorted(
        marker.t
        for marker in log.known_markers(number)
        if is_of(event, marker) and (not_at is None or abs(marker.t - not_at) > slack)
    )
    told = np.array([-np.inf, *times])
    last = told[np.searchsorted(told[1:], t - slack, side="left")]
    unsure = np.zeros(len(t), dtype=bool)
    for step in log.lost_markers(number):
        unsure |= (step.after_t < t) & (step.before_t > last)
    return _elapsed(t, last, unsure)


@dataclass(slots=True)
class MarkersAsTheyCame:
    """The markers of an event in the order in which they came, for a rule that follows a drive frame by frame."""

    _event: Event
    _seen: int = 0
    _numbers: list[int] = field(default_factory=list)
    _latest: list[float] = field(default_factory=list)

    def time_since(self, log: DriveLog | None, t: FloatArray, number: IntArray) -> Measured:
        """Seconds since the last marker before each frame that had come before it did (entry `number`); shape (n,)."""
        if log is None:
            return measured(np.full(len(t), np.nan))
        for marker in islice(log.markers.values(), self._seen, None):
            self._seen += 1
            if is_of(self._event, marker):
                self._numbers.append(marker.number)
                self._latest.append(max(marker.t, self._latest[-1]) if self._latest else marker.t)
        latest = np.array([-np.inf, *self._latest])
        come = np.searchsorted(np.array(self._numbers, np.int64), number, side="left")
        before = np.searchsorted(latest[1:], t - SLACK_FRAMES * log.period_s, side="left")
        return _elapsed(t, latest[np.minimum(come, before)], np.zeros(len(t), dtype=bool))


def _elapsed(t: FloatArray, last: FloatArray, unsure: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Measured:
    never = np.isneginf(last)
    elapsed = np.where(never | unsure, np.nan, t - np.where(never, 0.0, last))
    return measured(elapsed, (unsure, State.NOT_MEASURED), (never, State.NOT_YET))

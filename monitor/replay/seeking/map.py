"""What one pass over a record leaves for a replay: done trials, places to jump to, and checkpoints to go on from."""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np

from monitor.archive.record_pass import Step
from monitor.judging.session import Checkpoint, Session, Track
from monitor.judging.tracks.track import TrackKey
from monitor.measures.columns import FloatArray
from monitor.record.entries import Entry, EntryKind
from monitor.replay.lines.line import ConditionLine
from monitor.study.model import Study

PlaceKind = Literal["trigger", "note", "loss", "finding", "drive"]


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """Receive time as seconds from the record's first message, also across a restart of the recorder's machine."""

    base_ns: int | None = None
    last_ns: int = 0
    last_wall_ns: int = 0

    def after(self, entry: Entry) -> TimeAxis:
        """The axis once this entry has come."""
        if self.base_ns is None:
            known = entry.kind is EntryKind.MESSAGE
            return TimeAxis(entry.monotonic_ns if known else None, entry.monotonic_ns, entry.wall_ns)
        base_ns = self.base_ns
        if entry.monotonic_ns < self.last_ns:
            # another boot clock: the wall clock tells how long it took, unless that one was set back, too
            base_ns = entry.monotonic_ns - (self.last_ns - base_ns) - max(entry.wall_ns - self.last_wall_ns, 0)
        return TimeAxis(base_ns, entry.monotonic_ns, entry.wall_ns)

    def through(self, step: Step) -> tuple[TimeAxis, FloatArray]:
        """The axis once all entries of a step have come, and the seconds of each, shape (n,)."""
        count = len(step.number)
        base_ns = np.zeros(count, np.int64)
        known_ns, first = self.base_ns, 0
        if known_ns is None:
            first = count if step.first_message is None else step.first_message
            known_ns = None if step.first_message is None else int(step.monotonic_ns[first])
        before_ns = np.concatenate([[self.last_ns], step.monotonic_ns[:-1]])
        wall_before_ns = np.concatenate([[self.last_wall_ns], step.wall_ns[:-1]])
        if known_ns is not None:
            base_ns[first:] = known_ns
            for place in np.flatnonzero(step.monotonic_ns < before_ns).tolist():
                if place > first or self.base_ns is not None:
                    # another boot clock: the wall clock tells how long it took, unless that one was set back, too
                    passed_ns = max(int(step.wall_ns[place] - wall_before_ns[place]), 0)
                    known_ns = int(step.monotonic_ns[place]) - (int(before_ns[place]) - known_ns) - passed_ns
                    base_ns[place:] = known_ns
        at_s = (step.monotonic_ns - base_ns) / 1e9
        at_s[:first] = 0.0
        return TimeAxis(known_ns, int(step.monotonic_ns[-1]), int(step.wall_ns[-1])), at_s

    @property
    def at_s(self) -> float:
        """Seconds of the last entry; 0 before the first message."""
        return self.seconds_of(self.last_ns)

    def seconds_of(self, monotonic_ns: int) -> float:
        """Seconds of another reading of the same clock."""
        return 0.0 if self.base_ns is None else (monotonic_ns - self.base_ns) / 1e9


@dataclass(frozen=True, slots=True)
class Stop:
    """A place of the record to go on from: the time axis there, the drive and its newest time (NaN before its first
    frame), and the session."""

    axis: TimeAxis
    drive: int
    t: float
    session: Checkpoint

    @property
    def number(self) -> int:
        """The last entry before it."""
        return self.session.number

    @property
    def at_s(self) -> float:
        """Seconds of the record."""
        return self.axis.at_s


def stop_at(session: Session, axis: TimeAxis, *, frames: bool) -> Stop:
    """The place that a session has come to, with all its frames or without."""
    drive = session.current
    index, t = (drive.log.index, drive.log.newest_t) if drive is not None else (0, math.nan)
    return Stop(axis, index, t, session.checkpoint(frames=frames))


@dataclass(frozen=True, slots=True)
class Place:
    """Something to jump to: `at_s` in seconds of the record, `t` in seconds of the drive."""

    kind: PlaceKind
    at_s: float
    drive: int
    t: float
    label: str


@dataclass(slots=True)
class RecordMap:
    """What is known of a record as far as it has been read. Written by one thread, read by others."""

    path: Path
    study: Study
    retain_s: float
    length_s: float
    checkpoints: list[Stop]
    """Without frames."""
    kept: list[Stop] = field(default_factory=list)
    """With all frames: about the fires, and at the end once that is known."""
    read_to_s: float = 0.0
    read_to_number: int = 0
    done: bool = False
    done_tracks: dict[TrackKey, Track] = field(default_factory=dict)
    """Trials that nothing changes any more, with the response."""
    places: list[Place] = field(default_factory=list)
    damage: tuple[str, ...] = ()
    holes: list[tuple[float, int]] = field(default_factory=list)
    """Where entries are missing in the record itself: seconds of the record, and how many."""
    state: str = "open"
    session: Session | None = None
    """The whole record's session, once it has been read."""
    lifted: frozenset[str] = frozenset()
    """Trials of a blind record whose response may be shown, by the record's own entries, wherever the replay stands."""
    lines: dict[tuple[int, str], ConditionLine] = field(default_factory=dict)
    """By drive and trigger: how each condition stood in every frame."""
    times: dict[int, tuple[array[float], array[float]]] = field(default_factory=dict)
    """By drive: seconds of the drive, and seconds of the record at which they were received, every half second."""

    def checkpoint_before(self, at_s: float) -> Stop:
        """The last checkpoint not after a place."""
        return self.checkpoints[max(bisect_right(self.checkpoints, at_s, key=lambda one: one.at_s) - 1, 0)]

    def checkpoint_before_number(self, number: int) -> Stop:
        """The last checkpoint not after an entry."""
        return self.checkpoints[max(bisect_right(self.checkpoints, number, key=lambda one: one.number) - 1, 0)]

    def checkpoint_well_before(self, near: Stop) -> Stop:
        """The last checkpoint from which every window that is still open at `near` is seen whole."""
        index = bisect_right(self.checkpoints, near.number, key=lambda one: one.number) - 1
        while index > 0:
            one = self.checkpoints[index]
            if one.drive < near.drive or np.isnan(one.t) or one.t <= near.t - self.retain_s:
                break
            index -= 1
        return self.checkpoints[index]

    def at_s_of(self, drive: int, t: float) -> float:
        """When the drive's time `t` was received, in seconds of the record."""
        times = self.times.get(drive)
        if times is None or not times[0]:
            return self.read_to_s
        return float(np.interp(t, np.asarray(times[0]), np.asarray(times[1])))

    def surely_after(self, drive: int, t: float) -> float:
        """Seconds of the record by which all frames of a drive up to `t` had been received."""
        times = self.times.get(drive)
        if times is None or not times[0]:
            return self.read_to_s
        return times[1][min(bisect_left(times[0], t), len(times[0]) - 1)]

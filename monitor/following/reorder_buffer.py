"""Entries that wait a little before they are judged, so that a live run is judged in handfuls of frames.

Judging one frame costs nearly as much as judging ten. So frames wait for each other, unless something is being decided:
a marker has come, a trial has fired and is not final, a trigger's rule holds. How entries are put together changes no
trial, so nothing hangs on this but the time.
"""

from __future__ import annotations

from collections.abc import Sequence

from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, pack_frames

HOLD_S = 0.13
"""A frame waits at most so long, a good half of the time that a view of the run stands: all that waits is judged
together with a fire that nobody foresaw, which takes 2 ms for six frames and 3 for twelve."""
ENOUGH_S, AFTER_S = 0.075, 0.003
"""What has waited so long is judged so soon after the next frame: a marker is sent with a frame as a rule, and one that
came just when a handful was begun with waited 2 ms for it."""
HOLD_ENTRIES = 256
"""A record that is being read comes in lists longer than this, and waits for nothing."""

_FRAME, _MARKER = (pack_frames([topic, b""])[:-4] for topic in (b"frame", b"marker"))


class Holding:
    """What was taken in and is not judged yet."""

    def __init__(self) -> None:
        self._entries: list[Entry] = []
        self._since_s = self._due_s = 0.0
        self._pressing = False

    def add(self, entries: Sequence[Entry], now_s: float) -> None:
        """Takes in what has come."""
        if not self._entries:
            self._since_s, self._due_s = now_s, now_s + HOLD_S
        elif entries and now_s >= self._since_s + ENOUGH_S:
            self._due_s = min(self._due_s, now_s + AFTER_S)
        self._entries += entries
        self._pressing = self._pressing or not all(map(_may_wait, entries))

    @property
    def presses(self) -> bool:
        """Whether something of it is to be judged at once."""
        return self._pressing

    def wait_s(self, now_s: float, most_s: float) -> float:
        """How long may be waited for more, at most `most_s`."""
        if self._pressing:
            return 0.0
        return max(0.0, min(most_s, self._due_s - now_s)) if self._entries else most_s

    def release(self, session: Session, now_s: float, *, soon: bool = False) -> list[Entry]:
        """All of it if it is to be judged now, else nothing; up to a marker where one came. `soon`: something is
        decided shortly."""
        held = self._entries
        waits = now_s < self._due_s and len(held) < HOLD_ENTRIES and not self._pressing
        if not held or (waits and (not (soon or session.is_deciding) or all(map(_is_further, held)))):
            return []
        marker = next((place for place, one in enumerate(held) if is_marker(one)), None)
        self.forget()
        if marker is None or len(held) >= HOLD_ENTRIES:
            return held
        # a fire is told before the frames that came with it are measured, which takes as long again
        self._entries = held[marker + 1 :]
        self._pressing = bool(self._entries)
        return held[: marker + 1]

    def forget(self) -> None:
        """Drops what is held."""
        self._entries, self._pressing = [], False


def is_frame(entry: Entry) -> bool:
    """Whether an entry is a frame of the simulator's, told by its first bytes alone."""
    return entry.kind is EntryKind.MESSAGE and entry.payload.startswith(_FRAME)


def is_marker(entry: Entry) -> bool:
    """Whether an entry is a marker of the simulator's, told by its first bytes alone."""
    return entry.kind is EntryKind.MESSAGE and entry.payload.startswith(_MARKER)


def _may_wait(entry: Entry) -> bool:
    return _is_further(entry) or is_frame(entry)


def _is_further(entry: Entry) -> bool:
    """What comes from a further source is looked at with the simulator's next frame."""
    return entry.kind is EntryKind.FURTHER

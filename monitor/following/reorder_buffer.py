"""Entries that wait a little before they are judged, so that a live run is judged in handfuls of frames.

Judging one frame costs nearly as much as judging ten. So frames wait for each other for as long as a view stands,
unless something is being decided: a marker has come, a trial has fired and is not final, a trigger's rule holds.
How entries are put together changes no trial, so nothing hangs on this but the time.
"""

from __future__ import annotations

from collections.abc import Sequence

from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, pack_frames

HOLD_S = 0.2
"""A frame waits at most so long: as long as a view of the run stands."""
HOLD_ENTRIES = 256
"""A record that is being read comes in lists longer than this, and waits for nothing."""

_FRAME = pack_frames([b"frame", b""])[:-4]


class Holding:
    """What was taken in and is not judged yet."""

    def __init__(self) -> None:
        self._entries: list[Entry] = []
        self._since_s = 0.0
        self._pressing = False

    def add(self, entries: Sequence[Entry], now_s: float) -> None:
        """Takes in what has come."""
        if not self._entries:
            self._since_s = now_s
        self._entries += entries
        self._pressing = self._pressing or not all(map(_may_wait, entries))

    def wait_s(self, now_s: float, most_s: float) -> float:
        """How long may be waited for more, at most `most_s`."""
        return max(0.0, min(most_s, self._since_s + HOLD_S - now_s)) if self._entries else most_s

    def release(self, session: Session, now_s: float) -> list[Entry]:
        """All of it if it is to be judged now, else nothing."""
        held = self._entries
        waits = now_s - self._since_s < HOLD_S and len(held) < HOLD_ENTRIES and not self._pressing
        if not held or (waits and (not session.is_deciding or all(map(_is_further, held)))):
            return []
        self.forget()
        return held

    def forget(self) -> None:
        """Drops what is held."""
        self._entries, self._pressing = [], False


def is_frame(entry: Entry) -> bool:
    """Whether an entry is a frame of the simulator's, told by its first bytes alone."""
    return entry.kind is EntryKind.MESSAGE and entry.payload.startswith(_FRAME)


def _may_wait(entry: Entry) -> bool:
    return _is_further(entry) or is_frame(entry)


def _is_further(entry: Entry) -> bool:
    """What comes from a further source is looked at with the simulator's next frame."""
    return entry.kind is EntryKind.FURTHER

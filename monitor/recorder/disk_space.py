"""How many minutes the disk that is written to will last, at the rate of the last half minute."""

from __future__ import annotations

from collections import deque
from pathlib import Path

from monitor.record.disk import DiskCalls
from monitor.recorder.wire import STATUS_EVERY_S

RATE_OVER_S = 30.0
ASK_EVERY_S = 2.0


class DiskSpace:
    """`ask` may wait for the disk and is called from the writer's sync thread; all else from the recorder's own."""

    def __init__(self, disk: DiskCalls, place: Path) -> None:
        self._disk = disk
        self._place: Path | None = place
        self._free_bytes: int | None = None
        self._asked_s = -1e9
        self._written: deque[tuple[float, int]] = deque(maxlen=int(RATE_OVER_S / STATUS_EVERY_S))

    def written(self, now_s: float, total_bytes: int, place: Path | None) -> None:
        """So much has been written in all, and is now written to this place; None where no disk takes it."""
        self._written.append((now_s, total_bytes))
        self._place = place

    def ask(self, now_s: float) -> None:
        """Asks the system for the free space, at most every two seconds."""
        if now_s - self._asked_s < ASK_EVERY_S:
            return
        self._asked_s = now_s
        place = self._place
        try:
            self._free_bytes = None if place is None else self._disk.free_bytes(place)
        except OSError:
            self._free_bytes = None

    @property
    def minutes_left(self) -> float | None:
        """None while it is not known, or nothing is written."""
        if self._free_bytes is None or len(self._written) < 2:
            return None
        (from_s, from_bytes), (to_s, to_bytes) = self._written[0], self._written[-1]
        if to_bytes <= from_bytes or to_s <= from_s:
            return None
        return self._free_bytes * (to_s - from_s) / (to_bytes - from_bytes) / 60

"""The two clocks of a record: one that orders and measures, one that only labels."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Protocol
from uuid import UUID

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class Clock(Protocol):
    """Where receive times come from."""

    def monotonic_ns(self) -> int:
        """Nanoseconds of a clock that never steps; comparable only within one boot of one machine."""
        ...

    def wall_ns(self) -> int:
        """Nanoseconds since 1970; may step."""
        ...


class SystemClock:
    """The machine's clocks; where the system has such a one, the monotonic one goes on while it is suspended."""

    def __init__(self) -> None:
        self._source = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)

    def monotonic_ns(self) -> int:
        return time.clock_gettime_ns(self._source)

    def wall_ns(self) -> int:
        return time.time_ns()


SYSTEM_CLOCK = SystemClock()


def boot_id() -> bytes:
    """16 bytes that change with each boot of the machine, zeros where the system does not tell."""
    try:
        return UUID(_BOOT_ID.read_text().strip()).bytes
    except (OSError, ValueError):
        return bytes(16)

"""Waiting for something to come true, with a deadline."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TypeVar

from monitor.record.writer import RecordWriter

T = TypeVar("T")


def wait_for(condition: Callable[[], T], what: str = "the condition", deadline_s: float = 90.0) -> T:
    """What the condition gives once that is true; fails, naming it and what it gave last, where it has not by then."""
    end, pause = time.monotonic() + deadline_s, threading.Event()
    while not (found := condition()):
        assert time.monotonic() < end, f"not within {deadline_s:g} s: {what}, last {found!r}"
        pause.wait(0.01)
    return found


def until_synced(writer: RecordWriter) -> None:
    """Returns when all that was appended to a record is on the disk."""
    wait_for(lambda: writer.synced == writer.last, "the sync")

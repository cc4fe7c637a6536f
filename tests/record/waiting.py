"""Waiting for something to hold, with a deadline."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest

from monitor.record.writer import RecordWriter


def until(condition: Callable[[], bool], deadline_s: float = 20.0) -> None:
    """Returns when a condition holds, and fails when it does not in time."""
    tick = threading.Event()
    for _ in range(int(deadline_s / 0.005)):
        if condition():
            return
        tick.wait(0.005)
    pytest.fail("the condition did not come to hold in time")


def until_synced(writer: RecordWriter) -> None:
    """Returns when all that was appended is on the disk."""
    until(lambda: writer.synced == writer.last)

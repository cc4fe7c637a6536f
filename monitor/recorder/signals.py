"""Signals of the recorder: a hangup is ignored, TERM and INT close the record, and a watchdog sees that it ends.

The signal's number goes through the interpreter's wake-up pipe to a thread, so that the watchdog starts even while
the main thread is held inside a system call (a stuck disk) and no Python handler could run.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from types import FrameType

WATCHDOG_STATUS = 75


class SignalWatch:
    """Waits for TERM and INT. To be made in the main thread; `wake` is called from another thread."""

    def __init__(self, wake: Callable[[], None], within_s: float) -> None:
        self.signal: int | None = None
        """The signal that came."""
        self._wake, self._within_s = wake, within_s
        self._read, write = os.pipe()
        os.set_blocking(write, False)
        signal.set_wakeup_fd(write, warn_on_full_buffer=False)
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, _leave_it_to_the_thread)
        threading.Thread(target=self._wait, name="signals", daemon=True).start()

    def _wait(self) -> None:
        self.signal = os.read(self._read, 1)[0]
        self._wake()
        time.sleep(self._within_s)  # the process ends in here, if all goes well
        log(f"the recorder did not end within {self._within_s:g} s of a signal and is ended by force")
        os._exit(WATCHDOG_STATUS)


def _leave_it_to_the_thread(number: int, frame: FrameType | None) -> None:
    """A handler has to be set for the wake-up pipe to be written; there is nothing for it to do."""


def log(sentence: str) -> None:
    """A line on standard output, which is `recorder.log` in the record: a full disk there must not end the recorder."""
    with suppress(OSError):
        os.write(1, sentence.encode("utf-8", "replace") + b"\n")

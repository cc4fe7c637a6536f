"""Runs the screen in a terminal: refuses where there is none, and ends on a signal also when the terminal hangs."""

from __future__ import annotations

import os
import signal
import sys
import termios
import threading
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

from monitor.errors import WitnessError
from monitor.screens.app import TerminalApp
from monitor.screens.provider import ViewProvider
from monitor.screens.watch.app import WatchApp

WATCHDOG_S = 3.0
"""A screen that a signal told to end and that has not by then is cut off; the recorder is another process."""

_SIGNALS = (signal.SIGHUP, signal.SIGTERM, signal.SIGINT)
_LEAVE = b"\x1b[?1049l\x1b[?25h\x1b[?1000l\x1b[?1003l\x1b[?1006l\x1b[?2004l\x1b[0m"
"""Out of the second screen, cursor on, mouse and paste modes off, plain colours."""


def refuse_without_terminal(command: str = "watch", otherwise: str = "--headless") -> None:
    """Raises `WitnessError` where no screen can be drawn: not a terminal on stdin, stdout or stderr, or a dumb one.

    `otherwise`: the option of the command that needs none."""
    streams = (sys.__stdin__, sys.__stdout__, sys.__stderr__)
    if any(stream is None or stream.closed or not stream.isatty() for stream in streams):
        raise WitnessError(f"{command} needs a terminal; use {otherwise} where there is none")
    if os.environ.get("TERM", "") in ("", "dumb"):
        raise WitnessError(f"{command} needs a terminal that can place text (TERM is dumb or unset); use {otherwise}")


def nothing() -> None:
    """What is to be done at the end of a screen that leaves what goes on to others."""


def run_watch(
    source: ViewProvider,
    *,
    read_only: bool = False,
    replay: bool = False,
    pictures: Path | None = None,
    at_cut_off: Callable[[], object] = nothing,
) -> int:
    """Shows the watch screen until the operator leaves it; gives 0, or 128 + n after a signal n.

    The source stays the caller's: whoever opened it closes it. Raises `WitnessError` without a terminal.
    """
    refuse_without_terminal("replay" if replay else "watch")
    return show(WatchApp(source, read_only=read_only, replay=replay, pictures=pictures), at_cut_off)


def show(app: TerminalApp, at_cut_off: Callable[[], object] = nothing) -> int:
    """Runs an app in the terminal; gives its status, or 128 + n after a signal n. `at_cut_off`: what its caller does
    when it has ended, and could not where the process is ended because the terminal hangs."""
    for stale in ("COLUMNS", "LINES"):
        os.environ.pop(stale, None)  # exported by some shells once; the toolkit would believe them over the terminal
    with SignalWatch(app, at_cut_off):
        result = app.run()
    return result if result is not None else app.return_code or 0


class SignalWatch:
    """Handlers by `signal.signal`, because those of the event loop never run while the loop waits for the terminal."""

    def __init__(self, app: TerminalApp, at_cut_off: Callable[[], object] = nothing) -> None:
        self._app = app
        self._at_cut_off = at_cut_off
        self._before: dict[signal.Signals, Any] = {}
        self._terminal = _terminal_state()

    def __enter__(self) -> None:
        for number in _SIGNALS:
            self._before[number] = signal.signal(number, self._handle)

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _handle(self, number: int, frame: FrameType | None) -> None:
        status = 128 + number
        watchdog = threading.Timer(WATCHDOG_S, self._cut_off, (status,))
        watchdog.daemon = True
        watchdog.start()
        self._app.end_with(status)

    def _cut_off(self, status: int) -> None:
        """Leaves the terminal as well as a full one allows, and ends the process without waiting for it."""
        try:
            file = sys.__stderr__.fileno() if sys.__stderr__ else 2
            os.set_blocking(file, False)
            if self._terminal is not None:
                termios.tcsetattr(file, termios.TCSANOW, self._terminal)
            os.write(file, _LEAVE)
        except (OSError, termios.error, ValueError):
            pass  # the terminal is gone or full: there is nobody to tell
        try:
            self._at_cut_off()
        finally:
            os._exit(status)


def _terminal_state() -> list[Any] | None:
    try:
        return termios.tcgetattr(sys.__stdin__.fileno()) if sys.__stdin__ else None
    except (OSError, termios.error, ValueError):
        return None

"""The screen in a real terminal: refusing where there is none, and ending on a signal also when the terminal hangs.

The cases are those measured in the notes on terminal behaviour: without handlers of our own a signal kills the screen
and leaves the terminal as it was; in a stalled terminal a handler of the event loop never runs.
"""

from __future__ import annotations

import fcntl
import inspect
import os
import pty
import re
import select
import shutil
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from textual.drivers.linux_driver import LinuxDriver

from monitor.errors import WitnessError
from monitor.screens.app import TerminalApp
from monitor.screens.watch import running
from tests.commands.ptys import Glass
from tests.screens import conftest as kit
from tests.screens.conftest import MakeApp

ROOT = Path(__file__).parents[2]
DEADLINE_S = 90.0
LEFT = b"\x1b[?1049l"


class Terminal:
    """A pseudo terminal with the screen in it."""

    def __init__(self, **environment: str) -> None:
        self.fd, inner = pty.openpty()
        fcntl.ioctl(inner, termios.TIOCSWINSZ, struct.pack("HHHH", 36, 120, 0, 0))
        self.before = termios.tcgetattr(inner)
        self.beat, beat_end = os.pipe()
        os.set_blocking(self.beat, False)
        self.screen = subprocess.Popen(
            [sys.executable, "-m", "tests.screens.child_screen", str(beat_end)],
            stdin=inner,
            stdout=inner,
            stderr=inner,
            pass_fds=(beat_end,),
            cwd=ROOT,
            env={**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor", **environment},
            start_new_session=True,
        )
        self.inner = inner
        os.close(beat_end)
        self.output = b""

    def read(self) -> None:
        """Takes what is there."""
        while select.select([self.fd], [], [], 0.0)[0]:
            try:
                self.output += os.read(self.fd, 65536)
            except OSError:  # the other end is closed
                return

    def beats(self) -> bytes:
        """Looks at the view since the last call."""
        try:
            return os.read(self.beat, 1 << 16)
        except BlockingIOError:
            return b""

    def until(self, what: str, condition: Callable[[], bool], *, reading: bool = True) -> None:
        """Waits for a condition, taking the output meanwhile."""
        deadline = time.monotonic() + DEADLINE_S
        while not condition():
            assert time.monotonic() < deadline, f"{what} did not come: {self.output[-400:]!r}"
            if reading:
                self.read()
            select.select([self.fd] if reading else [], [], [], 0.05)

    def ended(self) -> bool:
        return self.screen.poll() is not None

    def close(self) -> None:
        if self.screen.poll() is None:
            self.screen.kill()
        self.screen.wait()
        for fd in (self.fd, self.inner, self.beat):
            os.close(fd)


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    one = Terminal()
    yield one
    one.close()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_ends_the_screen_and_gives_the_terminal_back(terminal: Terminal, number: signal.Signals) -> None:
    terminal.until("the first picture", lambda: b"NEXT" in terminal.output)
    terminal.screen.send_signal(number)
    terminal.until("the end", terminal.ended)
    terminal.read()
    assert terminal.screen.returncode == 128 + number
    assert LEFT in terminal.output
    assert termios.tcgetattr(terminal.inner) == terminal.before


def test_a_size_that_no_signal_told_of_is_taken_all_the_same(terminal: Terminal) -> None:
    """The terminal is not the controlling one of the screen, so that nobody tells the screen."""
    terminal.until("the first picture", lambda: b"NEXT" in terminal.output)
    glass, seen = Glass(100, 30), len(terminal.output)
    fcntl.ioctl(terminal.inner, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 100, 0, 0))

    def fits() -> bool:
        nonlocal seen
        glass.write(terminal.output[seen:])
        seen = len(terminal.output)
        return glass.is_whole and "? help" in glass.text().splitlines()[-1]

    terminal.until("a picture of that size", fits)


@pytest.mark.slow
def test_a_signal_ends_the_screen_also_in_a_terminal_that_takes_nothing_any_more(terminal: Terminal) -> None:
    terminal.until("the first picture", lambda: b"NEXT" in terminal.output)
    silent_since = time.monotonic()

    def stalled() -> bool:
        nonlocal silent_since
        if terminal.beats():
            silent_since = time.monotonic()
        return time.monotonic() - silent_since > 1.5

    terminal.until("the stall", stalled, reading=False)
    terminal.screen.send_signal(signal.SIGTERM)
    terminal.until("the end", terminal.ended, reading=False)
    assert terminal.screen.returncode == 128 + signal.SIGTERM


def test_q_twice_leaves_with_status_0_and_without_a_bell(terminal: Terminal) -> None:
    terminal.until("the first picture", lambda: b"NEXT" in terminal.output)
    os.write(terminal.fd, b"q")
    terminal.until("the question", lambda: b"trialwitness attach" in terminal.output)
    os.write(terminal.fd, b"q")
    terminal.until("the end", terminal.ended)
    assert terminal.screen.returncode == 0
    without_titles = re.sub(rb"\x1b\][^\x07\x1b]*\x07", b"", terminal.output)  # there it only ends a sequence
    assert b"\a" not in without_titles


def test_a_dumb_terminal_is_refused_in_plain_words() -> None:
    terminal = Terminal(TERM="dumb")
    try:
        terminal.until("the end", terminal.ended)
        terminal.read()
        assert terminal.screen.returncode == 2
        assert b"watch needs a terminal that can place text" in terminal.output
        assert b"\x1b" not in terminal.output
    finally:
        terminal.close()


def test_without_a_terminal_the_screen_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    with open(os.devnull) as nothing:
        monkeypatch.setattr(sys, "__stdin__", nothing)
        with pytest.raises(WitnessError, match="watch needs a terminal; use --headless"):
            running.refuse_without_terminal()
        with pytest.raises(WitnessError, match="replay needs a terminal"):
            running.refuse_without_terminal("replay")


TOLD_IN_BAND = "_in_band_window_resize"
"""What the toolkit calls it that a terminal tells its sizes itself."""


@pytest.mark.parametrize(("in_band", "taken"), [(False, (80, 24)), (True, (120, 36))])
async def test_the_systems_size_is_taken_unless_the_terminal_tells_its_own(
    in_band: bool, taken: tuple[int, int], make_app: MakeApp, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over a line that knows no size the system's is none: the picture would fill a corner of the screen."""
    assert f"self.{TOLD_IN_BAND} = " in inspect.getsource(LinuxDriver)
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=(120, 36)) as pilot:
        monkeypatch.setattr(app._driver, TOLD_IN_BAND, in_band, raising=False)
        monkeypatch.setattr(shutil, "get_terminal_size", lambda: os.terminal_size((80, 24)))
        app._follow_size()
        await pilot.pause()
        assert app.size == taken


def test_what_ends_with_the_screen_is_ended_where_the_terminal_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    """The demo's recorder had nothing to record any more, and went on for half an hour."""
    done: list[object] = []
    over = threading.Event()

    def leave(status: int) -> None:
        done.append(status)
        over.set()

    class Hanging(TerminalApp):
        def end_with(self, status: int) -> None:
            """It waits for its terminal."""

    monkeypatch.setattr(running, "WATCHDOG_S", 0.01)
    monkeypatch.setattr(os, "_exit", leave)
    with running.SignalWatch(Hanging(), lambda: done.append("ended")):
        os.kill(os.getpid(), signal.SIGTERM)
        assert over.wait(60.0)
    assert done == ["ended", 128 + signal.SIGTERM]

"""A run that is left at the moment when it begins: nothing goes on unsaid that nobody follows."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from monitor.recorder.running import find_running
from tests.commands.ptys import Pty
from tests.commands.running import NOT_ALLOCATED, STUDY, command, end_as_it_begins, simulator
from tests.waiting import wait_for

RUNS = {
    "watch": ("watch", "--headless", "--study", str(STUDY), "--participant", "Q07", *NOT_ALLOCATED),
    "rehearse": ("rehearse", "--study", str(STUDY)),
    "demo": ("demo", "--headless"),
}
"""Each command that begins a run and needs no terminal."""


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
@pytest.mark.parametrize("name", RUNS)
def test_a_run_that_has_only_begun_is_ended_by_who_is_told_to_end(
    name: str, number: signal.Signals, tmp_path: Path
) -> None:
    with simulator() as endpoint:
        feed = () if name == "demo" else ("--feed", endpoint)
        end_as_it_begins((*RUNS[name], *feed), number, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
@pytest.mark.parametrize("name", ["watch", "demo"])
def test_before_the_screen_is_there_it_is_said_that_the_recorder_goes_on(
    name: str, number: signal.Signals, tmp_path: Path
) -> None:
    """A run on a screen is ended by nobody but the operator; that of the demo, whose simulator ends with it, is."""
    with simulator() as endpoint:
        feed = () if name == "demo" else ("--feed", endpoint)
        words = [word for word in RUNS[name] if word != "--headless"]
        terminal = Pty(command(*words, *feed, "--records", str(tmp_path)), 400, 36)
        try:
            wait_for(lambda: [*tmp_path.rglob("*.run")])
            terminal.process.send_signal(number)
            terminal.until("the end", lambda: terminal.process.poll() is not None)
        finally:
            terminal.close()
    assert terminal.process.returncode == 128 + number
    (record,) = tmp_path.rglob("*.run")
    running = find_running(record.parent)
    for one in running:
        os.kill(one.pid, signal.SIGTERM)
    assert bool(running) == (name == "watch")
    assert terminal.shows(f"The recorder goes on; come back with: trialwitness attach {record}") == bool(running)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["watch", "demo"])
def test_a_screen_whose_terminal_is_closed_ends_by_that(name: str, tmp_path: Path) -> None:
    """What it says then reaches nobody, and is no fault of how it was called."""
    with simulator() as endpoint:
        feed = () if name == "demo" else ("--feed", endpoint)
        words = [word for word in RUNS[name] if word != "--headless"]
        terminal = Pty(command(*words, *feed, "--records", str(tmp_path)), 120, 36)
        try:
            terminal.until("the screen", lambda: terminal.shows("LIVE"))
        finally:
            terminal.hang_up()
            status = terminal.process.wait(60)
    (record,) = tmp_path.rglob("*.run")
    running = find_running(record.parent)
    for one in running:
        os.kill(one.pid, signal.SIGTERM)
    assert status == 128 + signal.SIGHUP
    assert bool(running) == (name == "watch")

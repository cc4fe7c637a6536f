"""One run in a real terminal: keys are sent, the screen is read, and what was typed is in the record."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.recorder.running import find_running
from tests.commands.running import call, command, the_record
from tests.waiting import wait_for

pytestmark = [pytest.mark.slow, pytest.mark.skipif(shutil.which("tmux") is None, reason="no tmux on this machine")]


class Terminal:
    """A terminal of our own with a command in it."""

    def __init__(self, columns: int, rows: int, line: str) -> None:
        self.name = f"tw-{uuid.uuid4().hex[:8]}"
        self._tmux("new-session", "-d", "-x", str(columns), "-y", str(rows), "-e", "TERM=xterm-256color", line)

    def _tmux(self, *arguments: str) -> str:
        done = subprocess.run(["tmux", "-L", self.name, *arguments], capture_output=True, text=True, check=False)
        return done.stdout

    def keys(self, *keys: str) -> None:
        """Presses keys."""
        self._tmux("send-keys", *keys)

    def text(self) -> str:
        """What the screen shows."""
        return self._tmux("capture-pane", "-p")

    def close(self) -> None:
        """Closes the terminal, as a broken connection would."""
        self._tmux("kill-server")


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    """The demo on an 80×24 screen, three times as fast as real time."""
    line = " ".join(command("demo", "--speed", "3", "--records", str(tmp_path), "--by", "anna"))
    opened = Terminal(80, 24, f"{line}; echo left; sleep 30")
    yield opened
    opened.close()
    for running in find_running(tmp_path):
        os.kill(running.pid, signal.SIGTERM)  # it outlives its terminal, as it should


@pytest.mark.slow(seconds=25)
def test_a_note_typed_on_the_screen_and_the_verdict_are_in_the_record(terminal: Terminal, tmp_path: Path) -> None:
    wait_for(lambda: "LIVE" in terminal.text())
    terminal.keys("n")
    wait_for(lambda: "note" in terminal.text().lower())
    terminal.keys("van looks odd", "Enter")
    wait_for(lambda: "van looks odd" in terminal.text())
    # the trigger comes after 30 s of the drive, ten seconds of wall time, and is final some seven later
    wait_for(lambda: "gate-brake" in terminal.text() and "1:" in terminal.text(), deadline_s=60)
    wait_for(lambda: "ended" in terminal.text().lower(), deadline_s=60)
    terminal.close()
    record = the_record(tmp_path)
    (document,) = json.loads(call("review", "--json", str(record)).stdout)
    (note,) = document["notes"]
    assert note["text"] == "van looks odd"
    assert note["by"] == "anna"
    assert note["drive"] == 1
    assert 0.0 < note["at"] < 30.0
    assert [trial["verdict"] for trial in document["trials"]] == ["valid", "valid"]
    shown = call("verify", str(record))
    assert shown.returncode == 0, shown.stdout

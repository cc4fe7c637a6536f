"""Commands as a shell would start them, and what they printed."""

from __future__ import annotations

import io
import json
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple
from unittest.mock import patch

from monitor.commands.main import main
from monitor.commands.shared.simulator import Simulator
from monitor.feed.endpoint import LinkTiming
from monitor.recorder.plan import RecorderPlan
from monitor.recorder.running import find_running
from tests.waiting import wait_for

NOT_ALLOCATED = ("--group", "chime", "--group-words", "as the simulator says")
"""The simulator's own group, whatever the study's assignment would give."""

STUDY = Path(__file__).resolve().parents[2] / "configs" / "dusk-road.toml"


def command(*arguments: str) -> list[str]:
    """The command line of `python -m monitor`."""
    return [sys.executable, "-m", "monitor", *arguments]


def run(*arguments: str, timeout: float = 90.0) -> subprocess.CompletedProcess[str]:
    """Runs a command to its end, in a process of its own."""
    return subprocess.run(
        command(*arguments), capture_output=True, text=True, timeout=timeout, stdin=subprocess.DEVNULL, check=False
    )


class Called(NamedTuple):
    """What a command left with, and what it printed."""

    returncode: int
    stdout: str
    stderr: str


def call(*arguments: str) -> Called:
    """Runs a command to its end in this process: for all that only reads files and writes some, a third of the cost."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        try:
            main(arguments)
        except SystemExit as left:
            return Called(int(left.code or 0), out.getvalue(), err.getvalue())
    raise AssertionError("a command leaves with its status")


PATIENT = LinkTiming(quiet_s=60.0, rebuild_s=60.0, heartbeat_s=60.0)
"""A connection that is not given up where a loaded machine lets one end stand still for two seconds: at thirty times
real time the half second until there is a new one takes a trial away."""


def demo(
    records: Path, scenario: str = "clean", seed: int = 1, speed: float = 30.0, rate_hz: float = 60.0
) -> dict[str, Any]:
    """What `demo --headless --json` prints for a scenario; its simulator and recorder are processes of their own."""

    def simulated(drive: Sequence[str]) -> Simulator:
        return Simulator([*drive, "--rate", f"{rate_hz:g}"])

    with (
        patch("monitor.commands.shared.simulator.Simulator", simulated),
        patch("monitor.following.beginning.RecorderPlan", partial(RecorderPlan, link_timing=PATIENT)),
    ):
        done = call(
            *("demo", "--headless", "--json", "--scenario", scenario, "--seed", str(seed)),
            *("--speed", str(speed), "--records", str(records)),
        )
    assert done.returncode == 0, done.stderr
    document: dict[str, Any] = json.loads(done.stdout)
    return document


@contextmanager
def simulator(*more: str, speed: float = 8.0) -> Iterator[str]:
    """A simulator in its own process that waits for a subscriber; gives its endpoint. Of 60 frames a second two thirds
    would be simulated, recorded and judged for nothing."""
    usual = ("--json", "--wait", "60", "--participant", "Q07", "--rate", "20")
    process = subprocess.Popen(
        command("simulate", *usual, "--speed", str(speed), *more),
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        assert process.stdout is not None
        yield json.loads(process.stdout.readline())["endpoint"]
    finally:
        process.kill()
        process.wait()


@contextmanager
def watching(
    endpoint: str, records: Path, *more: str, group: tuple[str, ...] = NOT_ALLOCATED
) -> Iterator[subprocess.Popen[str]]:
    """`watch --headless --json` in its own process; ended with its recorder."""
    process = subprocess.Popen(
        command(
            *("watch", "--headless", "--json", "--study", str(STUDY), "--feed", endpoint, "--participant", "Q07"),
            *("--records", str(records), *group, *more),
        ),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()


def the_record(records: Path) -> Path:
    """The only record in a directory."""
    (record,) = records.glob("*.run")
    return record


def trials(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The trials of a printed document by id."""
    return {trial["id"]: trial for trial in document["trials"]}


def end_as_it_begins(words: Sequence[str], number: signal.Signals, records: Path) -> None:
    """A command that records is told to end when its recorder is being started: it does, and so does its run."""
    process = subprocess.Popen(
        command(*words, "--records", str(records)), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    wait_for(lambda: [*records.rglob("*.run")])
    process.send_signal(number)
    _, said = process.communicate(timeout=120)
    assert process.returncode == 128 + number, said
    (record,) = records.rglob("*.run")
    assert not find_running(record.parent)
    assert '"closed"' in call("verify", "--json", str(record)).stdout

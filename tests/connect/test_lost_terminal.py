"""A bridge or a simulator whose terminal is gone, or whose output nobody reads any more, however that came: it ends as
with one signal, or goes on to its end, and says what was not taken wherever somebody can still read it."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.commands.running import command
from tests.connect import ridge
from tests.connect.conftest import CONFIGS, Listener, Processes
from tests.connect.test_ending import NOT_TAKEN, stopped_listener
from tests.connect.test_ending import endpoint as endpoint

AT_ONCE = "Ended at once: what waited to be sent"
MORE_THAN_BUFFERS_HOLD = 700
"""Frames of some 400 bytes: of a listener that stands still the system keeps some 200 kB."""


@dataclass
class Watched:
    """A bridge, and the ends at which its outputs are read."""

    process: subprocess.Popen[bytes]
    out: int
    err: int

    def until_much_waits(self) -> None:
        """Reads its status lines until more was sent than fits between it and its listener."""
        text = b""
        while not any(line.get("frames", 0) > MORE_THAN_BUFFERS_HOLD for line in lines_of(text)):
            more = os.read(self.out, 65536)
            assert more, os.read(self.err, 65536)
            text += more

    def rest(self, descriptor: int) -> bytes:
        """What is still said there, to its end."""
        text = b""
        try:
            while more := os.read(descriptor, 65536):
                text += more
        except OSError:  # a terminal whose other side is gone
            pass
        return text


def lines_of(text: bytes) -> Iterator[dict[str, Any]]:
    whole, _, _ = text.rpartition(b"\n")
    yield from (json.loads(line) for line in whole.splitlines() if line.startswith(b"{"))


def sending(processes: Processes, endpoint: str, tmp_path: Path, *, on_terminal: bool, ignores: bool) -> Watched:
    """A bridge that has sent a listener that stands still more than that can take; `on_terminal`: its output goes to
    one that it belongs to, else to a pipe; `ignores`: it was started so that the terminal's end is no signal to it."""
    ridge.write_csv(tmp_path / "drive.csv")
    words = ("--map", str(CONFIGS / "channels-example.toml"), "--csv", str(tmp_path / "drive.csv"), "--speed", "10")
    asked = command("bridge", *words, "--bind", endpoint, "--wait", "30", "--json")
    out, inner_out = pty.openpty() if on_terminal else os.pipe()
    err, inner_err = os.pipe()
    code = "import os,signal,sys\nif sys.argv[1]=='y': signal.signal(signal.SIGHUP,signal.SIG_IGN)\n"
    code += (
        "if os.isatty(1): os.setsid(); os.close(os.open(os.ttyname(1),os.O_RDWR))\nos.execv(sys.argv[2],sys.argv[2:])"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, "y" if ignores else "n", *asked],
        stdin=subprocess.DEVNULL,
        stdout=inner_out,
        stderr=inner_err,
    )
    os.close(inner_out)
    os.close(inner_err)
    bridge = Watched(process, out, err)
    stopped_listener(processes, endpoint)
    bridge.until_much_waits()
    return bridge


@pytest.fixture
def started() -> Iterator[list[Watched]]:
    found: list[Watched] = []
    yield found
    for one in found:
        if one.process.poll() is None:
            one.process.kill()
        one.process.wait()
        for descriptor in (one.out, one.err):
            try:
                os.close(descriptor)
            except OSError:
                pass


def hangs_up(bridge: Watched) -> None:
    bridge.process.send_signal(signal.SIGHUP)


def hangs_up_for_everybody(bridge: Watched) -> None:
    """By the system and by a shell, as often as they like."""
    while bridge.process.poll() is None:
        bridge.process.send_signal(signal.SIGHUP)
        try:
            bridge.process.wait(0.1)
        except subprocess.TimeoutExpired:
            continue


def closes_out(bridge: Watched) -> None:
    os.close(bridge.out)


def closes_err(bridge: Watched) -> None:
    """Nothing is said there but at the end."""
    os.close(bridge.err)
    bridge.process.terminate()


LOST: dict[str, tuple[Callable[[Watched], None], bool, bool, int]] = {
    "a signal": (hangs_up, False, False, 129),
    "many signals": (hangs_up_for_everybody, False, False, 129),
    "the terminal": (closes_out, True, False, 129),
    "the terminal of one that hears no signal of it": (closes_out, True, True, 129),
    "who read what it says": (closes_out, False, False, 141),
    "who read its troubles": (closes_err, False, False, 143),
}


@pytest.mark.slow
@pytest.mark.parametrize("lost", LOST)
def test_a_bridge_whose_terminal_is_gone_ends_as_with_one_signal(
    lost: str, processes: Processes, endpoint: str, tmp_path: Path, started: list[Watched]
) -> None:
    """It waits for its listener, as long as it does with a signal, and says that not all was taken where it can."""
    loses, on_terminal, ignores, status = LOST[lost]
    bridge = sending(processes, endpoint, tmp_path, on_terminal=on_terminal, ignores=ignores)
    started.append(bridge)
    loses(bridge)
    if loses is not closes_err:
        err = bridge.rest(bridge.err).decode()
        assert f"A listener at {endpoint} {NOT_TAKEN}" in err
        assert "Traceback" not in err
        assert AT_ONCE not in err
    if loses is not closes_out:
        *_, last = lines_of(bridge.rest(bridge.out))
        assert (last["type"], last["taken"]) == ("ended", False)
    # at its very end, when all is said, another one may still come
    assert bridge.process.wait(60) in ((status, -1) if loses is hangs_up_for_everybody else (status,))


@pytest.mark.slow
def test_a_second_signal_ends_a_bridge_at_once_and_what_was_unsent_is_said(
    processes: Processes, endpoint: str, tmp_path: Path, started: list[Watched]
) -> None:
    bridge = sending(processes, endpoint, tmp_path, on_terminal=False, ignores=False)
    started.append(bridge)
    bridge.process.send_signal(signal.SIGSTOP)
    bridge.process.send_signal(signal.SIGINT)
    bridge.process.send_signal(signal.SIGTERM)
    bridge.process.send_signal(signal.SIGCONT)
    err = bridge.rest(bridge.err).decode()
    assert f"{AT_ONCE} at {endpoint} is lost" in err
    *_, last = lines_of(bridge.rest(bridge.out))
    assert (last["type"], last["taken"]) == ("ended", False)
    assert bridge.process.wait(60) in (130, 143)


BREAKS = """
import sys
from monitor.commands.main import main
from monitor.connect.bridge import Bridge

real = Bridge.turn

def turn(bridge, *arguments):
    if bridge.status().frames > 700:
        raise {error}
    return real(bridge, *arguments)

Bridge.turn = turn
main(sys.argv[1:])
"""


@pytest.mark.slow
@pytest.mark.parametrize("error", ["OSError(5, 'Input/output error')", "RuntimeError('a fault of the program')"])
def test_a_bridge_that_breaks_ends_whatever_its_listener_does(
    error: str, processes: Processes, endpoint: str, tmp_path: Path
) -> None:
    """It is seen to have ended, and started again, instead of standing there with a listener that stands still."""
    ridge.write_csv(tmp_path / "drive.csv")
    words = ("--map", str(CONFIGS / "channels-example.toml"), "--csv", str(tmp_path / "drive.csv"), "--speed", "30")
    asked = ("bridge", *words, "--bind", endpoint, "--wait", "30")
    bridge = processes.python(BREAKS.replace("{error}", error), *asked)
    stopped_listener(processes, endpoint)
    _, err = bridge.communicate(timeout=60)
    assert bridge.returncode in (1, 2)
    assert error.partition("'")[2].partition("'")[0] in err


@pytest.mark.parametrize("as_json", [True, False])
def test_a_simulator_that_nobody_reads_any_more_drives_to_its_end(
    as_json: bool, processes: Processes, endpoint: str, listen: Callable[[str], Listener]
) -> None:
    """Whoever listens to it still does, and the last markers are said once more in its last hellos."""
    words = ("simulate", "--bind", endpoint, "--short", "--speed", "50", "--rate", "20", "--wait", "60")
    simulator = processes.start(*command(*words, *(("--json",) if as_json else ())))
    said = simulator.stdout if as_json else simulator.stderr
    assert said is not None
    assert endpoint in said.readline()
    said.close()
    heard = listen(endpoint)
    heard.until(lambda: any(one.kind == "run_end" for hello in heard.hellos for one in hello.recent))
    assert [one.kind for one in heard.markers][-1] == "run_end"
    assert simulator.wait(60) == 0
    if as_json:
        assert simulator.stderr is not None
        assert simulator.stderr.read() == ""

"""How soon a stopped or a killed process is called by its name: recorder, simulator, and the screen that writes.

Real processes and real signals; the sentence is that of the heading, on the private status stream for recorder and
simulator, and on a screen that only reads for the writer. Goal: 3 s.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import zmq

from monitor.following.beginning import find_run
from monitor.following.status_stream import status_endpoint
from monitor.recorder.running import find_running
from tests.benchmarks.measuring import Figure
from tests.benchmarks.processes import GROUP_FOR_MEASURING
from tests.commands.running import STUDY, command

CASES = [(who, number) for who in ("recorder", "simulator", "writer") for number in (signal.SIGSTOP, signal.SIGKILL)]
GIVE_UP_S = 10.0
MANY = {"recorder": "The recorder", "simulator": "The simulator", "writer": "The operator's screen"}


def measure(rounds: int) -> list[Figure]:
    """Each case so often."""
    figures = []
    for who, number in CASES:
        found = [named_after(who, number) for _ in range(rounds)]
        seconds = tuple(took_s for took_s, _ in found)
        figures.append(Figure(f"{who}, {number.name} → named", seconds, "s", at_most=3.0, remark=found[0][1]))
    return figures


def until(what: Callable[[], Any], within_s: float = 30.0) -> Any:
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        found = what()
        if found:
            return found
        time.sleep(0.05)
    raise AssertionError(f"not within {within_s} s")


@contextmanager
def a_run(records: Path) -> Iterator[tuple[subprocess.Popen[str], subprocess.Popen[str]]]:
    """A simulator at its own pace, and a headless watcher on it."""
    simulator = subprocess.Popen(
        command("simulate", "--json", "--wait", "60", "--participant", "Q07"), stdout=subprocess.PIPE, text=True
    )
    assert simulator.stdout is not None
    endpoint = json.loads(simulator.stdout.readline())["endpoint"]
    watching = ("watch", "--headless", "--json", "--study", str(STUDY), "--feed", endpoint, "--participant", "Q07")
    entered = (*GROUP_FOR_MEASURING, "--records", str(records))
    watcher = subprocess.Popen(command(*watching, *entered), stdout=subprocess.DEVNULL, text=True)
    try:
        yield simulator, watcher
    finally:
        for process in (simulator, watcher):
            process.send_signal(signal.SIGCONT)
            process.kill()
            process.wait()
        for one in find_running(records):
            os.kill(one.pid, signal.SIGCONT)
            os.kill(one.pid, signal.SIGTERM)


def named_after(who: str, number: signal.Signals) -> tuple[float, str]:
    """Seconds from the signal to the sentence, and the sentence."""
    with tempfile.TemporaryDirectory() as folder, a_run(Path(folder)) as (simulator, watcher):
        records = Path(folder)
        running = until(lambda: find_running(records))[0]
        heard: list[str] = []
        stop = threading.Event()
        listen = _follow if who == "writer" else _listen
        thread = threading.Thread(target=listen, args=(running, records, heard, stop), daemon=True)
        thread.start()
        until(lambda: heard)
        time.sleep(3.0)
        victim = {"recorder": running.pid, "simulator": simulator.pid, "writer": watcher.pid}[who]
        os.kill(victim, number)
        since = time.monotonic()
        heard.clear()
        said = until(lambda: next((one for one in heard if MANY[who] in one), ""), GIVE_UP_S)
        took_s = time.monotonic() - since
        stop.set()
        thread.join()
        return took_s, said


def _listen(running: Any, records: Path, heard: list[str], stop: threading.Event) -> None:
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    socket = context.socket(zmq.SUB)
    socket.subscribe(b"")
    socket.connect(status_endpoint(running.sockets))
    while not stop.is_set():
        if socket.poll(100):
            told = json.loads(socket.recv())
            heard.append(f"{told['headings'][0]['sentence']} {told['recorder_says']}")
    context.destroy(0)


def _follow(running: Any, records: Path, heard: list[str], stop: threading.Event) -> None:
    following = find_run(records, None).follow("looker", read_only=True)()
    while not stop.is_set():
        following.step(0.1)
        view = following.view(1)
        if view is not None:
            heard.append(view.unattended)
    following.close()

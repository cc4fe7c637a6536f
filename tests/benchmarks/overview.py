"""What it costs to oversee four runs: processor of the overview's process in a terminal of 80 × 24."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

from monitor.recorder.running import find_running
from tests.benchmarks.measuring import Figure, processor_s
from tests.benchmarks.processes import (
    GROUP_FOR_MEASURING,
    Terminal,
    bare_receiver,
    program,
    running,
    simulator,
    wait_until,
)

STUDY = Path(__file__).resolve().parents[2] / "configs" / "dusk-road.toml"
RUNS = 4
WINDOW_S = 8.0
MOST_ROUNDS = 5
STARTS_S = 12.0


def measure(rounds: int) -> list[Figure]:
    """Four drives at 60 Hz, each with a watcher without a screen; a bare receiver of one of them beside it."""
    room = Path(tempfile.mkdtemp(prefix="twb-", dir="/tmp"))
    ours, bare = list[float](), list[float]()
    try:
        with ExitStack() as stack:
            receiver = None
            for number in range(1, RUNS + 1):
                endpoint = stack.enter_context(simulator("--longer", "2", "--seed", str(number)))
                watching = ("watch", "--headless", "--json", "--study", str(STUDY), "--feed", endpoint)
                who = ("--participant", f"Q{number:02d}", *GROUP_FOR_MEASURING)
                command = program(*watching, *who, "--records", str(room))
                watcher = stack.enter_context(running(command, stdout=subprocess.DEVNULL))
                stack.callback(_end, watcher)
                if receiver is None:
                    receiver = stack.enter_context(bare_receiver(endpoint, 10**9))
            assert receiver is not None
            terminal = Terminal(program("overview", "--records", str(room)), 80, 24)
            stack.callback(terminal.close)
            wait_until("four recorders", lambda: len(find_running(room)) == RUNS)
            time.sleep(STARTS_S)
            for _ in range(min(rounds, MOST_ROUNDS)):
                began, before = time.monotonic(), (processor_s(terminal.process.pid), processor_s(receiver.pid))
                time.sleep(WINDOW_S)
                span_s = time.monotonic() - began
                ours.append(100.0 * (processor_s(terminal.process.pid) - before[0]) / span_s)
                bare.append(100.0 * (processor_s(receiver.pid) - before[1]) / span_s)
    finally:
        shutil.rmtree(room, ignore_errors=True)
    remark = f"bare receive and unpack of one of the four feeds: {sum(bare) / len(bare):.1f} %"
    return [Figure("`overview` of four runs at 80×24", tuple(ours), "% core", at_most=5.0, remark=remark)]


def _end(watcher: subprocess.Popen[str]) -> None:
    """Ends the run, its recorder with it."""
    watcher.terminate()
    watcher.wait(20)

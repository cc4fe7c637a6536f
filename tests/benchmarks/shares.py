"""Processor shares of a live run at 60 Hz with 20 other vehicles, and what goes to the terminal."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.benchmarks.measuring import Figure, processor_s
from tests.benchmarks.processes import (
    GROUP_FOR_MEASURING,
    Terminal,
    bare_receiver,
    children_of,
    program,
    running,
    simulator,
    wait_until,
)

STUDY = Path(__file__).resolve().parents[2] / "configs" / "dusk-road.toml"
WINDOW_S = 8.0
"""Of processor time for each round; a drive has room for six after the start."""
MOST_ROUNDS = 6
SIZES = ((80, 24), (120, 36), (200, 60))
BUDGETED = (120, 36)


def measure(rounds: int) -> list[Figure]:
    """The bare process listens at the same time, as a measure of how fast the machine is just then."""
    rounds = min(rounds, MOST_ROUNDS)
    headless = live_shares(rounds, None, 60.0, 20)
    screens = {size: live_shares(rounds, size, 60.0, 20) for size in SIZES}
    figures = []
    for size, shares in screens.items():
        columns, rows = size
        most = 15.0 if size == BUDGETED else None
        figures += [
            Figure(
                f"`watch` at {columns}×{rows}: following, judging and screen", shares["follower"], "% core", None, most
            ),
            Figure(f"`watch` at {columns}×{rows}, in multiples of bare", _over(shares, "follower"), "× bare"),
            Figure(f"to the terminal at {columns}×{rows}", shares["terminal"], "KiB/s", at_most=40.0),
        ]
    screen = screens[BUDGETED]
    bare = f"bare receive and unpack of the same feed: {_mean(screen['bare']):.1f} %"
    return [
        Figure("recorder", screen["recorder"], "% core", at_most=5.0, remark=bare),
        Figure("recorder, in multiples of bare", _over(screen, "recorder"), "× bare"),
        Figure("`watch --headless`: following and judging", headless["follower"], "% core"),
        *figures,
    ]


def live_shares(
    rounds: int, size: tuple[int, int] | None, rate_hz: float, vehicles: int
) -> dict[str, tuple[float, ...]]:
    """Per cent of a core of the bare loop, the recorder and the follower, in each window; KiB/s to the terminal.
    `size` of the terminal in columns and rows; None: without a screen."""
    room = Path(tempfile.mkdtemp(prefix="twb-", dir="/tmp"))
    arguments = ("--rate", f"{rate_hz:g}", "--vehicles", str(vehicles), "--longer", "2")
    try:
        with simulator(*arguments) as endpoint, bare_receiver(endpoint, 10**9) as bare:
            watch = program("watch", "--study", str(STUDY), "--feed", endpoint, "--participant", "Q01")
            with _watching([*watch, *GROUP_FOR_MEASURING, "--records", str(room)], size) as (pid, written, begin):
                wait_until("the recorder", lambda: children_of(pid, "monitor.recorder"))
                recorder = children_of(pid, "monitor.recorder")[0]
                time.sleep(4.0)  # past the start: road, first picture
                begin()
                return _windows(rounds, {"bare": bare.pid, "recorder": recorder, "follower": pid}, written)
    finally:
        shutil.rmtree(room, ignore_errors=True)


@contextmanager
def _watching(
    command: list[str], size: tuple[int, int] | None
) -> Iterator[tuple[int, Callable[[], int], Callable[[], None]]]:
    """The process, the bytes that it has written to its terminal, and what closes the preflight."""
    if size is not None:
        terminal = Terminal(command, *size)
        try:
            yield terminal.process.pid, lambda: terminal.size, lambda: terminal.type("\x1b")
        finally:
            _end_recorders(terminal.process.pid)
            terminal.close()
        return
    with running([*command, "--headless", "--json"], stdout=subprocess.DEVNULL) as process:
        try:
            yield process.pid, lambda: 0, lambda: None
        finally:
            process.terminate()
            process.wait(20)


def _end_recorders(pid: int) -> None:
    """A screen that is left leaves its recorder running; the benchmark has no more use for it."""
    import os
    import signal

    for recorder in children_of(pid, "monitor.recorder"):
        os.kill(recorder, signal.SIGTERM)


def _windows(rounds: int, pids: dict[str, int], size: Callable[[], int]) -> dict[str, tuple[float, ...]]:
    found: dict[str, list[float]] = {name: [] for name in (*pids, "terminal")}
    for _ in range(rounds):
        began, before, bytes_before = time.monotonic(), {name: processor_s(pid) for name, pid in pids.items()}, size()
        time.sleep(WINDOW_S)
        span_s = time.monotonic() - began
        for name, pid in pids.items():
            found[name].append(100.0 * (processor_s(pid) - before[name]) / span_s)
        found["terminal"].append((size() - bytes_before) / 1024 / span_s)
    return {name: tuple(values) for name, values in found.items()}


def _over(shares: dict[str, tuple[float, ...]], name: str) -> tuple[float, ...]:
    return tuple(ours / bare for ours, bare in zip(shares[name], shares["bare"], strict=True))


def _mean(values: tuple[float, ...]) -> float:
    return sum(values) / len(values)

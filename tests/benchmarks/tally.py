"""`tally` and `forecast` of 200 sealed runs, by the clock: with their summaries, and the first time."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from monitor.archive.summary_cache import CACHE_NAME
from monitor.record.entries import EntryKind, Opening, pack_frames
from monitor.record.sealing import seal_record
from monitor.record.writer import RecordWriter, Writing
from monitor.study.demo import demo_study
from tests.benchmarks.feeds import KEPT, timed_messages
from tests.benchmarks.measuring import Figure
from tests.benchmarks.processes import program

RUNS = 200
FIRST_TIME = 60
"""Runs that are judged anew on one core and on all of them, in turns."""


class _RunClock:
    """The clock of a run of its own day."""

    def __init__(self, began: datetime) -> None:
        self._began_ns = round(began.timestamp() * 1e9)
        self.due_s = 0.0

    def monotonic_ns(self) -> int:
        return round(self.due_s * 1e9)

    def wall_ns(self) -> int:
        return self._began_ns + self.monotonic_ns()


def measure(rounds: int) -> list[Figure]:
    rounds = min(rounds, 3)
    directory = study_directory()
    _tally(directory)
    with_summaries = tuple(_tally(directory) for _ in range(rounds))
    forecasts = tuple(_tally(directory, command="forecast") for _ in range(rounds))
    cores = len(os.sched_getaffinity(0))
    one: list[float] = []
    every: list[float] = []
    some = _some_of(directory)
    for _ in range(rounds):
        for times, these in ((one, {0}), (every, set(range(cores)))):
            _forget(some)
            times.append(_tally(some, these))
    shutil.rmtree(some)
    return [
        Figure(f"`tally` of {RUNS} sealed runs with their summaries", with_summaries, "s", at_most=2.0),
        Figure(f"`forecast` of {RUNS} sealed runs with their summaries", forecasts, "s", at_most=4.0),
        Figure(f"`tally` of {FIRST_TIME} sealed runs for the first time, on one core", tuple(one), "s"),
        Figure(
            f"the same on {cores} cores",
            tuple(alone / together for alone, together in zip(one, every, strict=True)),
            "× as fast",
            at_least=1.7 if cores == 2 else None,
            remark=f"{sorted(every)[len(every) // 2]:.1f} s; load {os.getloadavg()[0]:.1f}",
        ),
    ]


def study_directory() -> Path:
    """200 sealed runs of the demo's study, kept between runs of the benchmark."""
    directory = KEPT / f"study-{RUNS}"
    if (directory / "whole").exists():
        return directory
    shutil.rmtree(directory, ignore_errors=True)
    directory.mkdir(parents=True)
    sent = list(timed_messages(0, 5, 60.0, 70.0))
    study = demo_study()
    groups = list(study.groups)
    for number in range(RUNS):
        began = datetime(2026, 3, 2, 9, tzinfo=UTC) + timedelta(days=number // 6, hours=number % 6)
        record = directory / f"Q{100 + number}-{began:%Y%m%dT%H%M%SZ}-{number:04x}.run"
        clock = _RunClock(began)
        opening = Opening(
            f"Q{100 + number}", groups[number % 4], study.name, study.text, study.sha256, ("tcp://127.0.0.1:1",), {}
        )
        writer = RecordWriter.create(record, opening, Writing(clock=clock))
        for due_s, message in sent:
            clock.due_s = due_s
            writer.append(EntryKind.MESSAGE, pack_frames(message))
        writer.close("made for measuring")
        seal_record(record)
    (directory / "whole").touch()
    return directory


def _some_of(directory: Path) -> Path:
    some = KEPT / "study-some"
    shutil.rmtree(some, ignore_errors=True)
    some.mkdir()
    for record in sorted(directory.glob("*.run"))[:FIRST_TIME]:
        shutil.copytree(record, some / record.name)
    return some


def _forget(directory: Path) -> None:
    for cache in directory.glob(f"*.run/{CACHE_NAME}"):
        cache.unlink()


def _tally(directory: Path, cores: set[int] | None = None, command: str = "tally") -> float:
    """Seconds by the clock from the start of the command to its end."""
    began = time.monotonic()
    done = subprocess.run(
        program(command, "--json", str(directory)),
        stdout=subprocess.DEVNULL,
        preexec_fn=None if cores is None else lambda: os.sched_setaffinity(0, cores),
        check=False,
    )
    if done.returncode not in (0, 1):
        raise SystemExit(f"{command} ended with {done.returncode}")
    return time.monotonic() - began

"""An archive of synthetic runs to measure with: `python -m tests.benchmarks.make_archive DIR [--runs 2000]`.

Each run is a record of its own with a participant, a start and a simulator's run of its own; its drive is one of
`--drives` that are simulated once each, over all scenarios and groups, with another seed. Every tenth record is sealed.
What is there already is left, so that a stopped making goes on.
"""

from __future__ import annotations

import argparse
import itertools
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

from monitor.feed.composing import FeedComposer
from monitor.record.entries import EntryKind, Opening, pack_frames
from monitor.record.sealing import seal_record
from monitor.record.writer import RecordWriter, Writing
from monitor.simulation import SimulationPlan
from monitor.simulation.drive import Drive
from monitor.simulation.repertoire import DEMO, KINDS
from monitor.simulation.scenarios import SCENARIOS
from monitor.simulation.steps import SIGNALS, SOURCE
from monitor.simulation.wire import with_faults
from monitor.study.demo import demo_study
from tests.benchmarks.feeds import HELLO_EVERY_S, Message

SEALED_EVERY = 10
FIRST_DAY = datetime(2026, 1, 5, 8, tzinfo=UTC)
RUN = b"archive-run-000000"
"""Stands in the messages for the simulator's run; each record has one of the same length instead."""


class RunClock:
    """A run's clock, set by the messages' times."""

    def __init__(self, began: datetime) -> None:
        self._began_ns = round(began.timestamp() * 1e9)
        self.now_ns = 0

    def monotonic_ns(self) -> int:
        return self._began_ns + self.now_ns

    def wall_ns(self) -> int:
        return self._began_ns + self.now_ns


@cache
def messages_of(drive: int, vehicles: int) -> tuple[tuple[float, Message], ...]:
    """The messages of one drive with the times at which they are due."""
    scenarios, groups = sorted(SCENARIOS), sorted(KINDS[DEMO].groups)
    plan = SimulationPlan(
        scenario=scenarios[drive % len(scenarios)],
        seed=drive + 1,
        group=groups[drive % len(groups)],
        extra_vehicles=vehicles,
    )
    simulated = Drive(plan)
    composer = FeedComposer(
        run=RUN.decode(), source=SOURCE, rate_hz=plan.rate_hz, signals=SIGNALS, road=simulated.course.road_line()
    )
    found: list[tuple[float, Message]] = []
    hello_t = 0.0
    for step in with_faults(simulated.steps(), plan.deviations):
        if step.t >= hello_t:
            hello_t = step.t + HELLO_EVERY_S
            found.append((step.due_s, [b"hello", composer.hello()]))
        for one in step.markers:
            fields = composer.marker(one.kind, one.name, one.t, one.data)
            found.append((step.due_s, [b"marker", composer.pack_marker(fields)]))
            composer.marker_sent(fields)
        found.append((step.due_s, [b"frame", composer.frame(step.t, step.own, step.others, step.signals, step.wall)]))
        composer.frame_sent()
    return tuple(found)


def make_run(directory: Path, number: int, drive: int, vehicles: int) -> None:
    """One record."""
    began = FIRST_DAY + timedelta(minutes=20 * number)
    path = directory / f"Q{number:05}-{began:%Y%m%dT%H%M%SZ}-{number % 65536:04x}.run"
    if path.is_dir():
        return
    groups = sorted(KINDS[DEMO].groups)
    study = demo_study()
    opening = Opening(
        f"Q{number:05}",
        groups[drive % len(groups)],
        study.name,
        study.text,
        study.sha256,
        ("tcp://127.0.0.1:1",),
        {"trialwitness": "archive"},
    )
    making, clock = path.with_suffix(f".making{os.getpid()}"), RunClock(began)
    writer = RecordWriter.create(making, opening, Writing(clock=clock))
    own = f"archive-run-{number:06}".encode()
    for due_s, (topic, payload) in messages_of(drive, vehicles):
        clock.now_ns = round(due_s * 1e9)
        writer.append(EntryKind.MESSAGE, pack_frames([topic, payload.replace(RUN, own)]))
    writer.close("made for measuring")
    if number % SEALED_EVERY == 0:
        seal_record(making)
    making.rename(path)


def make_some(directory: Path, numbers: list[int], drives: int, vehicles: int) -> int:
    """The records of these numbers, those of one drive one after the other; how many there are."""
    for number in sorted(numbers, key=lambda one: one % drives):
        make_run(directory, number, number % drives, vehicles)
    return len(numbers)


def make_archive(directory: Path, runs: int, drives: int = 40, vehicles: int = 5, *, tell: bool = False) -> Path:
    """The directory, with so many records in it."""
    directory.mkdir(parents=True, exist_ok=True)
    cores = os.cpu_count() or 1
    pieces = [[number for number in range(runs) if number % drives == drive] for drive in range(drives)]
    began, done = time.monotonic(), 0
    with ProcessPoolExecutor(cores) as pool:
        fixed = itertools.repeat
        for count in pool.map(make_some, fixed(directory), pieces, fixed(drives), fixed(vehicles)):
            done += count
            if tell:
                print(f"{done} of {runs} runs after {time.monotonic() - began:.0f} s", flush=True)
    return directory


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("directory", type=Path, metavar="DIR")
    parser.add_argument("--runs", type=int, default=2000, metavar="N")
    parser.add_argument("--drives", type=int, default=40, metavar="N", help="simulated drives (default: 40)")
    parser.add_argument("--vehicles", type=int, default=5, metavar="N", help="further vehicles in each (default: 5)")
    options = parser.parse_args()
    make_archive(options.directory, options.runs, options.drives, options.vehicles, tell=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

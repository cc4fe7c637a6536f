"""Messages to measure with: the demo's drive with more vehicles or signals, as a list and as a record on disk."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import monitor
from monitor.feed.composing import FeedComposer
from monitor.record.entries import Entry, EntryKind, Opening, pack_frames
from monitor.record.writer import RecordWriter, Writing
from monitor.simulation import SimulationPlan
from monitor.simulation.drive import Drive
from monitor.simulation.steps import SIGNALS, SOURCE
from monitor.simulation.wire import with_faults
from monitor.study.demo import DEMO_GROUP, DEMO_PARTICIPANT, demo_study

KEPT = Path(tempfile.gettempdir()) / f"trialwitness-benchmarks-{os.getuid()}"
"""Records of an hour take a minute to make; they are kept here between runs, and may be deleted."""
HELLO_EVERY_S = 0.5
BEGAN_NS = 1_772_469_000_000_000_000

Message = list[bytes]


def opening() -> Opening:
    """The opening of a run of the demo's study."""
    study = demo_study()
    return Opening(DEMO_PARTICIPANT, DEMO_GROUP, study.name, study.text, study.sha256, ("tcp://127.0.0.1:1",), {})


def timed_messages(vehicles: int, signals: int, rate_hz: float, seconds: float) -> Iterator[tuple[float, Message]]:
    """The messages of a drive with the times at which they are due, for as long as asked."""
    plan = SimulationPlan(
        extra_vehicles=vehicles,
        rate_hz=rate_hz,
        group=DEMO_GROUP,
        participant=DEMO_PARTICIPANT,
        duration_factor=max(1.0, seconds / 60.0),
    )
    drive = Drive(plan)
    more = {f"further_{number}": "1" for number in range(max(0, signals - len(SIGNALS)))}
    composer = FeedComposer(
        run=plan.run,
        source=SOURCE,
        rate_hz=rate_hz,
        signals={**SIGNALS, **more},
        participant=DEMO_PARTICIPANT,
        group=DEMO_GROUP,
        road=drive.course.road_line(),
    )
    hello_t = 0.0
    for step in with_faults(drive.steps(), plan.deviations):
        if step.t >= hello_t:
            hello_t = step.t + HELLO_EVERY_S
            yield step.due_s, [b"hello", composer.hello()]
        for one in step.markers:
            fields = composer.marker(one.kind, one.name, one.t, one.data)
            yield step.due_s, [b"marker", composer.pack_marker(fields)]
            composer.marker_sent(fields)
        sent = {**step.signals, **{name: 0.25 * index + step.t for index, name in enumerate(more)}}
        yield step.due_s, [b"frame", composer.frame(step.t, step.own, step.others, sent, step.wall)]
        composer.frame_sent()
        if step.t >= seconds:
            return


@cache
def messages(vehicles: int = 20, signals: int = 5, rate_hz: float = 60.0, seconds: float = 70.0) -> list[Message]:
    """All messages of a drive."""
    return [message for _, message in timed_messages(vehicles, signals, rate_hz, seconds)]


def entries_of(sent: list[Message]) -> list[Entry]:
    """The messages as entries, as a recorder hands them on."""
    return [
        Entry(EntryKind.MESSAGE, number, number * 16_000_000, BEGAN_NS + number * 16_000_000, pack_frames(message))
        for number, message in enumerate(sent, start=2)
    ]


class _DueClock:
    """The clock of a record that is written faster than it happened."""

    def __init__(self) -> None:
        self.now_ns = 0

    def monotonic_ns(self) -> int:
        return self.now_ns

    def wall_ns(self) -> int:
        return BEGAN_NS + self.now_ns


def hour_record(hours: float, vehicles: int = 20) -> Path:
    """A record of so many hours at 60 Hz; made once for each state of the program's simulation and record format."""
    sources = [*Path(monitor.__file__).parent.glob("simulation/*.py"), Path(__file__)]
    told = hashlib.sha256(b"".join(path.read_bytes() for path in sorted(sources))).hexdigest()[:8]
    record = KEPT / f"{DEMO_PARTICIPANT}-{hours:g}h-{vehicles}-{told}.run"
    if record.is_dir():
        return record
    KEPT.mkdir(mode=0o700, exist_ok=True)
    making = record.with_suffix(".making")
    if making.is_dir():
        for left in making.iterdir():
            left.unlink()
        making.rmdir()
    clock = _DueClock()
    writer = RecordWriter.create(making, opening(), Writing(clock=clock))
    for due_s, message in timed_messages(vehicles, 5, 60.0, 3600.0 * hours):
        clock.now_ns = round(due_s * 1e9)
        writer.append(EntryKind.MESSAGE, pack_frames(message))
    writer.close("made for measuring")
    making.rename(record)
    return record

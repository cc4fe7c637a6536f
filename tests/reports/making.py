"""Records for the tests of reports: a hand-written drive or a simulated one, through the record's own writer."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from monitor.record.clock import SYSTEM_CLOCK
from monitor.record.entries import EntryKind, Opening, pack_frames, pack_operator
from monitor.record.sealing import seal_record
from monitor.record.writer import RecordWriter, Writing
from monitor.simulation.drive import Drive
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.publishing import WirePublisher
from monitor.simulation.steps import SIGNALS, SOURCE
from monitor.simulation.wire import with_faults
from monitor.study.demo import demo_study
from monitor.study.model import Study
from tests.judging.hand import FIRE_T, STUDY, HandDrive, study_of

NOON = datetime(2026, 11, 2, 12, tzinfo=UTC)
"""When the first day's runs are recorded."""

REPORT_STUDY = STUDY.replace(
    '[groups.chime]\nalert = ["sound"]\n[groups.no-alert]\nalert = []\n',
    '[groups.chime]\nalert = ["sound"]\nplanned = 4\n[groups.no-alert]\nalert = []\nplanned = 4\n',
)
BLIND = REPORT_STUDY.replace('title = "Written by hand"', 'title = "Written by hand"\nblind = true')


class ManualClock:
    """A wall clock that stands at a given time; the monotonic one runs, or stands at `drive_s` seconds."""

    def __init__(self, wall: datetime) -> None:
        self.wall = wall
        self.drive_s: float | None = None

    def monotonic_ns(self) -> int:
        return SYSTEM_CLOCK.monotonic_ns() if self.drive_s is None else round(1e9 * (1000.0 + self.drive_s))

    def wall_ns(self) -> int:
        return round(self.wall.timestamp() * 1e9)


def braking_at(response_s: float | None) -> Callable[[float], Mapping[str, float]]:
    """Own car whose driver lets go of the accelerator and brakes so long after the fire; None: never."""
    at = float("inf") if response_s is None else FIRE_T + response_s
    return lambda t: {"accelerator": 0.3 if t < at else 0.0, "brake": 0.0 if t < at else 0.4}


def hand_drive(group: str | None = "chime", response_s: float | None = 0.8, **more: Any) -> HandDrive:
    """A valid drive at 20 Hz of the hand-written study, with the group's alert. The van brakes no harder than that
    nobody runs into it within the horizon of 3 s unless the test wants it."""
    given = {"own": braking_at(response_s), "rate_hz": 20.0, "brake_mps2": 5.0, "group": group, **more}
    if group == "no-alert":
        given.setdefault("markers", [])
    return HandDrive(**given)


def make_record(
    directory: Path,
    participant: str,
    messages: Iterable[list[bytes] | tuple[float, list[bytes]]],
    study: Study,
    group: str | None,
    *,
    day: int = 0,
    operator: Iterable[Mapping[str, Any]] = (),
    closed: bool = True,
    sealed: bool = False,
    **opening: Any,
) -> Path:
    """A record of these messages, `day` days after the first one; its name is the same for the same arguments.

    A message that comes with its time is received at that time, without one when it is written.
    """
    moment = NOON.replace(day=NOON.day + day)
    tag = hashlib.sha256(f"{participant}{day}{len(list(directory.glob('*.run')))}".encode()).hexdigest()[:4]
    path = directory / f"{participant}-{moment:%Y%m%dT%H%M%SZ}-{tag}.run"
    begun = Opening(participant, group, study.name, study.text, study.sha256, ("tcp://127.0.0.1:1",), {}, **opening)
    clock = ManualClock(moment)
    writer = RecordWriter.create(path, begun, Writing(clock=clock))
    for message in messages:
        clock.drive_s, frames = message if isinstance(message, tuple) else (None, message)
        writer.append(EntryKind.MESSAGE, pack_frames(frames))
    for place, fields in enumerate(operator):
        writer.append(EntryKind.OPERATOR, pack_operator({"key": str(place), "by": "anna", "wall": 0.0, **fields}))
    if not closed:
        shutil.copytree(path, path.with_suffix(".left"))  # as a recorder that was killed leaves it
    writer.close("the run ended")
    if not closed:
        shutil.rmtree(path)
        path.with_suffix(".left").rename(path)
    if sealed:
        seal_record(path)
    return path


def hand_record(
    directory: Path,
    participant: str = "Q01",
    group: str | None = "chime",
    response_s: float | None = 0.8,
    *,
    text: str = REPORT_STUDY,
    drive: HandDrive | None = None,
    **more: Any,
) -> Path:
    """A record of one hand-written drive."""
    driven = drive or hand_drive(group, response_s)
    driven = replace(driven, run=f"run-{participant}")
    return make_record(
        directory, participant, (frames for _, frames in driven.messages()), study_of(text), group, **more
    )


class Collected(WirePublisher):
    """What the simulator would send, kept instead of sent."""

    def __init__(self, **more: Any) -> None:
        self.messages: list[list[bytes]] = []
        super().__init__("inproc://collected", **more)

    def _send(self, topic: str, payload: bytes) -> None:
        if not (self.losing and topic == "marker"):
            self.messages.append([topic.encode(), payload])


def simulated_messages(plan: SimulationPlan, until_s: float = float("inf")) -> list[list[bytes]]:
    """The messages of a simulated drive up to a time, without sockets or waiting."""
    drive = Drive(plan)
    publisher = Collected(
        run=plan.run,
        source=SOURCE,
        rate_hz=plan.rate_hz,
        signals=SIGNALS,
        participant=plan.participant,
        group=plan.group,
        scenario=plan.deviations.feed_scenario,
        road=drive.course.road_line(),
    )
    with publisher:
        publisher.hello()
        for step in with_faults(drive.steps(), plan.deviations):
            if step.t > until_s:
                break
            publisher.step(step)
        publisher.hello()
        return publisher.messages


def simulated_record(directory: Path, plan: SimulationPlan, until_s: float = float("inf"), **more: Any) -> Path:
    """A record of a simulated drive of the demo's study, up to a time."""
    messages = simulated_messages(plan, until_s)
    assert plan.participant is not None
    return make_record(directory, plan.participant, messages, demo_study(), plan.group, **more)


def unruled_records(directory: Path) -> Path:
    """A blind study of four participants in which no trial has a ruling, in a new directory."""
    directory.mkdir()
    for number, group in enumerate(("chime", "chime", "no-alert", "no-alert")):
        hand_record(directory, f"Q0{number}", group, 0.5 + 0.2 * number, text=BLIND)
    return directory

"""A day's feed through a recorder process and a follower, as fast as these take it with nothing lost.

The publisher is a process of its own and gets leave for so many messages at a time, as the follower takes them: so
queues, which are bounded but not small, hold little, and what grows is what the program keeps. The record is written to
disk, checked at the end and erased.
"""

from __future__ import annotations

import gc
import os
import select
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import zmq

from monitor.following.beginning import Driving, Listening, begin_run
from monitor.following.live import Following
from monitor.following.slot import VIEW_EVERY_S
from monitor.record.entries import EntryKind
from monitor.record.reader import RecordReading
from monitor.record.verify import verify_record
from monitor.recorder.running import read_announcement
from monitor.study.demo import DEMO_GROUP, DEMO_PARTICIPANT, demo_study
from tests.benchmarks.feeds import timed_messages
from tests.benchmarks.intake import Sender
from tests.benchmarks.measuring import resident_mib
from tests.benchmarks.processes import module, running

RATE_HZ = 60.0
VEHICLES = 20
LEAVE = 120
"""Messages that may be sent for each piece of leave; two pieces are out at a time."""
SAMPLES = 100
"""At most; not more than one a minute of the drive."""
SETTLED_H = 1.0 / 6.0
RECORDER_TOPICS = 3


@dataclass(slots=True)
class Sample:
    """What both processes held when so many hours of the drive had been judged."""

    hours: float
    recorder_mib: float
    recorder_descriptors: int
    follower_mib: float
    follower_descriptors: int


@dataclass(slots=True)
class Day:
    """A drive's way through the program."""

    samples: list[Sample] = field(default_factory=list)
    sent: int = 0
    recorded: int = 0
    frames: int = 0
    lost: int = 0
    left_out: int = 0
    faults: list[str] = field(default_factory=list)
    """What `verify` says of the record, where anything is wrong."""
    bytes: int = 0
    wall_s: float = 0.0

    def growth(self, name: str) -> tuple[float, float]:
        """MiB an hour after the first ten minutes, and its standard error: the line of least squares through the
        samples."""
        settled = [(one.hours, float(getattr(one, name))) for one in self.samples if one.hours >= SETTLED_H]
        mean_h = sum(hours for hours, _ in settled) / len(settled)
        mean = sum(value for _, value in settled) / len(settled)
        spread = sum((hours - mean_h) ** 2 for hours, _ in settled)
        slope = sum((hours - mean_h) * value for hours, value in settled) / spread
        off = sum((value - mean - slope * (hours - mean_h)) ** 2 for hours, value in settled)
        return slope, (off / max(len(settled) - 2, 1) / spread) ** 0.5

    def more(self, name: str) -> float:
        """How much more the last sample has than the first settled one."""
        settled = [float(getattr(one, name)) for one in self.samples if one.hours >= SETTLED_H]
        return settled[-1] - settled[0]

    def told(self, name: str) -> str:
        """First settled, middle and last value."""
        settled = [float(getattr(one, name)) for one in self.samples if one.hours >= SETTLED_H]
        return f"{settled[0]:.1f} … {settled[len(settled) // 2]:.1f} … {settled[-1]:.1f}"


def pass_a_day(hours: float, report: bool = False) -> Day:
    """Publishes so many hours of the demo's drive with 20 further vehicles, records, follows, ends and checks them."""
    room = Path(tempfile.mkdtemp(prefix="twb-"))
    day, began = Day(), time.monotonic()
    command = module("day", str(hours))
    try:
        with running(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as publisher:
            assert publisher.stdout is not None
            endpoint = publisher.stdout.readline().strip()
            run = begin_run(
                demo_study(), Driving(DEMO_PARTICIPANT, DEMO_GROUP, is_new=True), Listening((endpoint,)), room
            )
            following = run.follow("anna")()
            try:
                _follow(following, publisher, day, hours, report)
                day.sent = int(publisher.stdout.readline())
                while following.status().messages < day.sent:
                    following.step(0.05)
                following.post({"type": "end", "why": "the day is over"})
                while following.session is None or not following.session.closed:
                    following.step(0.05)
            finally:
                following.close()
        day.wall_s = time.monotonic() - began
        _check(run.record, following, day)
    finally:
        shutil.rmtree(room)
    return day


def _follow(following: Following, publisher: subprocess.Popen[str], day: Day, hours: float, report: bool) -> None:
    """Gives leave as entries are taken, and looks at both processes as the hours go by."""
    assert publisher.stdin is not None
    assert publisher.stdout is not None
    announced = read_announcement(following.record)
    assert announced is not None
    asked, looked, viewed_s = 0, 0.0, 0.0
    while True:
        following.step(0.05)
        if time.monotonic() - viewed_s > VIEW_EVERY_S:
            following.view(0)
            viewed_s = time.monotonic()
        session = following.session
        taken = session.last_number if session is not None else 0
        while asked - taken < 2 * LEAVE and publisher.poll() is None:
            publisher.stdin.write("\n")
            asked += LEAVE
        drive = session.current if session is not None else None
        if drive is None:
            continue
        judged_h = drive.log.counts.frames / RATE_HZ / 3600.0
        if judged_h >= looked:
            looked += max(hours / SAMPLES, 1.0 / 60.0)
            gc.collect()
            day.samples.append(
                Sample(
                    judged_h,
                    resident_mib(announced.pid),
                    len(os.listdir(f"/proc/{announced.pid}/fd")),
                    resident_mib(os.getpid()),
                    len(os.listdir("/proc/self/fd")),
                )
            )
            if report:
                print(day.samples[-1], file=sys.stderr, flush=True)
        if select.select([publisher.stdout], [], [], 0.0)[0]:  # it says at its end how many it has sent
            return


def _check(record: Path, following: Following, day: Day) -> None:
    session = following.session
    assert session is not None
    day.frames = sum(drive.log.counts.frames for drive in session.drives)
    day.lost = sum(drive.log.counts.lost for drive in session.drives)
    day.left_out = following.client.left_out
    day.bytes = sum(part.stat().st_size for part in record.glob("part-*.twr"))
    day.recorded = sum(entry.kind is EntryKind.MESSAGE for block in RecordReading(record).blocks() for entry in block)
    verified = verify_record(record)
    day.faults = [] if verified.ok else verified.sentences()


def publish(hours: float) -> None:
    """The publisher's process: sends so many messages for each line on standard input, then says how many in all."""
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    sender = Sender(context)
    print(sender.endpoint, flush=True)
    sender.wait_for(RECORDER_TOPICS)
    leave = sent = 0
    for _, message in timed_messages(VEHICLES, 5, RATE_HZ, hours * 3600.0):
        if not leave:
            sys.stdin.readline()
            leave = LEAVE
        sender.socket.send_multipart(message)
        leave -= 1
        sent += 1
    print(sent, flush=True)
    sys.stdin.read()


if __name__ == "__main__":
    publish(float(sys.argv[1]))

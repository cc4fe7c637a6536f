"""The recorder's intake against a bare loop that receives and unpacks the same messages, as two real processes."""

from __future__ import annotations

import itertools
import shutil
import tempfile
import time
from pathlib import Path

import zmq

from monitor.record.entries import EntryKind
from monitor.recorder.client import RecorderClient
from monitor.recorder.launch import RecorderPlan, make_sockets_directory, start_recorder
from tests.benchmarks.feeds import Message, messages, opening
from tests.benchmarks.measuring import Figure, Ratio, processor_s
from tests.benchmarks.processes import bare_receiver

COUNT = 20_000


def measure(rounds: int) -> list[Figure]:
    by_processor, by_clock = intake_ratio(rounds, messages())
    return [
        Figure(
            "recorder intake, written and handed on to a follower, against bare",
            by_processor.speeds,
            "× bare",
            at_least=0.7,
            remark=f"processor time of its thread; {by_processor.remark}",
        ),
        Figure("the same by the clock, while sender, recorder and follower share the cores", by_clock.speeds, "× bare"),
    ]


def intake_ratio(rounds: int, sent: list[Message]) -> tuple[Ratio, Ratio]:
    """Processor time of the receiving thread, and time by the clock, both a message."""
    by_processor, by_clock = Ratio(), Ratio()
    for _ in range(rounds):
        clock_us, processor_us = _bare(sent)
        by_clock.bare_us.append(clock_us)
        by_processor.bare_us.append(processor_us)
        clock_us, processor_us = _recorder(sent)
        by_clock.ours_us.append(clock_us)
        by_processor.ours_us.append(processor_us)
    return by_processor, by_clock


class Sender:
    """Publishes messages as fast as the receiver takes them, losing none."""

    def __init__(self, context: zmq.Context[zmq.Socket[bytes]]) -> None:
        self.socket = context.socket(zmq.XPUB)
        self.socket.setsockopt(zmq.XPUB_NODROP, 1)
        self.socket.sndhwm = 1000
        self.socket.linger = 0
        self.socket.bind("tcp://127.0.0.1:*")
        self.endpoint = self.socket.get_string(zmq.LAST_ENDPOINT)

    def wait_for(self, topics: int) -> None:
        """Returns once the receiver has subscribed to so many topics."""
        for _ in range(topics):
            self.socket.recv()

    def send(self, sent: list[Message], topics: int) -> None:
        """Sends `COUNT` messages to a receiver of so many topics."""
        self.wait_for(topics)
        for message in itertools.islice(itertools.cycle(sent), COUNT):
            self.socket.send_multipart(message)


def _bare(sent: list[Message]) -> tuple[float, float]:
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    sender = Sender(context)
    with bare_receiver(sender.endpoint, COUNT) as process:
        sender.send(sent, topics=1)
        assert process.stdout is not None
        clock_ns, processor_ns = (int(word) for word in process.stdout.readline().split())
    context.destroy(0)
    return clock_ns / 1000 / COUNT, processor_ns / 1000 / COUNT


def _recorder(sent: list[Message]) -> tuple[float, float]:
    room = Path(tempfile.mkdtemp(prefix="twb-", dir="/tmp"))
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    sender = Sender(context)
    sockets = make_sockets_directory()
    plan = RecorderPlan(str(room / "Q01.run"), (sender.endpoint,), str(sockets), opening())
    recorder = start_recorder(plan)
    follower = RecorderClient(sockets, room / "Q01.run", writer=False)
    try:
        while not follower.status().alive:
            follower.entries(0.05)
        before_s, began = processor_s(recorder.pid, main_thread=True), time.monotonic()
        sender.send(sent, topics=3)
        taken = 0
        while taken < COUNT:
            taken += sum(entry.kind is EntryKind.MESSAGE for entry in follower.entries(1.0))
        clock_s, after_s = time.monotonic() - began, processor_s(recorder.pid, main_thread=True)
    finally:
        recorder.terminate()
        recorder.wait(20)
        follower.close()
        context.destroy(0)
        shutil.rmtree(room)
    return clock_s * 1e6 / COUNT, (after_s - before_s) * 1e6 / COUNT

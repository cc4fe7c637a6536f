"""Following and judging against a bare loop that receives and unpacks the same messages."""

from __future__ import annotations

import msgpack
import zmq

from monitor.judging.session import Session
from monitor.record.entries import Entry
from monitor.recorder.wire import BATCH_BYTES, Batch, unpack_batch
from monitor.study.demo import demo_study
from tests.benchmarks.feeds import Message, entries_of, messages, opening
from tests.benchmarks.measuring import Figure, Ratio, in_turns

LIVE_ENTRIES, READING_ENTRIES = 6, 2048
"""A block of a live run at 60 Hz with ten judgings a second, and one of a record that is read."""

LONG_S, DENSE_S = 600.0, 70.0
"""The demo's drive as long as a participant's, and as it is. A trial costs as much as some 2,700 frames in both."""


def measure(rounds: int) -> list[Figure]:
    figures = []
    for seconds, size in ((LONG_S, READING_ENTRIES), (DENSE_S, READING_ENTRIES), (DENSE_S, LIVE_ENTRIES)):
        ratio = following_ratio(rounds, messages(seconds=seconds), size)
        budget = 0.35 if size == READING_ENTRIES else None
        name = f"following and judging two triggers in {seconds:g} s, blocks of {size}, against receive and unpack"
        figures.append(Figure(name, ratio.speeds, "× bare", at_least=budget, remark=ratio.remark))
    return figures


def following_ratio(rounds: int, sent: list[Message], size: int) -> Ratio:
    """What a follower does with what a recorder hands on, against the bare loop over the same messages."""
    batches = _batches(entries_of(sent))
    study, begun = demo_study(), opening()

    def follow() -> None:
        session = Session(study, begun)
        waiting: list[Entry] = []
        for batch in batches:
            waiting += unpack_batch(batch)[2]
            while len(waiting) >= size:
                session.take(waiting[:size])
                del waiting[:size]
        session.take(waiting)

    bare = BareLoop(sent)
    return in_turns(rounds, len(sent), follow, bare.run, bare.fill)


class BareLoop:
    """Receives and unpacks messages that wait in a socket's queue."""

    def __init__(self, sent: list[Message]) -> None:
        self._sent = sent
        context: zmq.Context[zmq.Socket[bytes]] = zmq.Context.instance()
        self._from, self._socket = context.socket(zmq.PUSH), context.socket(zmq.PULL)
        self._from.sndhwm = self._socket.rcvhwm = 0
        endpoint = f"inproc://bare-{id(self)}"
        self._from.bind(endpoint)
        self._socket.connect(endpoint)

    def fill(self) -> None:
        """Puts all messages into the queue."""
        for message in self._sent:
            self._from.send_multipart(message)

    def run(self) -> None:
        """The loop itself."""
        for _ in self._sent:
            frames = self._socket.recv_multipart()
            msgpack.unpackb(frames[1])


def _batches(entries: list[Entry]) -> list[bytes]:
    batch = Batch(1, 1)
    made = []
    for entry in entries:
        batch.add(entry)
        if batch.size >= BATCH_BYTES:
            made.append(batch.take())
    return [*made, batch.take()]

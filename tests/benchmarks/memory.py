"""Memory over a long drive: of the recorder with messages as fast as it takes them, and of following with judging."""

from __future__ import annotations

import gc
import itertools
import os
import shutil
import tempfile
from pathlib import Path

import zmq
from feeds import entries_of, messages, opening, timed_messages
from intake import Sender
from measuring import Figure, resident_mib

from monitor.judging.session import Session
from monitor.record.entries import EntryKind
from monitor.recorder.client import RecorderClient
from monitor.recorder.launch import RecorderPlan, make_sockets_directory, start_recorder
from monitor.study.demo import demo_study

RATE_HZ = 60.0
DRIVEN_H = 2.0
RECORDED_H = 4.0
SETTLED_S = 600.0
BLOCK = 256
IN_FLIGHT = 200


def measure(rounds: int) -> list[Figure]:
    """One drive each, however many rounds are asked for: the growth after the first ten minutes, by the hour."""
    followed, recorded = _followed(), _recorded()
    return [
        Figure(f"growth of following and judging over a drive of {DRIVEN_H:g} h", (followed,), "MiB/h", at_most=1.0),
        Figure(f"growth of the recorder over {RECORDED_H:g} h of messages", (recorded,), "MiB/h", at_most=1.0),
    ]


def _followed() -> float:
    """20 other vehicles would only make the drive longer to simulate; what is kept is kept for each frame."""
    session = Session(demo_study(), opening())
    block, begun_mib, begun_s = [], 0.0, 0.0
    pid, due_s = os.getpid(), 0.0
    for due_s, message in timed_messages(0, 5, RATE_HZ, 3600.0 * DRIVEN_H):
        block.append(message)
        if len(block) == BLOCK:
            first = session.last_number
            session.take([entry._replace(number=first + index) for index, entry in enumerate(entries_of(block), 1)])
            block = []
            if not begun_mib and due_s >= SETTLED_S:
                gc.collect()
                begun_mib, begun_s = resident_mib(pid), due_s
    gc.collect()
    return (resident_mib(pid) - begun_mib) / ((due_s - begun_s) / 3600.0)


def _recorded() -> float:
    """The recorder keeps the last minute, at most 64 MiB; of messages so fast it has these after 8 minutes."""
    room = Path(tempfile.mkdtemp(prefix="twb-", dir="/tmp"))
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    sender = Sender(context)
    sockets = make_sockets_directory()
    recorder = start_recorder(RecorderPlan(str(room / "Q01.run"), (sender.endpoint,), str(sockets), opening()))
    follower = RecorderClient(sockets, room / "Q01.run", writer=False)
    total, taken, begun_mib = int(RECORDED_H * 3600 * RATE_HZ), 0, 0.0
    settled = int(SETTLED_S * RATE_HZ)
    try:
        while not follower.status().alive:
            follower.entries(0.05)
        sender.wait_for(3)
        sent, asked = itertools.cycle(messages()), 0
        while taken < total:
            if taken >= asked:  # only then, so that no more than these wait in queues, which are bounded but not small
                asked += IN_FLIGHT
                for message in itertools.islice(sent, IN_FLIGHT):
                    sender.socket.send_multipart(message)
            taken += sum(entry.kind is EntryKind.MESSAGE for entry in follower.entries(0.05))
            if not begun_mib and taken >= settled:
                begun_mib = resident_mib(recorder.pid)
        ended_mib = resident_mib(recorder.pid)
    finally:
        recorder.terminate()
        recorder.wait(30)
        follower.close()
        context.destroy(0)
        shutil.rmtree(room)
    return (ended_mib - begun_mib) / ((total - settled) / RATE_HZ / 3600.0)

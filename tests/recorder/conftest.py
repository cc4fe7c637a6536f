"""Real processes and real sockets; every process that a test starts is ended, by its id, when the test is."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import zmq

from monitor.record.disk import DiskCalls
from monitor.record.entries import Entry, EntryKind, Opening, unpack_frames, unpack_map
from monitor.record.reader import RecordReading
from monitor.recorder.client import RecorderClient
from monitor.recorder.launch import RecorderPlan, RecorderProcess, start_again, start_recorder
from monitor.recorder.process import Recorder
from tests.memory import in_memory
from tests.waiting import wait_for

OPENING = Opening(
    participant="Q01",
    group="chime",
    study_name="dusk-road",
    study_text='name = "dusk-road"\n',
    study_sha256="00" * 32,
    feeds=("tcp://127.0.0.1:5599",),
    versions={"trialwitness": "0"},
)


def note(text: str = "a note", **more: object) -> dict[str, object]:
    """An operator's note, as a screen sends it."""
    return {"type": "note", "by": "operator", "text": text, **more}


def messages_in(entries: list[Entry]) -> list[list[bytes]]:
    return [unpack_frames(entry.payload) for entry in entries if entry.kind == EntryKind.MESSAGE]


def maps_in(entries: list[Entry], kind: EntryKind) -> list[dict[str, Any]]:
    return [unpack_map(entry.payload) for entry in entries if entry.kind == kind]


class Follower:
    """A client that keeps all it was given."""

    def __init__(self, client: RecorderClient) -> None:
        self.client = client
        self.entries: list[Entry] = []
        self.saved: list[str] = []

    @property
    def messages(self) -> list[list[bytes]]:
        """The feed messages handed over, as their frames."""
        return messages_in(self.entries)

    @property
    def intake(self) -> list[dict[str, Any]]:
        """The fields of the intake entries handed over."""
        return maps_in(self.entries, EntryKind.INTAKE)

    @property
    def operator(self) -> list[dict[str, Any]]:
        """The fields of the operator's entries handed over."""
        return maps_in(self.entries, EntryKind.OPERATOR)

    @property
    def kinds(self) -> list[EntryKind]:
        """The kinds of the entries handed over."""
        return [entry.kind for entry in self.entries]

    def follow(self) -> None:
        """Takes what there is within 20 ms."""
        self.entries += self.client.entries(0.02)
        self.saved += self.client.acknowledged()

    def until(self, condition: Callable[[], object], what: str, deadline_s: float = 60.0) -> None:
        """Follows until the condition holds."""

        def step() -> object:
            self.follow()
            return condition()

        wait_for(step, what, deadline_s)

    def until_messages(self, count: int) -> None:
        """Follows until so many feed messages were handed over."""
        self.until(lambda: len(self.messages) >= count, f"{count} messages at the follower")


class HeldDisk(DiskCalls):
    """A disk whose syncs wait until they are let go."""

    def __init__(self) -> None:
        self.free = threading.Event()
        self.free.set()
        self.waiting = threading.Event()

    def datasync(self, descriptor: int) -> None:
        if not self.free.is_set():
            self.waiting.set()
        assert self.free.wait(20)
        super().datasync(descriptor)


class House:
    """What one test has running: publishers, recorders and clients, all ended by `close`."""

    def __init__(self, room: Path) -> None:
        self.room = room
        self.sockets = room / "s"
        self.sockets.mkdir(mode=0o700)
        self.records = room / "records"
        self.records.mkdir()
        self.record = self.records / "Q01-20260301T090000Z-0a0a.run"
        self.context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self._clients: list[RecorderClient] = []
        self._processes: list[subprocess.Popen[bytes]] = []
        self._pids: list[int] = []

    wait_until = staticmethod(wait_for)
    messages_in = staticmethod(messages_in)
    maps_in = staticmethod(maps_in)

    def read(self) -> list[Entry]:
        """All entries that the record gives."""
        return [entry for block in RecordReading(self.record).blocks() for entry in block]

    def reading(self) -> RecordReading:
        """The record, as a reader sees it."""
        return RecordReading(self.record)

    def publisher(self, endpoint: str = "tcp://127.0.0.1:*", kind: int = zmq.PUB) -> tuple[zmq.Socket[bytes], str]:
        """A bare publishing socket and where it is."""
        socket = self.context.socket(kind)
        socket.linger = 0
        socket.sndhwm = 100_000
        socket.bind(endpoint)
        return socket, socket.get_string(zmq.LAST_ENDPOINT)

    def plan(self, *feeds: str) -> RecorderPlan:
        """A plan for this room's record."""
        return RecorderPlan(str(self.record), feeds, str(self.sockets), OPENING, free_bytes=1 << 20)

    def start(self, plan: RecorderPlan) -> RecorderProcess:
        """A recorder process."""
        return self._kept(start_recorder(plan))

    def again(self, plan: RecorderPlan) -> RecorderProcess:
        """A recorder process that goes on with the record."""
        return self._kept(start_again(plan))

    def follow(self, writer: bool = False) -> Follower:
        """A follower of this room's recorder."""
        client = RecorderClient(self.sockets, self.record, writer)
        self._clients.append(client)
        return Follower(client)

    def python(self, program: str, *arguments: str) -> subprocess.Popen[bytes]:
        """A Python process that has said "ready" on its standard output."""
        process = subprocess.Popen([sys.executable, "-c", program, *arguments], stdout=subprocess.PIPE)
        self._processes.append(process)
        assert process.stdout is not None
        assert process.stdout.readline().strip() == b"ready"
        return process

    def subscribed(self, socket: zmq.Socket[bytes], follower: Follower) -> None:
        """Publishes hello messages until the first has gone all the way: then nothing more is lost to joining late."""

        def step() -> bool:
            socket.send_multipart([b"hello", b"joining"])
            follower.follow()
            return bool(follower.messages)

        wait_for(step, "the recorder's subscription")

    def close(self) -> None:
        """Ends all of it."""
        for client in self._clients:
            client.close()
        for process in self._processes:
            process.kill()
            process.wait()
            if process.stdout is not None:
                process.stdout.close()
        for pid in self._pids:
            try:
                os.kill(pid, signal.SIGCONT)
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                pass
        self.context.destroy(0)

    def _kept(self, process: RecorderProcess) -> RecorderProcess:
        self._pids.append(process.pid)
        return process


@pytest.fixture
def house() -> Iterator[House]:
    """A room in memory or else under /tmp, because the path of a socket has to be short."""
    room = Path(tempfile.mkdtemp(prefix="tr-", dir=in_memory(Path("/tmp"))))
    house = House(room)
    yield house
    house.close()
    shutil.rmtree(room, ignore_errors=True)


@pytest.fixture
def held_disk() -> HeldDisk:
    """A disk whose syncs can be held up."""
    return HeldDisk()


Inside = Callable[..., Recorder]
"""Starts a recorder by its plan; `clock` and `disk` as the recorder takes them."""


@pytest.fixture
def inside(house: House) -> Iterator[Inside]:
    """Recorders inside this process, each in a thread of its own, ended with the test."""
    running: list[tuple[Recorder, threading.Thread]] = []

    def start(plan: RecorderPlan, **layers: Any) -> Recorder:
        ready = threading.Event()
        made: list[Recorder] = []

        def work() -> None:
            made.append(Recorder(plan, **layers))
            ready.set()
            made[0].run()

        thread = threading.Thread(target=work)
        thread.start()
        assert ready.wait(10)
        running.append((made[0], thread))
        return made[0]

    yield start
    for recorder, thread in running:
        recorder.stop("the test ended")
        thread.join(10)
        assert not thread.is_alive()

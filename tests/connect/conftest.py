"""Real processes and sockets for connecting a simulator; each process is ended, by its id, with its test."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import pytest
import zmq

from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame, Hello, Marker, Refused
from tests.commands.running import command

T = TypeVar("T")
DEADLINE_S = 90.0
CONFIGS = Path(__file__).resolve().parents[2] / "configs"


class Processes:
    """Starts processes; ends what is left of them with the test."""

    def __init__(self) -> None:
        self._started: list[subprocess.Popen[str]] = []

    def start(self, *arguments: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        self._started.append(process)
        return process

    def python(self, code: str, *arguments: str) -> subprocess.Popen[str]:
        """A program of its own, given as text."""
        return self.start(sys.executable, "-c", code, *arguments)

    def bridge(self, channel_map: Path, *more: str) -> Bridged:
        """A bridge on a port of the system's choice."""
        process = self.start(
            *command("bridge", "--json", "--map", str(channel_map), "--bind", "tcp://127.0.0.1:*", *more)
        )
        assert process.stdout is not None
        line = process.stdout.readline()
        assert line, process.communicate()
        return Bridged(process, json.loads(line))

    def end(self) -> None:
        for process in self._started:
            if process.poll() is None:
                process.kill()
            process.communicate()


class Bridged:
    """A running bridge."""

    def __init__(self, process: subprocess.Popen[str], bound: dict[str, Any]) -> None:
        self.process = process
        self.endpoint: str = bound["endpoint"]
        self.source: str = bound["source"]

    def stop(self) -> dict[str, Any]:
        """Ends it in good order; gives what it says last."""
        if self.process.poll() is None:
            self.process.terminate()
        out, err = self.process.communicate(timeout=DEADLINE_S)
        assert self.process.returncode in (0, 143), err
        last: dict[str, Any] = json.loads(out.splitlines()[-1])
        assert last["type"] == "ended"
        return last


class Listener:
    """A plain subscriber of the feed."""

    def __init__(self, context: zmq.Context[zmq.Socket[bytes]], endpoint: str) -> None:
        self._socket = context.socket(zmq.SUB)
        self._socket.linger = 0
        self._socket.rcvhwm = 0
        self._socket.subscribe(b"")
        self._socket.connect(endpoint)
        self.frames: list[Frame] = []
        self.markers: list[Marker] = []
        self.hellos: list[Hello] = []
        self.raw_hellos: list[bytes] = []
        self.refused: list[Refused] = []

    def take(self, wait_ms: int = 100) -> None:
        """Takes what has come."""
        if not self._socket.poll(wait_ms):
            return
        try:
            while True:
                parts = self._socket.recv_multipart(zmq.NOBLOCK)
                message = decode_message(parts)
                if isinstance(message, Hello):
                    self.hellos.append(message)
                    self.raw_hellos.append(parts[1])
                elif isinstance(message, Frame):
                    self.frames.append(message)
                elif isinstance(message, Marker):
                    self.markers.append(message)
                else:
                    self.refused.append(message)
        except zmq.Again:
            pass

    def until(self, what: Callable[[], Any]) -> None:
        """Takes messages until a condition holds."""
        deadline = time.monotonic() + DEADLINE_S
        while not what():
            assert time.monotonic() < deadline, (len(self.frames), len(self.markers), self.refused[-1:])
            self.take()


@pytest.fixture
def processes() -> Iterator[Processes]:
    started = Processes()
    yield started
    started.end()


@pytest.fixture
def context() -> Iterator[zmq.Context[zmq.Socket[bytes]]]:
    made: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    yield made
    made.destroy(0)


@pytest.fixture
def listen(context: zmq.Context[zmq.Socket[bytes]]) -> Callable[[str], Listener]:
    return lambda endpoint: Listener(context, endpoint)


def free_udp_port() -> int:
    """A port that nobody uses at this moment."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port

"""Processes to measure: a publisher, the bare loop, the program's own commands; each is ended by its id."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]

GROUP_FOR_MEASURING = ("--group", "chime", "--group-words", "for measuring")
"""A group by word, where no lots are sealed."""

BARE = """
import sys, time, msgpack, zmq
socket = zmq.Context().socket(zmq.SUB)
socket.rcvhwm = 40_000
socket.subscribe(b"")
socket.connect(sys.argv[1])
print("ready", flush=True)
taken = 0
while taken < int(sys.argv[2]):
    topic, payload = socket.recv_multipart()
    msgpack.unpackb(payload)
    taken += 1
    if taken == 1:
        began = time.monotonic_ns(), time.thread_time_ns()
print(time.monotonic_ns() - began[0], time.thread_time_ns() - began[1], flush=True)
"""
"""The bare loop as a process: receives and unpacks so many messages, then says the wall and processor time of it."""


@contextmanager
def bare_receiver(endpoint: str, count: int) -> Iterator[subprocess.Popen[str]]:
    """A bare loop on a feed, as it runs."""
    with running([sys.executable, "-c", BARE, endpoint, str(count)], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        yield process


@contextmanager
def running(
    command: list[str], *, stdin: int | None = None, stdout: int | None = None
) -> Iterator[subprocess.Popen[str]]:
    """A process whose lines go through pipes at once, killed at the end where it has not ended."""
    process = subprocess.Popen(command, text=True, bufsize=1, stdin=stdin, stdout=stdout, cwd=TOP)
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()
        for stream in (process.stdout, process.stdin):
            if stream is not None:
                stream.close()


class Terminal:
    """A command in a pseudo terminal; a thread takes its output, with the time of each piece."""

    def __init__(self, command: list[str], columns: int = 120, rows: int = 36, keep: tuple[int, ...] = ()) -> None:
        """`keep`: file descriptors that the command inherits."""
        self._fd, inner = pty.openpty()
        fcntl.ioctl(inner, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        self.process = subprocess.Popen(
            command,
            stdin=inner,
            stdout=inner,
            stderr=inner,
            env={**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor"},
            start_new_session=True,
            pass_fds=keep,
        )
        os.close(inner)
        self.pieces: list[tuple[int, bytes]] = []
        """When each piece was read (ns of the monotonic clock), and the piece."""
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        while True:
            select.select([self._fd], [], [])
            try:
                piece = os.read(self._fd, 1 << 16)
            except OSError:  # the other end is closed
                return
            if not piece:
                return
            self.pieces.append((time.clock_gettime_ns(time.CLOCK_BOOTTIME), piece))

    def type(self, keys: str) -> None:
        """Presses keys."""
        os.write(self._fd, keys.encode())

    @property
    def size(self) -> int:
        """Bytes written to the terminal so far."""
        return sum(len(piece) for _, piece in self.pieces)

    def close(self) -> None:
        """Ends the command."""
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
        self.process.wait()
        self._reader.join(5)
        os.close(self._fd)


def module(name: str, *arguments: str) -> list[str]:
    """A command line of one of these modules, to be run in `TOP`."""
    return [sys.executable, "-m", f"tests.benchmarks.{name}", *arguments]


def program(*arguments: str) -> list[str]:
    """A command line of the program."""
    return [sys.executable, "-m", "monitor", *arguments]


@contextmanager
def simulator(*arguments: str) -> Iterator[str]:
    """A simulated drive in real time, which begins when somebody listens; gives its endpoint."""
    command = program("simulate", "--json", "--wait", "30", *arguments)
    with running(command, stdout=subprocess.PIPE) as process:
        import json

        assert process.stdout is not None
        yield json.loads(process.stdout.readline())["endpoint"]


def children_of(pid: int, word: str) -> list[int]:
    """Processes that a process has started and whose command line has the word; a recorder keeps its parent."""
    found = []
    for path in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((path / "stat").read_text().rsplit(")", 1)[1].split()[1])
            if parent == pid and word in (path / "cmdline").read_bytes().decode():
                found.append(int(path.name))
        except (OSError, ValueError):
            continue
    return found


def wait_until(what: str, condition: object, deadline_s: float = 60.0) -> None:
    """Returns once the condition holds; ends the benchmark, naming it, when it does not in time."""
    assert callable(condition)
    end = time.monotonic() + deadline_s
    while not condition():
        if time.monotonic() > end:
            raise SystemExit(f"not within {deadline_s:g} s: {what}")
        time.sleep(0.02)

"""Starting a recorder process, starting it again on the same record, and finding those that run."""

from __future__ import annotations

import json
import os
import selectors
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import monitor
from monitor.errors import RecorderLost
from monitor.recorder.plan import RecorderPlan
from monitor.recorder.running import (
    RunningRecorder,
    find_running,
    make_sockets_directory,
    read_announcement,
)

__all__ = [
    "RecorderPlan",
    "RecorderProcess",
    "RunningRecorder",
    "find_running",
    "make_sockets_directory",
    "read_announcement",
    "start_again",
    "start_recorder",
]

START_WITHIN_S = 20.0
RESUME_WITHIN_S = 120.0
"""A long record has to be read for its last good entry: some 200 MiB/s, and an eight-hour day is 1–4 GiB."""


class RecorderProcess:
    """A recorder that this process has started. It goes on when this process ends."""

    def __init__(self, plan: RecorderPlan, process: subprocess.Popen[bytes]) -> None:
        self.plan = plan
        self._process = process

    @property
    def pid(self) -> int:
        """The process id."""
        return self._process.pid

    @property
    def exit_status(self) -> int | None:
        """None while it runs; negative: killed by a signal. What the others mean: `monitor.recorder.__main__`."""
        return self._process.poll()

    def terminate(self) -> None:
        """Asks it to close the record and end."""
        self._process.terminate()

    def wait(self, timeout_s: float) -> int:
        """Its exit status, once it has ended; raises `RecorderLost` where it has not within the time."""
        try:
            return self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            raise RecorderLost(f"The recorder (process {self.pid}) did not end within {timeout_s:g} s.") from None


def start_recorder(plan: RecorderPlan) -> RecorderProcess:
    """Starts a recorder in a session of its own and waits until it takes in the feed.

    Raises `RecorderLost` with the reason in a sentence: record not writable, disk too full, held by another recorder …
    """
    package = str(Path(monitor.__file__).parents[1])
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", "monitor.recorder"],  # -P: nothing is imported from the directory we are in
        env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, (package, os.environ.get("PYTHONPATH"))))},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        process.stdin.write(plan.as_json().encode())
        process.stdin.close()
        within_s = RESUME_WITHIN_S if plan.resume else START_WITHIN_S
        said = _read_answer(process.stdout.fileno(), time.monotonic() + within_s)
    except OSError as error:
        said = str(error)
    finally:
        process.stdout.close()
    lines = [line for line in said.splitlines() if line.strip()]
    answer = _as_answer(lines[-1]) if lines else {}
    if answer.get("ready") is True:
        return RecorderProcess(plan, process)
    if process.poll() is None and not answer:
        process.kill()
    process.wait()
    why = answer.get("why") or (lines[-1] if lines else "it did not answer in time")
    raise RecorderLost(f"The recorder could not be started: {why}")


def start_again(plan: RecorderPlan) -> RecorderProcess:
    """Starts a recorder that goes on with the record of one that has died: same sockets, new part."""
    return start_recorder(replace(plan, resume=True, opening=None))


def _read_answer(descriptor: int, deadline_s: float) -> str:
    """What the process says, up to its line of JSON or its end."""
    said = b""
    with selectors.DefaultSelector() as selector:
        selector.register(descriptor, selectors.EVENT_READ)
        while (left_s := deadline_s - time.monotonic()) > 0:
            if not selector.select(left_s):
                break
            piece = os.read(descriptor, 65536)
            said += piece
            lines = said.split(b"\n")
            if not piece or any(_as_answer(line.decode("utf-8", "replace")) for line in lines[:-1]):
                break
    return said.decode("utf-8", "replace")


def _as_answer(line: str) -> dict[str, object]:
    try:
        fields = json.loads(line)
    except ValueError:
        return {}
    return fields if isinstance(fields, dict) and "ready" in fields else {}

"""Processes of this program that do not import it anew: forked from one that has imported it and has done nothing else.
A start of `watch` takes 15 ms of a processor so, and 400 ms otherwise; the slow tests start 400 processes.

All else about such a process is as ever: it is a child of whoever starts it, with a number, a session, streams, an
environment and a directory of its own, and is killed and waited for like any other. Only its command line in `/proc` is
another one, and an import that a command forgets is not seen: for these are the tests that do not ask for it.
"""

from __future__ import annotations

import ctypes
import gc
import json
import os
import runpy
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib import import_module
from inspect import signature
from pathlib import Path
from typing import Any
from unittest.mock import patch

ROOT = Path(__file__).resolve().parents[1]
MOST_BYTES = 1 << 17
SUBREAPER = 36
"""`PR_SET_CHILD_SUBREAPER` of Linux: a descendant whose parent ends becomes the child of whoever has asked for it."""
IMPORTED = (
    "monitor.archive.gathering",
    "monitor.commands.main",
    "monitor.commands.shared.live_run",
    "monitor.commands.shared.planning",
    "monitor.commissioning.proving.limits",
    "monitor.commissioning.rehearsal.rehearsed",
    "monitor.connect.bridge",
    "monitor.connect.opened_feeds",
    "monitor.connect.sources.opening",
    "monitor.following.beginning",
    "monitor.recorder.__main__",
    "monitor.reports.export.export",
    "monitor.reports.page.run_page",
    "monitor.simulation.publishing",
    "scipy.stats",  # of `compare` and `report`: half of what these take
)
"""What the commands that are started most import."""
OURS = {"monitor", "monitor.recorder"}
CALLS_A_COMMAND = "from monitor.commands.main import main"
"""In a program that is given as text, as of one that is to be killed in mid-way."""
READ_AT_THE_START = ("PYTHON", "LC_", "LANG", "TZ", "OPENBLAS", "LD_")
"""The variables that only a start reads begin so; of these `PYTHONPATH` leads to where we are already."""
Plain = subprocess.Popen
EXECUTE, CLOSE = "_execute_child", "_close_pipe_fds"
"""The step of `Popen` in which the process is started, and its last part: what are the process's ends is let go of."""
_fields = [name for name in signature(getattr(Plain, EXECUTE, Plain)).parameters if name != "self"]
_asking = os.getpid()
"""A process that is forked from this one asks for nothing: it is no parent of the process that is forked from."""
PIPES = ("p2cread", "p2cwrite", "c2pread", "c2pwrite", "errread", "errwrite")
USUAL = {
    "preexec_fn": None,
    "pass_fds": (),
    "shell": False,
    "umask": -1,
    "process_group": -1,
    "gid": None,
    "gids": None,
    "uid": None,
}
"""How a process is started that can be forked as well."""
LOOKED_AT = {"args", "executable", "cwd", "env", "start_new_session", *PIPES, *USUAL}


class Forked(subprocess.Popen[Any]):
    """A `Popen` that has `python -m monitor …` forked, and programs that call a command; it starts all else as ever."""

    def _execute_child(self, *given: Any) -> None:
        asked = dict(zip(_fields, given, strict=True))
        if not _can_be_forked(asked):
            getattr(super(), EXECUTE)(*given)
            return
        streams = [
            at if asked[name] == -1 else asked[name] for at, name in enumerate(("p2cread", "c2pwrite", "errwrite"))
        ]
        where = os.open(asked["cwd"] or ".", os.O_PATH | os.O_DIRECTORY)
        try:
            self.pid = _forked(asked, [*streams, where])
            self._child_created = True
        finally:
            os.close(where)
            getattr(self, CLOSE)(*(asked[name] for name in PIPES))


@contextmanager
def forked_starts() -> Iterator[None]:
    """While inside, whatever this process starts of the program is forked; by a Python whose `Popen` has no such steps,
    it is started as ever."""
    if not (LOOKED_AT <= set(_fields) and hasattr(Plain, CLOSE)):
        yield
        return
    with patch.object(subprocess, "Popen", Forked):
        yield


def _environment(asked: dict[str, Any]) -> dict[str, str]:
    return dict(os.environ if asked["env"] is None else asked["env"])


def _can_be_forked(asked: dict[str, Any]) -> bool:
    words = asked["args"]
    if os.getpid() != _asking:
        return False
    if not isinstance(words, list | tuple) or words[0] != sys.executable or asked["executable"] not in (None, words[0]):
        return False
    after = words[2:] if words[1] == "-P" else words[1:]
    if not (after[0] == "-m" and after[1] in OURS) and not (after[0] == "-c" and CALLS_A_COMMAND in after[1]):
        return False
    if any(asked[name] != value for name, value in USUAL.items()):
        return False
    said = _environment(asked)
    names = {name for name in said.keys() | os.environ.keys() if name.startswith(READ_AT_THE_START)} - {"PYTHONPATH"}
    return all(said.get(name) == _begun_with().get(name) for name in names)


@cache
def _begun_with() -> dict[str, str]:
    """The environment of the process that is forked from."""
    return dict(os.environ)


@cache
def _template() -> tuple[socket.socket, subprocess.Popen[bytes]]:
    """The way to the process that is forked from, and that process; it ends once nobody holds the way any more."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    with theirs:
        line = [sys.executable, "-m", "tests.starting", str(theirs.fileno())]
        process = Plain(line, cwd=ROOT, env=_begun_with(), pass_fds=[theirs.fileno()], stdin=subprocess.DEVNULL)
    return ours, process


def _forked(asked: dict[str, Any], descriptors: list[int]) -> int:
    """The number of a process of ours that does what was asked."""
    words = [os.fsdecode(word) for word in asked["args"][1:]]
    wanted = {"words": words, "session": asked["start_new_session"], "environment": _environment(asked)}
    way, _ = _template()
    adopt(True)
    try:
        socket.send_fds(way, [json.dumps(wanted).encode()], descriptors)
        number = int(way.recv(64))
    finally:
        adopt(False)
    return number


def adopt(is_wanted: bool) -> None:
    """From now on descendants whose parent ends become this process's children, or do so no more."""
    assert ctypes.CDLL(None).prctl(SUBREAPER, int(is_wanted), 0, 0, 0) == 0, "Linux does it from 3.4 on"


def serve(way: socket.socket) -> dict[str, Any] | None:
    """Forks a process for each that asks; gives in it what it is to do, and None here once nobody asks any more."""
    while True:
        said, descriptors, _, _ = socket.recv_fds(way, MOST_BYTES, 4)
        if not said:
            return None
        reading, writing = os.pipe()
        between = os.fork()
        if between == 0:
            if number := os.fork():
                os.write(writing, str(number).encode())
                os._exit(0)  # so that the other one becomes the child of whoever asks
            for descriptor in (reading, writing, way.detach()):
                os.close(descriptor)
            wanted: dict[str, Any] = json.loads(said)
            become(wanted, descriptors)
            return wanted
        os.waitpid(between, 0)
        number = int(os.read(reading, 64))
        for descriptor in (reading, writing, *descriptors):
            os.close(descriptor)
        way.send(str(number).encode())


def become(wanted: dict[str, Any], descriptors: list[int]) -> None:
    """Takes on the session, directory, environment and streams that were asked for."""
    if wanted["session"]:
        os.setsid()
    os.fchdir(descriptors[3])
    for at, descriptor in enumerate(descriptors[:3]):
        os.dup2(descriptor, at)
    for descriptor in descriptors:
        os.close(descriptor)
    os.environ.clear()
    os.environ.update(wanted["environment"])
    sys.stdin, sys.stdout = open(0, closefd=False), open(1, "w", closefd=False)
    sys.stderr = open(2, "w", errors="backslashreplace", buffering=1, closefd=False)


def main() -> None:
    """The process that is forked from; and each that is forked leaves it here, to be what it is asked to be."""
    for name in IMPORTED:
        import_module(name)
    gc.collect()
    gc.freeze()  # what no process changes is copied for none
    wanted = serve(socket.socket(fileno=int(sys.argv[1])))
    if wanted is None:
        return
    words: list[str] = wanted["words"]
    at = 1 if words[0] == "-P" else 0
    sys.path[0] = str(ROOT) if at else os.getcwd()
    sys.argv[:] = words[at + 1 :]
    if words[at] == "-m":
        runpy.run_module(words[at + 1], run_name="__main__", alter_sys=True)
    else:
        exec(words[at + 1], {"__name__": "__main__"})


if __name__ == "__main__":
    main()

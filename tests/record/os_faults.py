"""Faults at the operating system's own calls: the n-th call of some work fails, is cut short, interrupted or fatal.

What is patched are the functions of `os` (and `flock`) themselves and not a layer of ours, so that no call can be
forgotten. A walk lets each call in turn go wrong, until the work ends before the n-th one.
"""

from __future__ import annotations

import errno
import fcntl
import gc
import os
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from importlib import import_module
from multiprocessing import get_context
from typing import Any, Literal

CALLS = (
    "open", "write", "pread", "close", "fdatasync", "fsync", "mkdir", "rename", "replace", "unlink", "rmdir", "stat",
    "lstat", "fstat", "listdir", "scandir", "statvfs", "posix_fadvise", "readlink", "link", "chmod",
)  # fmt: skip
DEAD, MET = 42, 43

How = Literal["fails", "is full", "is cut short", "is interrupted", "kills"]
HOWS: tuple[How, ...] = ("fails", "is full", "is cut short", "is interrupted", "kills")
_ERRORS = {"fails": errno.EIO, "is full": errno.ENOSPC}
_write = os.write


@dataclass
class Faults:
    """Lets call number `at` go wrong, as `how` says; counts them in `calls`."""

    at: int
    how: How
    calls: int = 0
    met: str = ""
    """The call that went wrong."""
    tell: int = -1
    """A descriptor for what must be known after a death; see `say`."""
    look: Callable[[str], None] | None = None
    """Told the name of each call before it is made; what it does itself is not counted."""
    said: int = 0
    _looking: threading.local = field(default_factory=threading.local, repr=False)

    def say(self, text: str) -> None:
        """Tells the parent of a process that is to die; no fault can be here."""
        self.said += 1
        if self.tell >= 0:
            _write(self.tell, text.encode() + b"\n")

    def _wrapped(self, name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def act(*arguments: Any, **more: Any) -> Any:
            if self.look is not None:
                if getattr(self._looking, "now", False):
                    return call(*arguments, **more)
                self._looking.now = True
                self.look(name)
                self._looking.now = False
            self.calls += 1
            if self.calls != self.at:
                return call(*arguments, **more)
            self.met = name
            if name == "close":
                call(*arguments)  # the system lets go of the descriptor even where it reports an error
            if self.how == "kills":
                if name == "write":
                    call(arguments[0], arguments[1][: len(arguments[1]) // 2])
                os._exit(DEAD)
            if self.how == "is interrupted":
                if threading.current_thread() is threading.main_thread():  # the only one that is ever interrupted
                    raise KeyboardInterrupt
                return None if name == "close" else call(*arguments, **more)
            if self.how == "is cut short":
                if name == "write":
                    return call(arguments[0], arguments[1][: max(1, len(arguments[1]) // 2)])
                if name == "pread":
                    return call(arguments[0], max(1, arguments[1] // 2), arguments[2])
                return None if name == "close" else call(*arguments, **more)
            error = _ERRORS[self.how]
            raise OSError(error, os.strerror(error))

        return act

    @contextmanager
    def on(self) -> Iterator[None]:
        """While inside, calls are counted and one goes wrong."""
        before = {name: getattr(os, name) for name in CALLS}
        flock = fcntl.flock
        for name, call in before.items():
            setattr(os, name, self._wrapped(name, call))
        fcntl.flock = self._wrapped("flock", flock)
        try:
            yield
        finally:
            for name, call in before.items():
                setattr(os, name, call)
            fcntl.flock = flock


@dataclass(frozen=True)
class Outcome:
    """What became of a piece of work in which one call went wrong."""

    reached: bool
    """False: the work had ended before that call."""
    call: str
    raised: BaseException | None
    told: tuple[str, ...]
    """What the work said by `Faults.say`."""
    ended: bool = False
    """Whether the process that did the work has ended, so that nothing is left of it but files."""


def here(at: int, how: How, work: Callable[[Faults], object], *, lets_go: bool) -> Outcome:
    """Does the work in this process, or in a child where the process is to end by it: when it is killed, and when it is
    interrupted in work that does not let go of all that it holds."""
    ends = how == "kills" or (how == "is interrupted" and not lets_go)
    return _in_child(at, how, work) if ends else _in_this_process(at, how, work)


def deaths_like_the_last(work: Callable[[Faults], object], left: Callable[[], bytes]) -> set[int]:
    """The calls at which a death leaves the same files, and the same said, as at the call before: only what is read
    stands between the two. Found by doing the work once; a write is none of them, since a death leaves half of it."""
    seen: dict[int, tuple[bytes, int]] = {}
    alike: set[int] = set()

    def look(name: str) -> None:
        at = faults.calls + 1
        seen[at] = left(), faults.said
        if name != "write" and seen[at] == seen.get(at - 1):
            alike.add(at)

    faults = Faults(0, "kills", look=look)
    with faults.on():
        work(faults)
    return alike


def _in_this_process(at: int, how: How, work: Callable[[Faults], object]) -> Outcome:
    reading, writing = os.pipe()
    faults, raised = Faults(at, how, tell=writing), None
    try:
        with faults.on():
            work(faults)
    except KeyboardInterrupt:
        assert how == "is interrupted"
    except Exception as error:
        raised = error
    os.close(writing)
    return Outcome(bool(faults.met), faults.met, raised, _told(reading), ended=how == "is interrupted")


def _in_child(at: int, how: How, work: Callable[[Faults], object]) -> Outcome:
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        status = 0
        try:
            faults = Faults(at, how, tell=writing)
            with faults.on():
                work(faults)
            status = MET if faults.met else 0
        except KeyboardInterrupt:
            status = DEAD
        except Exception as error:
            print(f"{type(error).__name__}: {error}", file=sys.stderr)
            status = 1
        os._exit(status)
    os.close(writing)
    told = _told(reading)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert status in (0, MET, DEAD), f"the child ended with {status}"
    return Outcome(status != 0, "", None, told, ended=True)


def _told(reading: int) -> tuple[str, ...]:
    with os.fdopen(reading) as file:
        return tuple(file.read().splitlines())


@cache
def _small() -> ProcessPoolExecutor:
    return ProcessPoolExecutor(1, get_context("spawn"))


def in_small_process(module: str, name: str, *arguments: object) -> None:
    """Calls one of the `WALKS` of a module in a process that holds little else: to fork half a gigabyte of tests for
    each call of the system costs much more. What is raised there is raised here."""
    _small().submit(_walked, module, name, *arguments).result()


def _walked(module: str, name: str, *arguments: object) -> None:
    sys.unraisablehook = lambda unraisable: None  # a reader that is thrown away closes its file, which may go wrong
    work = import_module(module).WALKS[name]
    gc.freeze()  # what is not looked at by a child is not copied for it
    work(*arguments)

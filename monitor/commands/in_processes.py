"""The same work on many things, in several processes, the answers in order."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from typing import Generic, TypeVar

from monitor.errors import WitnessError

Thing = TypeVar("Thing")
Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True)
class _Refused:
    """A `WitnessError` on its way from another process."""

    why: str
    exit_code: int


def in_processes(work: Callable[[Thing], Answer], things: Sequence[Thing], jobs: int) -> Iterator[Answer]:
    """`work` on each of the things, on at most `jobs` at a time; raises the first `WitnessError` that one raises.

    With one job, or one thing, it is done in this process.
    """
    if jobs <= 1 or len(things) <= 1:
        yield from map(work, things)
        return
    # a forked process has everything loaded already; elsewhere than on Linux, system libraries do not bear it
    context = get_context("fork" if sys.platform == "linux" else "spawn")
    pool = ProcessPoolExecutor(
        min(jobs, len(things)), context, initializer=signal.signal, initargs=(signal.SIGINT, signal.SIG_IGN)
    )
    try:
        for answer in pool.map(_Guarded(work), things):
            if isinstance(answer, _Refused):
                error = WitnessError(answer.why)
                error.exit_code = answer.exit_code
                raise error
            yield answer
    finally:
        pool.shutdown(cancel_futures=True)  # what has begun is finished; it is some seconds at most


def on_all_cores(work: Callable[[Thing], Answer], things: Sequence[Thing], /) -> Iterator[Answer]:
    """`work` on each of the things, on as many at a time as this process may use cores."""
    return in_processes(work, things, len(os.sched_getaffinity(0)) if sys.platform == "linux" else os.cpu_count() or 1)


@dataclass(frozen=True, slots=True)
class _Guarded(Generic[Thing, Answer]):
    work: Callable[[Thing], Answer]

    def __call__(self, thing: Thing) -> Answer | _Refused:
        try:
            return self.work(thing)
        except WitnessError as error:
            return _Refused(str(error), error.exit_code)

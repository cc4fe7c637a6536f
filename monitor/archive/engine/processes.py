"""Units of work in several processes of this machine."""

from __future__ import annotations

import signal
import sys
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context

from monitor.archive.engine.unit import Outcome, Unit, do_unit

AHEAD = 2
"""Units handed to the pool for each process: one that is being done, one that waits."""

KILLED = '"its worker died twice while it was being judged"'


def in_processes(units: Iterable[tuple[int, Unit]], jobs: int) -> Iterator[tuple[int, Outcome]]:
    """The outcomes by the units' numbers, as they come. A unit that may have killed its process is tried once more,
    with a process to itself; what was under way in the others is done again."""
    rest = iter(units)
    suspects: deque[tuple[int, Unit]] = deque()
    while True:
        yield from _by_one_pool(rest, jobs, suspects)
        if not suspects:
            return
        while suspects:
            number, unit = suspects.popleft()
            again: deque[tuple[int, Unit]] = deque()
            yield from _by_one_pool(iter([(number, unit)]), 1, again)
            if again:
                yield number, Outcome("fault", KILLED, 2)


def _by_one_pool(
    rest: Iterator[tuple[int, Unit]], jobs: int, suspects: deque[tuple[int, Unit]]
) -> Iterator[tuple[int, Outcome]]:
    """Until there are none left, or a process of the pool dies: then `suspects` has what was under way."""
    # a forked process has everything loaded already; elsewhere than on Linux, system libraries do not bear it
    context = get_context("fork" if sys.platform == "linux" else "spawn")
    pool = ProcessPoolExecutor(jobs, context, initializer=signal.signal, initargs=(signal.SIGINT, signal.SIG_IGN))
    under_way: dict[Future[Outcome], tuple[int, Unit]] = {}
    try:
        while True:
            while len(under_way) < AHEAD * jobs and not suspects:
                asked = next(rest, None)
                if asked is None:
                    break
                try:
                    under_way[pool.submit(do_unit, asked[1])] = asked
                except BrokenProcessPool:
                    suspects.append(asked)
            if not under_way:
                return
            done, _ = wait(under_way, return_when=FIRST_COMPLETED)
            for future in done:
                number, unit = under_way.pop(future)
                try:
                    yield number, future.result()
                except BrokenProcessPool:
                    suspects.append((number, unit))
    finally:
        pool.shutdown(cancel_futures=True)  # what has begun is finished; it is some seconds at most

"""`python -m tests.fuzz`: attacks records, sealed records, caches, tombstones and places with random inputs.

    .venv/bin/python -m tests.fuzz --minutes 600         for hours; prints what it found, status 1 where it did
    .venv/bin/python -m tests.fuzz --inputs 50000 --jobs 2
    .venv/bin/python -m tests.fuzz --only 12345          one input again, with its traceback

An input is known by its seed and number alone. Found are: an error that is no sentence, a minute of work or of
waiting, more than 1 GiB of memory, an entry or a ruling lost without a word, a verdict that a cache changed, a file of
somebody else's that was touched.
"""

from __future__ import annotations

import argparse
import gc
import os
import resource
import signal
import sys
import tempfile
import time
import traceback
from collections import deque
from collections.abc import Iterator
from multiprocessing import get_context
from pathlib import Path
from random import Random
from types import FrameType

from tests.memory import in_memory

WORK_S, WAIT_S = 60, 60
"""Seconds of the processor for one input, and of waiting for something else than the processor, whatever else the
machine does: a pipe that nobody writes into takes no processor at all."""
MEMORY_BYTES = 1 << 30
MOST_FOUND = 20


class Waited(BaseException):
    """An input took too long."""


def attack(seed: int, number: int) -> str | None:
    """Tries one input; gives what was found in a few lines, None for nothing."""
    from tests.fuzz.targets import TARGETS, clean

    random = Random(f"{seed}/{number}")
    name = random.choices(list(TARGETS), [share for _, share in TARGETS.values()])[0]
    base = _directories[-1] / f"{number}"
    base.mkdir()
    _begun.append(_clocks())
    signal.setitimer(signal.ITIMER_PROF, WORK_S)
    signal.setitimer(signal.ITIMER_REAL, WAIT_S, WAIT_S / 4)
    try:
        TARGETS[name][0](random, base)
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt):
            raise
        where = "".join(traceback.format_exception(error)[-6:])
        return f"input {number} of seed {seed} ({name}): {type(error).__name__}: {error}\n{where}"
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
        clean(base)
    return None


def _waited(number: int, frame: FrameType | None) -> None:
    passed, busy = (now - then for now, then in zip(_clocks(), _begun[-1], strict=True))
    if number == signal.SIGPROF or passed - busy > WAIT_S:
        raise Waited


def _clocks() -> tuple[float, float]:
    """Seconds that have passed, and those of them in which this process ran or stood in line for a processor."""
    running_ns, in_line_ns = os.pread(_schedule[-1], 128, 0).split()[:2]
    return time.monotonic(), 1e-9 * (int(running_ns) + int(in_line_ns))


_begun: deque[tuple[float, float]] = deque(maxlen=1)
_directories: deque[Path] = deque(maxlen=1)
_schedule: deque[int] = deque(maxlen=1)
"""An open file, since it is read with every input: to open it each time took a fortieth of all."""


def begin(directory: str) -> None:
    """The limits of a process that attacks, and where its inputs lie."""
    _directories.append(Path(directory))
    _schedule.append(os.open("/proc/self/schedstat", os.O_RDONLY))
    os.environ["XDG_STATE_HOME"] = f"{directory}/state-{os.getpid()}"
    for number in (signal.SIGALRM, signal.SIGPROF):
        signal.signal(number, _waited)
    gc.freeze()  # what was imported stays: no collection goes through it again
    used = int(Path("/proc/self/statm").read_text().split()[0]) * os.sysconf("SC_PAGE_SIZE")
    resource.setrlimit(resource.RLIMIT_AS, (used + MEMORY_BYTES, resource.RLIM_INFINITY))


def _attack(job: tuple[int, int]) -> str | None:
    return attack(*job)


def found_in(seed: int, inputs: Iterator[int], jobs: int) -> Iterator[str]:
    """What the inputs find, as they do."""
    with (
        tempfile.TemporaryDirectory(prefix="tw-fuzz-", dir=in_memory()) as directory,
        get_context("fork").Pool(jobs, begin, (directory,)) as pool,
    ):
        for found in pool.imap_unordered(_attack, ((seed, number) for number in inputs), chunksize=50):
            if found is not None:
                yield found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--inputs", type=int, help="so many, instead of a time")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--only", type=int, metavar="NUMBER", help="this input alone")
    options = parser.parse_args()
    if options.only is not None:
        with tempfile.TemporaryDirectory(prefix="tw-fuzz-", dir=in_memory()) as directory:
            begin(directory)
            print(attack(options.seed, options.only) or "nothing was found")
        return 0
    count, told = 0, 0
    until = time.monotonic() + 60 * options.minutes

    def inputs() -> Iterator[int]:
        nonlocal count
        while count < options.inputs if options.inputs else time.monotonic() < until:
            yield count
            count += 1

    for found in found_in(options.seed, inputs(), options.jobs):
        print(found, flush=True)
        told += 1
        if told >= MOST_FOUND:
            break
    print(f"{count} inputs of seed {options.seed}: {told} found something", file=sys.stderr)
    return 1 if told else 0


if __name__ == "__main__":
    sys.exit(main())

"""An archive judged anew: one process, several, and the workers of a dask scheduler, one of which is killed in mid-way.

`python -m tests.benchmarks.archive DIR` does it with an archive that `make_archive.py` has made, once each way, and
tells drive-hours a second beside a bare read of the same bytes, whether all ways gave the same bytes, and what ten
thousand runs of an hour would cost by these figures. As one of the benchmarks it takes a small archive of its own.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import psutil
from distributed import Client

from tests.benchmarks.make_archive import make_archive
from tests.benchmarks.measuring import Figure, machine
from tests.benchmarks.processes import program, wait_until

RUNS = 60
KILLED_AFTER_S = 30.0
HOURS = 10_000.0
CORES = 100
REPORTED_MIB = 0.02
"""An answer of one record, with its trials, in MiB: what crosses the network from a worker."""


@dataclass(frozen=True, slots=True)
class Way:
    """One way to judge all of it: seconds by the clock and of processor time, and a digest of what was printed."""

    name: str
    seconds: float
    processor_s: float
    printed: str


def measure(rounds: int) -> list[Figure]:
    """A small archive; the figures are ratios, and by the clock."""
    room = Path(tempfile.mkdtemp(prefix="twa-", dir="/tmp"))
    try:
        archive = make_archive(room / "records", RUNS, drives=12)
        return figures_of(archive)
    finally:
        shutil.rmtree(room, ignore_errors=True)


def figures_of(archive: Path, ways: str = "12sw") -> list[Figure]:
    """Everything that is measured of an archive. `ways`: 1 and 2 processes, a scheduler's two workers (s), two of which
    one is killed (k), one worker (w).

    Gains are by processor time, as if no other work were on the machine: how much of two cores' time is of use.
    """
    records = sorted(archive.glob("*.run"))
    size = sum(file.stat().st_size for record in records for file in record.iterdir())
    read_s = _read_all(records)
    found: dict[str, Way] = {}
    for name, jobs in (("1", 1), ("2", 2)):
        if name in ways:
            found[name] = _reviewed(f"{jobs} processes", archive, [], "--jobs", str(jobs))
    for name, count in (("s", 2), ("k", 2), ("w", 1)):
        if name in ways:
            with cluster(count) as (address, workers):
                killing = threading.Timer(KILLED_AFTER_S, workers[0].kill)
                if name == "k":
                    killing.start()
                words = f"a scheduler with {count} workers{', one killed in mid-way' if name == 'k' else ''}"
                found[name] = _reviewed(words, archive, workers, "--scheduler", address)
                if name == "k" and workers[0].poll() is None:
                    raise SystemExit("it was over before the worker was killed")
                killing.cancel()
    hours = _hours_of(archive)
    of = f"{len(records)} runs, {hours:.2f} drive-hours, {size / 1e9:.2f} GB"
    figures = [Figure("a bare read of the archive", (hours / read_s,), "h/s", remark=of)]
    for way in found.values():
        remark = f"{way.seconds:.0f} s by the clock, {way.processor_s:.0f} s of processor time"
        figures.append(Figure(f"judged by {way.name}", (hours / way.seconds,), "h/s", remark=remark))
    for name, words, alone in (("2", "2 processes against 1", "1"), ("s", "2 dask workers against 1", "w")):
        if name in found and alone in found:
            gain = 2.0 * found[alone].processor_s / found[name].processor_s
            clock = found[alone].seconds / found[name].seconds
            figures.append(Figure(words, (gain,), "× faster", at_least=1.8, remark=f"{clock:.2f} × by the clock"))
    printed = {way.printed for way in found.values()}
    one = next(iter(found.values()))
    return [
        *figures,
        Figure("other bytes than the first way's", (len(printed) - 1.0,), "", at_most=0.0),
        *_on_paper(one.processor_s / hours, size / len(records), hours / len(records)),
    ]


def _on_paper(core_s_an_hour: float, bytes_a_run: float, hours_a_run: float) -> list[Figure]:
    """Ten thousand runs of an hour, by what an hour costs here; records at the size of these."""
    total = HOURS * bytes_a_run / hours_a_run
    hours = HOURS * core_s_an_hour / 3600.0
    cores = os.cpu_count() or 1
    name = f"{HOURS:.0f} runs of an hour"
    return [
        Figure(f"{name}: bytes to be read", (total / 1e12,), "TB"),
        Figure(f"{name}: core-hours", (hours,), "h"),
        Figure(f"{name}: on this machine", (hours / cores,), "h", remark=f"{cores} cores"),
        Figure(f"{name}: on {CORES} cores", (60.0 * hours / CORES,), "min"),
        Figure(f"{name}: read by them in that time", (total / 1e9 / (3600.0 * hours / CORES),), "GB/s"),
        Figure(f"{name}: answers sent back", (HOURS * REPORTED_MIB,), "MiB"),
    ]


def _read_all(records: list[Path]) -> float:
    began_s = time.monotonic()
    for record in records:
        for file in record.iterdir():
            with file.open("rb") as opened:
                while opened.read(1 << 20):
                    pass
    return time.monotonic() - began_s


def _reviewed(name: str, archive: Path, workers: list[subprocess.Popen[bytes]], *how: str) -> Way:
    """All of it by `review --json`, with no columns kept from the last time."""
    for cache in archive.glob("*.run/*.cache"):
        cache.unlink()
    seen = [psutil.Process(worker.pid) for worker in workers]
    before_s = [sum(one.cpu_times()[:2]) for one in seen]
    own_s = _children_s()
    began_s = time.monotonic()
    done = subprocess.run(program("review", str(archive), "--json", *how), stdout=subprocess.PIPE, check=False)
    seconds = time.monotonic() - began_s
    if done.returncode not in (0, 1):
        raise SystemExit(f"review by {name} ended with {done.returncode}")
    processor_s = _children_s() - own_s
    for one, before in zip(seen, before_s, strict=True):
        with suppress(psutil.Error):  # it was killed: what it did is not known
            processor_s += sum(one.cpu_times()[:2]) - before
    print(f"    {name}: {seconds:.0f} s, {processor_s:.0f} s of processor time", file=sys.stderr, flush=True)
    return Way(name, seconds, processor_s, hashlib.sha256(done.stdout).hexdigest())


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _hours_of(archive: Path) -> float:
    printed = subprocess.run(program("review", str(archive), "--json"), stdout=subprocess.PIPE, check=False).stdout
    return sum(one["feed"]["duration_s"] or 0.0 for one in json.loads(printed)) / 3600.0


@contextmanager
def cluster(count: int) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler and so many workers of one thread on the loopback: its address and the workers."""
    room = Path(tempfile.mkdtemp(prefix="twc-", dir="/tmp"))
    told = room / "scheduler.json"

    def start(what: str, *more: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "dask", what, "--scheduler-file", str(told), "--host", "127.0.0.1", *more]
        return subprocess.Popen(
            [*command, "--no-dashboard"], cwd=room, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

    scheduler = start("scheduler", "--port", "0")
    workers: list[subprocess.Popen[bytes]] = []
    try:
        wait_until("a scheduler", lambda: told.exists() and told.stat().st_size > 0, 60.0)
        workers += [
            start("worker", "--nthreads", "1", "--no-nanny", "--local-directory", str(room)) for _ in range(count)
        ]
        address = str(json.loads(told.read_text())["address"])
        with Client(address, set_as_default=False) as client:
            client.wait_for_workers(count, timeout=120.0)
            client.run(_loaded)  # their start is not what is measured
        yield address, workers
    finally:
        for process in (*workers, scheduler):
            process.terminate()
        for process in (*workers, scheduler):
            process.wait(30.0)
        shutil.rmtree(room, ignore_errors=True)


def _loaded() -> None:
    """Loads what the work needs."""
    from monitor.archive.program import program_digest

    program_digest()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("directory", type=Path, metavar="DIR")
    parser.add_argument("--ways", default="12skw", help="of 1, 2, s, k, w (default: all; see figures_of)")
    options = parser.parse_args()
    print(f"machine: {machine()}")
    for figure in figures_of(options.directory, options.ways):
        print(f"  {figure.line()}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""An archive judged anew: one process, several, and the workers of a dask scheduler, one of which is killed in mid-way.

`python tests/benchmarks/archive.py DIR` does it with an archive that `make_archive.py` has made, once each way, and
tells drive-hours a second beside a bare read of the same bytes, whether all ways gave the same bytes, and what ten
thousand runs of an hour would cost by these figures. As one of the benchmarks it takes a small archive of its own.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from make_archive import make_archive
from measuring import Figure, machine
from processes import program, wait_until

RUNS = 60
HOURS = 10_000.0
CORES = 100
REPORTED_MIB = 0.02
"""An answer of one record, with its trials, in MiB: what crosses the network from a worker."""


@dataclass(frozen=True, slots=True)
class Way:
    """One way to judge all of it: seconds by the clock, and a digest of what was printed."""

    name: str
    seconds: float
    printed: str


def measure(rounds: int) -> list[Figure]:
    """A small archive; the figures are ratios, and by the clock."""
    room = Path(tempfile.mkdtemp(prefix="twa-", dir="/tmp"))
    try:
        archive = make_archive(room / "records", RUNS, drives=12)
        return figures_of(archive)
    finally:
        shutil.rmtree(room, ignore_errors=True)


def figures_of(archive: Path) -> list[Figure]:
    """Everything that is measured of an archive."""
    records = sorted(archive.glob("*.run"))
    size = sum(file.stat().st_size for record in records for file in record.iterdir())
    read_s = _read_all(records)
    ways = [_reviewed("1 process", archive, "--jobs", "1"), _reviewed("2 processes", archive, "--jobs", "2")]
    with cluster(2) as (address, _):
        ways.append(_reviewed("a scheduler with 2 workers", archive, "--scheduler", address))
    with cluster(2) as (address, workers):
        one_s = ways[-1].seconds
        killing = threading.Timer(0.4 * one_s, lambda: workers[0].send_signal(signal.SIGKILL))
        killing.start()
        ways.append(_reviewed("the same, a worker killed in mid-way", archive, "--scheduler", address))
        killing.cancel()
    with cluster(1) as (address, _):
        ways.append(_reviewed("a scheduler with 1 worker", archive, "--scheduler", address))
    hours = _hours_of(archive)
    by_name = {way.name: way for way in ways}
    one, two = by_name["1 process"], by_name["2 processes"]
    of = f"{len(records)} runs, {hours:.2f} drive-hours, {size / 1e9:.2f} GB"
    figures = [Figure("a bare read of the archive", (hours / read_s,), "h/s", remark=of)]
    figures += [
        Figure(f"judged by {way.name}", (hours / way.seconds,), "h/s", remark=f"{way.seconds:.0f} s") for way in ways
    ]
    workers_gain = by_name["a scheduler with 1 worker"].seconds / by_name["a scheduler with 2 workers"].seconds
    return [
        *figures,
        Figure("2 processes against 1", (one.seconds / two.seconds,), "× faster", at_least=1.8),
        Figure("2 dask workers against 1", (workers_gain,), "× faster", at_least=1.8),
        Figure("ways that gave other bytes", (sum(way.printed != one.printed for way in ways),), "", at_most=0.0),
        *_on_paper(one.seconds / hours, size / len(records), hours / len(records)),
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


def _reviewed(name: str, archive: Path, *how: str) -> Way:
    """All of it by `review --json`, with no columns kept from the last time."""
    for cache in archive.glob("*.run/*.cache"):
        cache.unlink()
    began_s = time.monotonic()
    done = subprocess.run(program("review", str(archive), "--json", *how), stdout=subprocess.PIPE, check=False)
    seconds = time.monotonic() - began_s
    if done.returncode not in (0, 1):
        raise SystemExit(f"review by {name} ended with {done.returncode}")
    print(f"    {name}: {seconds:.0f} s", file=sys.stderr, flush=True)
    return Way(name, seconds, hashlib.sha256(done.stdout).hexdigest())


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
        time.sleep(10.0)  # they have joined by then, and their start is not what is measured
        yield str(json.loads(told.read_text())["address"]), workers
    finally:
        for process in (*workers, scheduler):
            process.terminate()
        for process in (*workers, scheduler):
            process.wait(30.0)
        shutil.rmtree(room, ignore_errors=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("directory", type=Path, metavar="DIR")
    options = parser.parse_args()
    print(f"machine: {machine()}")
    for figure in figures_of(options.directory):
        print(f"  {figure.line()}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

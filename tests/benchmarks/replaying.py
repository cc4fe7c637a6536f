"""A record of an hour opened for replay: its first picture, going to any place of it, and the memory that it takes."""

from __future__ import annotations

import os
import random
import time

from monitor.replay.provider import ReplayProvider
from tests.benchmarks.feeds import hour_record
from tests.benchmarks.measuring import Figure, percentile, resident_mib
from tests.benchmarks.processes import wait_until

HOURS = 1.0
SEEKS = 40


def measure(rounds: int) -> list[Figure]:
    record = hour_record(HOURS)
    firsts_s: list[float] = []
    whole_s: list[float] = []
    seeks_ms: list[float] = []
    before_mib = resident_mib(os.getpid())
    for number in range(min(rounds, 3)):
        began_s = time.monotonic()
        source = ReplayProvider(record, by="benchmark")
        source.pause()
        source.start()
        firsts_s.append(time.monotonic() - began_s)
        wait_until("the record's end", lambda: source.map.done, 120.0)  # noqa: B023
        whole_s.append(time.monotonic() - began_s)
        places = random.Random(number)
        seeks_ms += [1000.0 * _seek_s(source, places.uniform(0.0, source.map.length_s)) for _ in range(SEEKS)]
        source.stop()
    grown_mib = resident_mib(os.getpid()) - before_mib
    return [
        Figure("replay of one hour: opened → first picture", tuple(firsts_s), "s", at_most=0.5),
        Figure("the same: until all of it has been judged", tuple(whole_s), "s", remark="with a progress line"),
        Figure("the same: asked for a place → its picture", tuple(seeks_ms), "ms", remark=f"{len(seeks_ms)} places"),
        Figure("the same, 99 of 100 within", (percentile(seeks_ms, 0.99),), "ms", at_most=100.0),
        Figure("memory that it took", (grown_mib,), "MiB"),
    ]


def _seek_s(source: ReplayProvider, at_s: float) -> float:
    """From the call until the view at that place is there; asked for when the picture before it is whole."""
    quiet_s, revision = time.monotonic(), -1
    while time.monotonic() - quiet_s < 0.3:
        if source.view().revision != revision:
            quiet_s, revision = time.monotonic(), source.view().revision
        time.sleep(0.01)
    began_s = time.monotonic()
    source.seek(at_s)
    while source.view().revision == revision:
        time.sleep(0.0005)
    return time.monotonic() - began_s

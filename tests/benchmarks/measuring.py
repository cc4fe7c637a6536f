"""Figures and how they are taken: both sides of a ratio in turns, in one run, by processor time.

Processor time and not the wall clock, because other work on the machine then changes a figure by some per cent and not
by half. Where a figure is a wall time (latency, start-up), it says so.
"""

from __future__ import annotations

import gc
import os
import platform
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured thing: a value of each round, what it is, and the budget that the design gives it."""

    name: str
    values: tuple[float, ...]
    unit: str
    at_least: float | None = None
    at_most: float | None = None
    remark: str = ""

    @property
    def median(self) -> float:
        return statistics.median(self.values)

    @property
    def met(self) -> bool | None:
        """Whether the median keeps the budget; None where there is none."""
        if self.at_least is None and self.at_most is None:
            return None
        low = -float("inf") if self.at_least is None else self.at_least
        return low <= self.median <= (float("inf") if self.at_most is None else self.at_most)

    @property
    def budget(self) -> str:
        if self.at_least is not None:
            return f"≥ {self.at_least:g}"
        return f"≤ {self.at_most:g}" if self.at_most is not None else ""

    def line(self) -> str:
        """The figure as one line: name, median, spread, budget, whether it is kept."""
        spread = f"({min(self.values):.3g} … {max(self.values):.3g})" if len(self.values) > 1 else ""
        kept = {None: "", True: "kept", False: "NOT KEPT"}[self.met]
        words = f"{self.name:<62} {self.median:>9.3g} {self.unit:<8} {spread:<22} {self.budget:<8} {kept}"
        return f"{words.rstrip()}{'   ' + self.remark if self.remark else ''}"


@dataclass(slots=True)
class Ratio:
    """Two sides measured in turns; `us` are microseconds an item of each round."""

    ours_us: list[float] = field(default_factory=list)
    bare_us: list[float] = field(default_factory=list)

    @property
    def speeds(self) -> tuple[float, ...]:
        """Our speed as a share of the bare one, of each round: 1 is as fast, 0.5 half as fast."""
        return tuple(bare / ours for ours, bare in zip(self.ours_us, self.bare_us, strict=True))

    @property
    def costs(self) -> tuple[float, ...]:
        """Our cost in multiples of the bare one, of each round."""
        return tuple(ours / bare for ours, bare in zip(self.ours_us, self.bare_us, strict=True))

    @property
    def remark(self) -> str:
        return f"{statistics.median(self.ours_us):.1f} µs against {statistics.median(self.bare_us):.1f} µs each"


def in_turns(
    rounds: int,
    items: int,
    ours: Callable[[], object],
    bare: Callable[[], object],
    before: Callable[[], object] = lambda: None,
) -> Ratio:
    """Each side once a round, after one unmeasured round; processor time of this thread over the number of items.

    `before` is done before the bare side and not measured.
    """
    ratio = Ratio()
    for number in range(rounds + 1):
        before()
        for side, spent in ((bare, ratio.bare_us), (ours, ratio.ours_us)):
            gc.collect()
            began = time.thread_time_ns()
            side()
            us = (time.thread_time_ns() - began) / items / 1000
            if number:
                spent.append(us)
    return ratio


def processor_s(pid: int, *, main_thread: bool = False) -> float:
    """Seconds of processor time that a process (or its main thread alone) has used, to the microsecond."""
    if main_thread:
        return int(Path(f"/proc/{pid}/task/{pid}/schedstat").read_text().split()[0]) / 1e9
    total_ns = 0
    for task in os.listdir(f"/proc/{pid}/task"):
        try:
            total_ns += int(Path(f"/proc/{pid}/task/{task}/schedstat").read_text().split()[0])
        except FileNotFoundError:
            continue  # a thread that ended meanwhile
    return total_ns / 1e9


def resident_mib(pid: int) -> float:
    """Memory that a process holds, in MiB."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / (1 << 20)


def percentile(values: Sequence[float], share: float) -> float:
    """The value below which this share of the values lies; of few values, the largest."""
    ranked = sorted(values)
    return ranked[min(len(ranked) - 1, int(share * len(ranked)))]


def machine() -> str:
    """What it was measured on, in one line."""
    model = next(
        (line.split(":")[1].strip() for line in Path("/proc/cpuinfo").read_text().splitlines() if "model name" in line),
        platform.machine(),
    )
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    return (
        f"{os.cpu_count()} × {model}, {platform.system()} {platform.release()}, Python {platform.python_version()}, "
        f"load {load}"
    )

"""Start-up of the command line against a bare interpreter, by processor time."""

from __future__ import annotations

import resource
import subprocess
import sys

from tests.benchmarks.measuring import Figure
from tests.benchmarks.processes import program

COMMANDS = (("--help",), ("--version",), ("review", "--help"), ("watch", "--help"))


def measure(rounds: int) -> list[Figure]:
    """Least times of a round's five starts, because a start can only be held up."""
    figures = []
    for command in COMMANDS:
        ratios, ours_s = [], 0.0
        for _ in range(rounds):
            bare_s = min(_start_s([sys.executable, "-c", "pass"]) for _ in range(5))
            ours_s = min(_start_s(program(*command)) for _ in range(5))
            ratios.append(ours_s / bare_s)
        name = f"start of `trialwitness {' '.join(command)}` against a bare interpreter"
        remark = f"{ours_s * 1000:.0f} ms of processor time"
        budget = 3.5 if command == ("--help",) else None
        figures.append(Figure(name, tuple(ratios), "× bare", at_most=budget, remark=remark))
    return figures


def _start_s(command: list[str]) -> float:
    """Processor time of a process, from its start to its end."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

"""A note from the operator until it is on disk: with an idle disk, and while another process writes to it."""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from monitor.recorder.client import RecorderClient
from monitor.recorder.launch import RecorderPlan, make_sockets_directory, start_recorder
from tests.benchmarks.feeds import opening
from tests.benchmarks.measuring import Figure, percentile
from tests.benchmarks.processes import running, simulator, wait_until

NOTES_A_ROUND = 20
EVERY_S = 0.05
WRITER = """
import os, sys
print("ready", flush=True)
while True:
    file = os.open(sys.argv[1], os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    for _ in range(64):
        os.write(file, bytes(1 << 20))
    os.fsync(file)
    os.close(file)
"""
"""Keeps the disk busy: 64 MiB written and synced, over and over again."""


def measure(rounds: int) -> list[Figure]:
    figures = []
    room = Path(tempfile.mkdtemp(prefix="twb-", dir="/tmp"))
    try:
        with simulator("--rate", "60", "--vehicles", "20", "--longer", "5") as endpoint:
            idle_ms = _acknowledged_ms(room / "idle.run", endpoint, rounds)
        with (
            simulator("--rate", "60", "--vehicles", "20", "--longer", "5") as endpoint,
            running([sys.executable, "-c", WRITER, str(room / "ballast")], stdout=subprocess.PIPE) as writer,
        ):
            assert writer.stdout is not None
            writer.stdout.readline()
            busy_ms = _acknowledged_ms(room / "busy.run", endpoint, rounds)
    finally:
        shutil.rmtree(room, ignore_errors=True)
    for name, found_ms in (("idle", idle_ms), ("busy", busy_ms)):
        remark = f"99 of 100 within {percentile(found_ms, 0.99):.0f} ms"
        what = f"note sent → acknowledged, on disk, while 60 Hz are recorded; {name} disk"
        medians = tuple(
            statistics.median(found_ms[at : at + NOTES_A_ROUND]) for at in range(0, len(found_ms), NOTES_A_ROUND)
        )
        figures.append(Figure(what, medians, "ms", remark=remark))
    return figures


def _acknowledged_ms(record: Path, endpoint: str, rounds: int) -> list[float]:
    sockets = make_sockets_directory()
    recorder = start_recorder(RecorderPlan(str(record), (endpoint,), str(sockets), opening()))
    client = RecorderClient(sockets, record, writer=True)
    found = []
    try:
        wait_until("messages", lambda: client.entries(0.05) and client.status().messages > 10)
        for _ in range(rounds * NOTES_A_ROUND):
            key = client.send(
                {"type": "note", "by": "benchmark", "text": "a note of some length", "drive": 1, "at": 1.0}
            )
            sent = time.monotonic()
            while key not in client.acknowledged():
                client.entries(0.001)
            found.append((time.monotonic() - sent) * 1000)
            until = time.monotonic() + EVERY_S
            while time.monotonic() < until:
                client.entries(0.01)
    finally:
        recorder.terminate()
        recorder.wait(30)
        client.close()
    return found

"""More than the machine can take: how much the recorder keeps, how far behind a follower falls, and that it catches up.

`python overload.py RATE COUNT` publishes so many messages at so many a second and says its endpoint first.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import zmq

from monitor.archive.review import review_record
from monitor.following.beginning import Driving, Listening, begin_run
from monitor.following.live import BEHIND_S
from monitor.study.demo import demo_study
from tests.benchmarks.feeds import messages
from tests.benchmarks.measuring import Figure
from tests.benchmarks.processes import module, running, wait_until

SECONDS = 70.0
"""Of the demo's drive with 20 vehicles at 60 Hz, sent in a fraction of it."""
FACTORS = (10, 40, 160)


def measure(rounds: int) -> list[Figure]:
    figures = []
    room = Path(tempfile.mkdtemp(prefix="two-", dir="/tmp"))
    try:
        for factor in FACTORS:
            lost, behind_s, caught_up_s = zip(*(_flood(room, factor) for _ in range(min(rounds, 3))), strict=True)
            figures += [
                Figure(f"messages lost at {factor} × 60 Hz with 20 vehicles", lost, "", at_most=0.0),
                Figure("the same: the follower was behind by at most", behind_s, "s"),
                Figure("the same: it had caught up after the end within", caught_up_s, "s"),
            ]
    finally:
        shutil.rmtree(room, ignore_errors=True)
    return figures


def _flood(room: Path, factor: int) -> tuple[float, float, float]:
    count = len(messages(seconds=SECONDS))
    command = module("overload", str(factor * 60.0), str(count))
    with running(command, stdout=subprocess.PIPE) as sender:
        assert sender.stdout is not None
        run = begin_run(
            demo_study(), Driving("Q01", "chime", is_new=True), Listening((sender.stdout.readline().strip(),)), room
        )
        following = run.follow("benchmark")()
        behind_s = 0.0
        while sender.poll() is None:
            following.step(0.02)
            if following.behind_s > BEHIND_S:
                behind_s = max(behind_s, following.frame_age_s() or 0.0)
        ended_s = time.monotonic()
        while following.step(0.2) or following.behind_s > BEHIND_S:
            pass
        caught_up_s = time.monotonic() - ended_s
        following.post({"type": "end", "why": "measured"})
        wait_until("the record's end", lambda: following.step(0.1) or not run.is_recorded)
        following.close()
    (drive,) = review_record(run.record).session.drives
    return float(drive.log.counts.lost), behind_s, caught_up_s


def main(rate: float, count: int) -> None:
    """Sends the drive's messages evenly, in handfuls of a hundredth of a second."""
    sent = messages(seconds=SECONDS)[:count]
    socket = zmq.Context().socket(zmq.XPUB)
    socket.sndhwm = 0  # what this process must keep does not count: the recorder is what is measured
    port = socket.bind_to_random_port("tcp://127.0.0.1")
    print(f"tcp://127.0.0.1:{port}", flush=True)
    for _ in range(3):
        socket.recv()
    time.sleep(0.3)
    began = time.monotonic()
    for index, message in enumerate(sent):
        if index % max(1, int(rate / 100)) == 0:
            time.sleep(max(0.0, began + index / rate - time.monotonic()))
        socket.send_multipart(message)
    socket.close(linger=60_000)


if __name__ == "__main__":
    main(float(sys.argv[1]), int(sys.argv[2]))

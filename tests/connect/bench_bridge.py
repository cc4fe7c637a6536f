"""What the bridge adds to a datagram: 240 Hz with 60 vehicles, against a bare loop that only hands the bytes on.

Run by hand: python -m tests.connect.bench_bridge [SECONDS]. One process sends and subscribes, so one clock times both
ends. Printed: losses, and percentiles of both ways and of what the bridge adds.
"""

from __future__ import annotations

import socket
import subprocess
import sys
import time

import numpy as np
import zmq

from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame
from tests.commands.running import command
from tests.connect import udp_sender
from tests.connect.conftest import CONFIGS, free_udp_port

RATE_HZ, CARS = 240, 60

BARE = """
import socket, sys, zmq
taken = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
taken.bind(("127.0.0.1", int(sys.argv[1])))
out = zmq.Context().socket(zmq.PUB)
print(out.bind_to_random_port("tcp://127.0.0.1"), flush=True)
while True:
    out.send_multipart((b"frame", taken.recv(65507)))
"""


def measure(port: int, endpoint: str, seconds: float, bare: bool) -> tuple[int, np.ndarray]:
    """Frames sent, and seconds from sending to arrival of each that came."""
    context = zmq.Context()
    subscriber = context.socket(zmq.SUB)
    subscriber.subscribe(b"frame")
    subscriber.connect(endpoint)
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    poller = zmq.Poller()
    poller.register(subscriber, zmq.POLLIN)
    warm = 0
    while not subscriber.poll(50):  # until the subscription is through
        sender.sendto(udp_sender.packet(warm, CARS), ("127.0.0.1", port))
        warm += 1
    count = int(seconds * RATE_HZ)
    sent, came = {}, {}
    begun = time.monotonic() + 0.2
    frame = warm
    while frame < warm + count or time.monotonic() < begun + seconds + 1.0:
        due = begun + (frame - warm) / RATE_HZ
        if frame < warm + count and time.monotonic() >= due:
            sent[frame] = time.monotonic()
            sender.sendto(udp_sender.packet(frame, CARS), ("127.0.0.1", port))
            frame += 1
            continue
        if poller.poll(max(0, min(2, int(1000 * (due - time.monotonic()))))):
            parts = subscriber.recv_multipart()
            now = time.monotonic()
            if bare:
                came[int.from_bytes(parts[1][8:12], "little")] = now
            else:
                message = decode_message(parts)
                assert isinstance(message, Frame), message
                came[round(message.t * RATE_HZ)] = now
    context.destroy(0)
    return count, np.array([came[one] - sent[one] for one in sent if one in came])


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    found = {}
    for bare in (True, False):
        port = free_udp_port()
        if bare:
            process = subprocess.Popen([sys.executable, "-c", BARE, str(port)], stdout=subprocess.PIPE, text=True)
            assert process.stdout is not None
            endpoint = f"tcp://127.0.0.1:{process.stdout.readline().strip()}"
        else:
            source = ("--map", str(CONFIGS / "channels-udp.toml"), "--source", f"127.0.0.1:{port}")
            process = subprocess.Popen(
                command("bridge", "--json", *source, "--bind", "tcp://127.0.0.1:*"), stdout=subprocess.PIPE, text=True
            )
            assert process.stdout is not None
            endpoint = process.stdout.readline().split('"endpoint": "')[1].split('"')[0]
        try:
            count, found[bare] = measure(port, endpoint, seconds, bare)
        finally:
            process.kill()
            process.communicate()
        name = "bare loop" if bare else "bridge"
        ms = 1000 * np.percentile(found[bare], (50, 99, 100))
        print(
            f"{name:>10}: {len(found[bare])} of {count} came; median {ms[0]:.2f}, p99 {ms[1]:.2f}, most {ms[2]:.2f} ms"
        )
    added = 1000 * (np.percentile(found[False], 99) - np.percentile(found[True], 99))
    median = 1000 * (np.median(found[False]) - np.median(found[True]))
    print(f"{'added':>10}: median {median:.2f}, p99 {added:.2f} ms")


if __name__ == "__main__":
    main()

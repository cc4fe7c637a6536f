"""What the bridge adds to a datagram: 240 Hz with 60 vehicles, beside a bare loop that only hands the bytes on.

Both take turns of half a second in one run, so that whatever else the machine does falls on both alike, and neither has
to share the machine with the other. What is added is the difference of the same percentile. Wall times.
"""

from __future__ import annotations

import json
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import zmq

from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame
from tests.benchmarks.measuring import Figure, percentile, processor_s
from tests.benchmarks.processes import program, running
from tests.connect import udp_sender

TESTS = Path(__file__).resolve().parents[1]

RATE_HZ, CARS, SECONDS, TURN_S = 240, 60, 8.0, 0.5
MAP = TESTS.parent / "configs" / "channels-udp.toml"
BARE = """
import socket, sys, zmq
taken = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
taken.bind(("127.0.0.1", int(sys.argv[1])))
out = zmq.Context().socket(zmq.PUB)
print(out.bind_to_random_port("tcp://127.0.0.1"), flush=True)
while True:
    out.send_multipart((b"frame", taken.recv(65507)))
"""


def measure(rounds: int) -> Iterator[Figure]:
    """Losses and what is added, of rounds of eight seconds."""
    taken = [_Round() for _ in range(rounds)]
    what = f"{RATE_HZ} Hz, {CARS} vehicles"
    yield Figure(f"bridge: datagrams lost, {what}", tuple(float(one.lost) for one in taken), "", at_most=0.0)
    for share, name, budget in ((0.5, "median", None), (0.99, "p99", 2.0)):
        added = tuple(1000 * (percentile(one.bridge_s, share) - percentile(one.bare_s, share)) for one in taken)
        bare = 1000 * percentile([s for one in taken for s in one.bare_s], share)
        remark = f"to {bare:.2f} ms of the bare loop"
        yield Figure(f"bridge: added to a datagram, {name}", added, "ms", at_most=budget, remark=remark)
    cost = tuple(1000 * one.processor_s for one in taken)
    yield Figure("bridge: processor time of a datagram", cost, "ms")


class _Round:
    """One round. `bridge_s`, `bare_s`: from sending to arrival, of each datagram that came by it."""

    def __init__(self) -> None:
        self.count = int(SECONDS * RATE_HZ)
        with _both() as (ports, endpoints, pid):
            sent, came = self._run(ports, endpoints, pid)
        self.bare_s, self.bridge_s = (
            [at - sent[one] for one, at in came[name].items() if one in sent] for name in ("bare", "bridge")
        )
        self.lost = self.count - len(self.bare_s) - len(self.bridge_s)

    def _run(
        self, ports: list[int], endpoints: dict[str, str], pid: int
    ) -> tuple[dict[int, float], dict[str, dict[int, float]]]:
        context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        poller = zmq.Poller()
        names: dict[zmq.Socket[bytes], str] = {}
        for name, endpoint in endpoints.items():
            subscriber = context.socket(zmq.SUB)
            subscriber.subscribe(b"frame")
            subscriber.connect(endpoint)
            poller.register(subscriber, zmq.POLLIN)
            names[subscriber] = name
        sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        came: dict[str, dict[int, float]] = {"bare": {}, "bridge": {}}
        sent: dict[int, float] = {}

        def send(frame: int, to: list[int]) -> None:
            packet = udp_sender.packet(frame, CARS)
            sent[frame] = time.monotonic()
            for port in to:
                sender.sendto(packet, ("127.0.0.1", port))

        def take(wait_ms: int) -> None:
            for subscriber, _ in poller.poll(wait_ms):
                parts = subscriber.recv_multipart()
                now = time.monotonic()
                came[names[subscriber]][_frame_in(parts, names[subscriber])] = now

        frame = 0
        while not all(came.values()):  # until both subscriptions are through
            send(frame, ports)
            take(50)
            frame += 1
        sent.clear()
        first, begun = frame, time.monotonic() + 0.2
        used_s = processor_s(pid)
        while frame < first + self.count or time.monotonic() < begun + SECONDS + 0.5:
            due = begun + (frame - first) / RATE_HZ
            if frame < first + self.count and time.monotonic() >= due:
                send(frame, [ports[int((frame - first) / (TURN_S * RATE_HZ)) % 2]])
                frame += 1
            else:
                take(max(0, min(2, int(1000 * (due - time.monotonic())))))
        self.processor_s = 2 * (processor_s(pid) - used_s) / self.count
        sender.close()
        context.destroy(0)
        return sent, came


def _frame_in(parts: list[bytes], name: str) -> int:
    if name == "bare":
        return int.from_bytes(parts[1][8:12], "little")
    message = decode_message(parts)
    assert isinstance(message, Frame), message
    return round(message.t * RATE_HZ)


@contextmanager
def _both() -> Iterator[tuple[list[int], dict[str, str], int]]:
    """The bare loop and the bridge: their UDP ports, where they publish, and the bridge's process id."""
    ports = []
    for _ in range(2):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", 0))
            ports.append(free.getsockname()[1])
    source = ("--map", str(MAP), "--source", f"127.0.0.1:{ports[1]}", "--bind", "tcp://127.0.0.1:*")
    with (
        running([sys.executable, "-c", BARE, str(ports[0])], stdout=-1) as bare,
        running(program("bridge", "--json", *source), stdout=-1) as bridge,
    ):
        assert bare.stdout is not None
        assert bridge.stdout is not None
        endpoints = {
            "bare": f"tcp://127.0.0.1:{bare.stdout.readline().strip()}",
            "bridge": json.loads(bridge.stdout.readline())["endpoint"],
        }
        yield ports, endpoints, bridge.pid

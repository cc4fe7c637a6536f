"""Publishes a simulator's telemetry on the feed: for the synthetic simulator, and for a facility's own bridge."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Mapping, Sequence
from types import MappingProxyType, TracebackType
from typing import Any

import msgpack
import numpy as np
import zmq

from monitor.feed.decode import decode_message
from monitor.feed.limits import MAX_MESSAGE_BYTES
from monitor.feed.schema import RECENT_MARKERS, VERSION, Refused

HELLO_EVERY_WALL_S = 0.8
"""The feed promises one a second; a frame may come up to a fifth of a second later than it is due."""
HELLO_EVERY_SIMULATED_S = 0.5
SEND_QUEUE = 32_768
"""Messages kept for a subscriber that does not read, nine minutes at 60 Hz; what comes beyond is dropped."""
LINGER_S = 2.0
"""How long closing waits for messages that are still to be sent."""

_NOTHING: Mapping[str, Any] = MappingProxyType({})


class FeedPublisher:
    """One drive of a simulator, published at `bind` (such as "tcp://*:5600"; port * lets the system choose).

    Every message is put through the monitor's own decoder before it is sent, so that a misuse is a `ValueError` here,
    with the key named, and not a counted fault there. Use one publisher in one thread only. An example:

        from monitor.feed.publisher import FeedPublisher

        still = {"y": 0.0, "heading": 0.0, "speed": 22.2, "accel": 0.0, "width": 1.8}
        with FeedPublisher("tcp://*:5600", run="monday-1", source="bridge", rate_hz=60) as feed:
            feed.wait_for_subscriber(timeout_s=30)
            feed.marker("run_start", "", t=0.0)
            for step in range(600):
                t = step / 60
                own = {**still, "x": 22.2 * t, "length": 4.6}
                van = {**still, "x": 22.2 * t + 40.0, "length": 5.4, "id": 7, "name": "van"}
                if step == 300:
                    feed.marker("trigger", "gate-brake", t)
                feed.frame(t, own, {name: [value] for name, value in van.items()}, {"eyes_on_road": True})
            feed.marker("run_end", "", t=10.0)
    """

    def __init__(
        self,
        bind: str,
        *,
        run: str,
        source: str,
        rate_hz: float,
        signals: Mapping[str, str] = _NOTHING,
        participant: str | None = None,
        group: str | None = None,
        scenario: str | None = None,
        road: Mapping[str, Any] | None = None,
        packed: bool = True,
    ) -> None:
        """`run` must be new after each restart. `packed` sends columns as bytes (fast), else as arrays.

        Raises ValueError where the hello would be refused, and zmq.ZMQError where `bind` cannot be bound.
        """
        self.run = run
        self.packed = packed
        self.seq = 0
        """Sequence number of the last frame sent; add to it for frames that are left out."""
        self.markers = 0
        """Number of markers sent."""
        self._recent: deque[dict[str, Any]] = deque(maxlen=RECENT_MARKERS)
        self._hello: dict[str, Any] = {"v": VERSION, "run": run, "source": source, "rate_hz": rate_hz}
        self._hello["signals"] = dict(signals)
        optional = {
            "participant": participant,
            "group": group,
            "scenario": scenario,
            "road": road and _plain_road(road),
        }
        self._hello.update((key, value) for key, value in optional.items() if value is not None)
        self._packer = msgpack.Packer(default=_plain)
        self._pack_checked("hello", self._hello)
        self._prefixes: set[bytes] = set()
        self._hello_due_wall = 0.0
        self._hello_due_t = -np.inf
        self._context = zmq.Context()
        self._socket = self._context.socket(zmq.XPUB)
        self._socket.setsockopt(zmq.SNDHWM, SEND_QUEUE)
        self._socket.setsockopt(zmq.LINGER, int(LINGER_S * 1000))
        self._socket.setsockopt(zmq.XPUB_VERBOSE, 1)  # every new subscriber shows, so that a hello greets it at once
        try:
            self._socket.bind(bind)
        except BaseException:
            self._context.destroy(linger=0)
            raise
        self.endpoint: str = self._socket.get_string(zmq.LAST_ENDPOINT).rstrip("\0")
        """Where it is bound, with the real port."""

    def wait_for_subscriber(self, timeout_s: float) -> bool:
        """True as soon as someone has subscribed to frames; False if nobody has within `timeout_s`."""
        deadline = time.monotonic() + timeout_s
        while not self._greet_subscribers():
            left = deadline - time.monotonic()
            if left <= 0:
                return False
            self._socket.poll(int(left * 1000) + 1)
        return True

    def hello(self) -> None:
        """Sends a hello. `frame` and `marker` do so when one is due; call it when neither is called for a while."""
        recent = list(self._recent)
        payload = self._pack({**self._hello, "recent": recent})
        while len(payload) > MAX_MESSAGE_BYTES:  # markers with much data beside a long road: the oldest must go
            del recent[0]
            payload = self._pack({**self._hello, "recent": recent})
        self._send("hello", payload)
        self._hello_due_wall = time.monotonic() + HELLO_EVERY_WALL_S

    def frame(
        self,
        t: float,
        own: Mapping[str, float],
        others: Mapping[str, Sequence[Any]] = _NOTHING,
        signals: Mapping[str, float | bool] = _NOTHING,
        wall: float | None = None,
    ) -> int:
        """Sends one step, returns its sequence number. `others`: equal-length columns. Raises ValueError on misuse."""
        fields = {"v": VERSION, "run": self.run, "seq": self.seq + 1, "t": t, "own": dict(own)}
        fields["others"] = {name: self._column(name, column) for name, column in others.items()}
        fields["signals"] = dict(signals)
        fields["markers"] = self.markers
        if wall is not None:
            fields["wall"] = wall
        payload = self._pack_checked("frame", fields)
        self._hello_if_due(t)
        self._send("frame", payload)
        self.seq += 1
        return self.seq

    def marker(self, kind: str, name: str, t: float, data: Mapping[str, Any] | None = None) -> int:
        """Sends a marker and gives its number. Raises ValueError on misuse."""
        fields = {"v": VERSION, "run": self.run, "n": self.markers + 1, "t": t, "kind": kind, "name": name}
        if data is not None:
            fields["data"] = dict(data)
        payload = self._pack_checked("marker", fields)
        self._hello_if_due(t)
        self._send("marker", payload)
        self.markers += 1
        self._recent.append(fields)
        return self.markers

    def close(self) -> None:
        """Waits up to two seconds for what is still to be sent, then releases the endpoint."""
        if not self._socket.closed:
            self._socket.close()
            self._context.term()

    def __enter__(self) -> FeedPublisher:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _hello_if_due(self, t: float) -> None:
        self._greet_subscribers()
        if time.monotonic() >= self._hello_due_wall or t >= self._hello_due_t:
            self.hello()
            self._hello_due_t = t + HELLO_EVERY_SIMULATED_S

    def _greet_subscribers(self) -> bool:
        """Takes in what subscribers told; True where someone has subscribed to frames."""
        greet = False
        while self._socket.poll(0):
            told = self._socket.recv()
            if told[:1] == b"\1":
                self._prefixes.add(told[1:])
                greet = True
            elif told[:1] == b"\0":
                self._prefixes.discard(told[1:])
        if greet:
            self.hello()
        return any(b"frame".startswith(prefix) for prefix in self._prefixes)

    def _column(self, name: str, column: Sequence[Any]) -> Any:
        if name == "name" or not self.packed:
            return list(column)
        array = np.asarray(column)
        if array.dtype == object and all(one is None or isinstance(one, float | int) for one in array):
            array = array.astype("<f8")  # None becomes NaN, "not measured"
        wanted = "iu" if name == "id" and len(array) else "iuf"
        if array.ndim != 1 or array.dtype.kind not in wanted:
            raise ValueError(f"frame: `others.{name}` is no flat column of {'integers' if name == 'id' else 'numbers'}")
        return array.astype("<i8" if name == "id" else "<f8").tobytes()

    def _pack(self, fields: dict[str, Any]) -> bytes:
        packed: bytes = self._packer.pack(fields)
        return packed

    def _pack_checked(self, topic: str, fields: dict[str, Any]) -> bytes:
        try:
            payload = self._pack(fields)
        except (TypeError, OverflowError, ValueError) as error:
            raise ValueError(f"{topic}: {error}") from error
        decoded = decode_message([topic.encode(), payload])
        if isinstance(decoded, Refused):
            raise ValueError(decoded.why)
        return payload

    def _send(self, topic: str, payload: bytes) -> None:
        self._socket.send_multipart((topic.encode(), payload))


def _plain_road(road: Mapping[str, Any]) -> dict[str, Any]:
    return {key: [float(one) for one in value] if key in ("x", "y") else value for key, value in road.items()}


def _plain(value: Any) -> Any:
    """The plain value of a numpy number or array, which msgpack does not know."""
    if isinstance(value, np.generic | np.ndarray):
        return value.tolist()
    raise TypeError(f"a {type(value).__name__} cannot be sent")

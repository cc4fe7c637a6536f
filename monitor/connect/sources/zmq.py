"""A foreign ZeroMQ publisher whose messages are maps (msgpack or JSON): topic and map, or the map alone."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from typing import Any

import zmq

from monitor.connect.channel_map.model import Format
from monitor.connect.channel_map.values import Sample
from monitor.connect.sources.maps import MapRefused, format_of, read_map
from monitor.errors import WitnessError
from monitor.feed.curve import CurveFiles, secure_client
from monitor.feed.limits import MAX_NAME
from monitor.feed.schema import ClockTold

MAX_BYTES = 1 << 20
"""Of one message: four times what the feed allows, since a foreign one may say more than is mapped."""
QUEUE = 40_000
A_TURN = 256
QUIET_S = 5.0
"""Without a message for so long the connection is made anew: ZeroMQ gives it up after a message that is too large."""


class ZmqReceiver:
    """Connected to a publisher; connects again by itself."""

    largest = MAX_BYTES

    def __init__(
        self, connect: str, topics: Sequence[str], keys: CurveFiles | None, written: Format | None = "msgpack"
    ) -> None:
        """`written`: how maps are written; None: as the first one is."""
        self.where = connect
        self.written: Format | None = written
        self.refused = 0
        self.last_refusal = ""
        self.clock: ClockTold | None = None
        self.doubt = ""
        self._topics = tuple(topics) or ("",)
        self._keys = keys
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self._heard_s = time.monotonic()
        try:
            self._socket = self._open()
        except BaseException:
            self._context.destroy(0)
            raise

    def samples(self, timeout_s: float) -> list[Sample]:
        """Up to 256 messages that wait."""
        found: list[Sample] = []
        now = time.monotonic()
        if not self._socket.poll(int(timeout_s * 1000)):
            if now - self._heard_s > QUIET_S:
                self._socket.close(0)
                self._socket = self._open()
                self._heard_s = now
            return found
        self._heard_s = now
        try:
            for _ in range(A_TURN):
                parts = self._socket.recv_multipart(zmq.NOBLOCK)
                self._take(parts, found)
        except zmq.Again:
            pass
        return found

    def close(self) -> None:
        """Ends the connection."""
        self._context.destroy(0)

    def _take(self, parts: list[bytes], found: list[Sample]) -> None:
        topic = parts[0][:MAX_NAME].decode("utf-8", "replace") if len(parts) > 1 else ""
        try:
            found.append(Sample(self._values(parts[-1]), topic))
        except MapRefused as refusal:
            self._refuse(str(refusal))

    def _values(self, payload: bytes) -> Mapping[str, Any]:
        """The values in a message. Raises `MapRefused`."""
        if self.written is None:
            self.written = format_of(payload)
        return read_map(payload, self.written or "msgpack")

    def _open(self) -> zmq.Socket[bytes]:
        opened = self._context.socket(zmq.SUB)
        opened.linger = 0
        opened.rcvhwm = QUEUE
        opened.setsockopt(zmq.MAXMSGSIZE, self.largest)
        opened.setsockopt(zmq.HEARTBEAT_IVL, 1000)
        opened.setsockopt(zmq.HEARTBEAT_TIMEOUT, 3000)
        opened.setsockopt(zmq.RECONNECT_IVL, 100)
        opened.setsockopt(zmq.RECONNECT_IVL_MAX, 1000)
        if self._keys is not None:
            secure_client(opened, self._keys)
        for topic in self._topics:
            opened.subscribe(topic)
        try:
            opened.connect(self.where)
        except zmq.ZMQError as error:
            opened.close(0)
            raise WitnessError(f"{self.where} is no address to connect to ({error.strerror}).") from error
        return opened

    def _refuse(self, why: str) -> None:
        self.refused += 1
        self.last_refusal = why

"""One subscription to one feed endpoint: messages in, and every change of the connection as one plain sentence.

libzmq (4.3.5) leaves some things to us, each seen on a real socket:

- After a message over `MAXMSGSIZE`, a refused key or a different security mechanism it drops the connection and never
  tries again. It says DISCONNECTED without CONNECT_RETRIED; then the connection is built again here.
- A port that sends text is taken for the oldest protocol: CONNECTED, and never a good or a failed handshake.
- A wrong topic is silence. After `quiet_s` a second, short-lived socket subscribed to everything looks what there is.
"""

from __future__ import annotations

import errno
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import zmq

from monitor.feed.curve import KeyFileRefused, secure_client
from monitor.feed.endpoint import Endpoint, EndpointRefused, check_endpoint
from monitor.feed.limits import MAX_MESSAGE_BYTES, MAX_NAME, shown

TOPICS = (b"hello", b"frame", b"marker")
RECEIVE_QUEUE = 40_000
"""Messages: 60 s at ten times 60 Hz, with room for markers."""
MAX_PARTS = 8
"""Frames of one message that are kept as received; there should be two."""
MAX_TOTAL_BYTES = 2 * MAX_MESSAGE_BYTES
"""Bytes of one message that are kept, over all its frames."""
_HAPPENED = struct.Struct("=Hi")
"""Event and its value, in the first frame of what a monitoring socket says (manual page of `zmq_socket_monitor`). The
function of pyzmq for it would load asyncio."""
PROBE_TOPICS = 10
EVENTS_A_MINUTE = 60

LinkState = Literal[
    "connecting", "missing", "connected", "live", "silent", "wrong-topic", "lost", "unanswered", "not-zeromq", "refused"
]

_EVENTS = (
    zmq.EVENT_CONNECTED
    | zmq.EVENT_CONNECT_RETRIED
    | zmq.EVENT_DISCONNECTED
    | zmq.EVENT_HANDSHAKE_SUCCEEDED
    | zmq.EVENT_HANDSHAKE_FAILED_NO_DETAIL
    | zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL
    | zmq.EVENT_HANDSHAKE_FAILED_AUTH
)
_MECHANISM_MISMATCH = 0x11000002
_OPEN_LINK: frozenset[LinkState] = frozenset(("connected", "live", "silent", "wrong-topic"))


@dataclass(frozen=True, slots=True)
class LinkEvent:
    """A change of one endpoint's connection. `event` is a `LinkState`, or "rebuilt", "cut" or "left-out"."""

    event: str
    endpoint: str
    sentence: str


class FeedSubscription:
    """The connection to one endpoint. Its sockets belong to the thread that makes it, and register in `poller`.

    Times are seconds of one monotonic clock, given by the caller. Raises `EndpointRefused` and `KeyFileRefused`.
    """

    def __init__(
        self,
        context: zmq.Context[zmq.Socket[bytes]],
        poller: zmq.Poller,
        at: Endpoint,
        now_s: float,
    ) -> None:
        check_endpoint(at.address)
        self.endpoint = at.address
        self.state: LinkState = "connecting"
        self.sentence = f"connecting to {at.address}"
        self.rebuilt = 0
        self._context, self._poller, self._at, self._timing = context, poller, at, at.timing
        self._events: list[LinkEvent] = []
        self._events_since_s, self._events_said = now_s, 0
        self._since_s = now_s
        self._heard = False
        self._heard_s = now_s
        self._opened_s = self._answered_s = now_s
        self._tcp_since_s: float | None = None
        self._deaf_since_s: float | None = None
        self._wait_s = at.timing.rebuild_s
        self._probe: _TopicProbe | None = None
        self._probed = False
        self._seen: tuple[str, ...] = ()
        self._open(_subscribing_socket(context, at, RECEIVE_QUEUE))

    def receive(self, limit: int) -> list[list[bytes]]:
        """Up to `limit` waiting messages, each as its frames; empty where none waits."""
        messages: list[list[bytes]] = []
        recv, more = self._socket.recv, self._socket.getsockopt
        try:
            for _ in range(limit):
                frames = [recv(zmq.NOBLOCK)]
                if more(zmq.RCVMORE):
                    frames.append(recv(zmq.NOBLOCK))
                    if more(zmq.RCVMORE):
                        self._receive_rest(frames)
                messages.append(frames)
                if not self._heard:
                    self._heard = frames[0] in TOPICS
        except zmq.Again:
            pass
        return messages

    def watch(self, now_s: float) -> list[LinkEvent]:
        """What has changed since the last call. To be called a few times a second, after `receive` gave no more."""
        self._read_monitor(now_s)
        if self._heard and self.state == "lost":
            self._heard, self._heard_s = False, now_s  # heard before the loss that was told just now
        if self._heard:
            self._heard, self._heard_s, self._wait_s = False, now_s, self._timing.rebuild_s
            self._tcp_since_s = None
            self._end_probe()
            if self.state != "live":
                self._enter("live", now_s, f"messages come from {self.endpoint}")
        else:
            self._look_after(now_s)
        events, self._events = self._events, []
        return list(self._limited(events, now_s))

    def close(self) -> None:
        """Ends the connection."""
        self._end_probe()
        self._shut()

    def _open(self, socket: zmq.Socket[bytes]) -> None:
        self._socket = socket
        self._monitor = socket.get_monitor_socket(_EVENTS)
        for topic in TOPICS:
            socket.subscribe(topic)
        _connect(socket, self.endpoint)
        self._poller.register(socket, zmq.POLLIN)
        self._poller.register(self._monitor, zmq.POLLIN)

    def _shut(self) -> None:
        self._poller.unregister(self._socket)
        self._poller.unregister(self._monitor)
        self._socket.disable_monitor()
        self._monitor.close(0)
        self._socket.close(0)

    def _rebuild(self, now_s: float) -> None:
        """A new socket rather than `disconnect`: late events of the old connection cannot be taken for the new one's.

        Key files are read again, so that a key mended meanwhile is used.
        """
        self._opened_s = self._answered_s = now_s
        try:
            socket = _subscribing_socket(self._context, self._at, RECEIVE_QUEUE)
        except KeyFileRefused as refused:
            self._deaf_since_s = now_s
            self._enter("refused", now_s, str(refused))
            return
        self._end_probe()
        self._shut()
        self._open(socket)
        self.rebuilt += 1
        self._tcp_since_s = self._deaf_since_s = None

    def _receive_rest(self, frames: list[bytes]) -> None:
        parts, total = len(frames), sum(map(len, frames))
        while self._socket.getsockopt(zmq.RCVMORE):
            frame = self._socket.recv(zmq.NOBLOCK)
            parts += 1
            total += len(frame)
            if len(frames) < MAX_PARTS and total <= MAX_TOTAL_BYTES:
                frames.append(frame)
        if parts > len(frames):
            sentence = f"a message of {parts} parts came from {self.endpoint}; only the first {len(frames)} were kept"
            self._events.append(LinkEvent("cut", self.endpoint, sentence))

    def _read_monitor(self, now_s: float) -> None:
        try:
            while True:
                event, value = _HAPPENED.unpack(self._monitor.recv_multipart(zmq.NOBLOCK)[0])
                self._take_event(event, value, now_s)
        except zmq.Again:
            pass

    def _take_event(self, event: int, value: int, now_s: float) -> None:
        if event == zmq.EVENT_CONNECT_RETRIED:
            self._tcp_since_s = self._deaf_since_s = None
            return
        self._answered_s = now_s
        if event == zmq.EVENT_CONNECTED:
            self._tcp_since_s, self._deaf_since_s = now_s, None
        elif event == zmq.EVENT_HANDSHAKE_SUCCEEDED:
            self._tcp_since_s = None
            self._heard_s = now_s
            self._enter("connected", now_s, f"connected to {self.endpoint}")
        elif event == zmq.EVENT_DISCONNECTED:
            self._tcp_since_s, self._deaf_since_s = None, now_s
            if self.state in _OPEN_LINK:
                self._end_probe()
                self._enter("lost", now_s, f"the connection to {self.endpoint} was lost; connecting again")
        else:
            self._take_failed_handshake(event, value, now_s)

    def _take_failed_handshake(self, event: int, value: int, now_s: float) -> None:
        if event == zmq.EVENT_HANDSHAKE_FAILED_AUTH:
            why = f"{self.endpoint} refused our key: it is not among the clients allowed there (status {value})"
            self._enter("refused", now_s, why)
        elif event == zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL and value == _MECHANISM_MISMATCH:
            why = (
                f"{self.endpoint} does not use CURVE, but key files were given for it"
                if self._at.keys
                else f"{self.endpoint} asks for CURVE keys, and none were given"
            )
            self._enter("refused", now_s, why)
        elif event == zmq.EVENT_HANDSHAKE_FAILED_NO_DETAIL and value in (errno.EAGAIN, errno.ETIMEDOUT):
            why = f"{self.endpoint} takes the connection but does not answer: it is stopped, or it is not a ZeroMQ port"
            self._enter("unanswered", now_s, why)
        elif self._at.keys:
            why = f"{self.endpoint} is not a ZeroMQ port, or its server key is another one"
            self._enter("not-zeromq", now_s, why)
        elif event == zmq.EVENT_HANDSHAKE_FAILED_NO_DETAIL and value in (errno.EPIPE, errno.ECONNRESET):
            # who asks for keys closes at once, and often before libzmq has read why
            if self.state != "refused":
                why = f"{self.endpoint} asks for CURVE keys, and none were given, or it is not a ZeroMQ port"
                self._enter("not-zeromq", now_s, why)
        else:
            self._enter("not-zeromq", now_s, f"{self.endpoint} is not a ZeroMQ port")

    def _look_after(self, now_s: float) -> None:
        quiet_s = now_s - self._heard_s
        if self._deaf_since_s is not None:
            self._cure_deafness(now_s - self._deaf_since_s, now_s)
        elif (
            self._at.keys is not None
            and self.state == "not-zeromq"
            and now_s - self._opened_s >= self._timing.refused_retry_s
        ):
            self._rebuild(now_s)
        elif self._tcp_since_s is not None:
            if now_s - self._tcp_since_s >= max(self._timing.no_handshake_s, self._wait_s):
                why = f"{self.endpoint} is not a ZeroMQ port (or of a ZeroMQ before version 4 that sends nothing)"
                self._enter("not-zeromq", now_s, why)
                self._rebuild_later(now_s)
        elif self.state in _OPEN_LINK:
            if quiet_s >= self._timing.quiet_s:
                self._look_into_silence(quiet_s, now_s)
        elif now_s - max(self._since_s, self._answered_s) >= self._timing.missing_s:
            self._enter("missing", now_s, f"nothing answers at {self.endpoint}; trying again")

    def _cure_deafness(self, deaf_s: float, now_s: float) -> None:
        """libzmq has given this connection up. (A refused key is tried again more slowly.)"""
        if deaf_s < (self._timing.refused_retry_s if self.state == "refused" else self._timing.deaf_s):
            return
        if self.state == "lost":
            why = (
                f"{self.endpoint} sent a message over {MAX_MESSAGE_BYTES // 1024} KiB or broke the protocol; "
                "that message was not read, and the connection is built again"
            )
            self._enter("connecting", now_s, why, event="rebuilt")
        self._rebuild(now_s)

    def _look_into_silence(self, quiet_s: float, now_s: float) -> None:
        if self.state in ("connected", "live"):
            self._probed = False
            self._enter("silent", now_s, f"nothing has come from {self.endpoint} for {quiet_s:.0f} s")
        if self._probe is None and not self._probed:
            self._probe, self._probed, self._seen = (
                _TopicProbe(self._context, self._at, now_s),
                True,
                (),
            )
        if self._probe is not None:
            self._seen = self._probe.look()
            if self._seen and not any(topic.encode() in TOPICS for topic in self._seen):
                why = f"connected to {self.endpoint}, but no 'frame' messages; seen: {', '.join(self._seen)}"
                self._enter("wrong-topic", now_s, why)
            if now_s - self._probe.since_s >= self._timing.probe_s:
                self._end_probe()
        if quiet_s >= self._wait_s and (self._probe is None or not self._seen):
            self._probed = False
            if self.state == "wrong-topic" and self._seen:
                self._wait_s += min(self._wait_s, self._timing.backoff_most_s)
            else:
                self._rebuild_later(now_s)

    def _rebuild_later(self, now_s: float) -> None:
        """Builds the connection again now, and waits longer before the next time, up to `backoff_most_s`."""
        self._wait_s += min(self._wait_s, self._timing.backoff_most_s)
        self._rebuild(now_s)

    def _end_probe(self) -> None:
        if self._probe is not None:
            self._probe.close()
            self._probe = None

    def _enter(self, state: LinkState, now_s: float, sentence: str, event: str | None = None) -> None:
        if state != self.state:
            self._since_s = now_s
        if sentence != self.sentence:
            self.state, self.sentence = state, sentence
            self._events.append(LinkEvent(event or state, self.endpoint, sentence))

    def _limited(self, events: list[LinkEvent], now_s: float) -> Iterator[LinkEvent]:
        """At most `EVENTS_A_MINUTE`, so that an endpoint that comes and goes cannot fill the record."""
        if now_s - self._events_since_s >= 60.0:
            self._events_since_s, self._events_said = now_s, 0
        for event in events:
            self._events_said += 1
            if self._events_said < EVENTS_A_MINUTE:
                yield event
            elif self._events_said == EVENTS_A_MINUTE:
                sentence = f"{self.endpoint} changes too often; for up to a minute its changes are left out here"
                yield LinkEvent("left-out", self.endpoint, sentence)


class _TopicProbe:
    """A socket subscribed to everything, for a look at the topics that an endpoint does send."""

    def __init__(self, context: zmq.Context[zmq.Socket[bytes]], at: Endpoint, now_s: float) -> None:
        self.since_s = now_s
        self._topics: dict[str, None] = {}
        self._socket = _subscribing_socket(context, at, 100)
        self._socket.subscribe(b"")
        _connect(self._socket, at.address)

    def look(self) -> tuple[str, ...]:
        """The topics seen so far, at most `PROBE_TOPICS`, fit for a sentence."""
        try:
            for _ in range(100):
                topic = self._socket.recv(zmq.NOBLOCK)
                while self._socket.getsockopt(zmq.RCVMORE):
                    self._socket.recv(zmq.NOBLOCK)
                if len(self._topics) < PROBE_TOPICS:
                    self._topics[shown(topic[: MAX_NAME + 1].decode("utf-8", "replace"))] = None
        except zmq.Again:
            pass
        return tuple(self._topics)

    def close(self) -> None:
        self._socket.close(0)


def _subscribing_socket(context: zmq.Context[zmq.Socket[bytes]], at: Endpoint, queue: int) -> zmq.Socket[bytes]:
    socket = context.socket(zmq.SUB)
    socket.linger = 0
    socket.rcvhwm = queue
    socket.setsockopt(zmq.MAXMSGSIZE, MAX_MESSAGE_BYTES)
    socket.setsockopt(zmq.HEARTBEAT_IVL, int(1000 * at.timing.heartbeat_s / 3))
    socket.setsockopt(zmq.HEARTBEAT_TIMEOUT, int(1000 * at.timing.heartbeat_s))
    socket.setsockopt(zmq.HEARTBEAT_TTL, int(1000 * at.timing.heartbeat_s * 4 / 3))
    socket.setsockopt(zmq.HANDSHAKE_IVL, int(1000 * at.timing.handshake_s))
    socket.setsockopt(zmq.RECONNECT_IVL, 100)
    socket.setsockopt(zmq.RECONNECT_IVL_MAX, 500)
    if at.keys is not None:
        secure_client(socket, at.keys)
    return socket


def _connect(socket: zmq.Socket[bytes], endpoint: str) -> None:
    try:
        socket.connect(endpoint)
    except zmq.ZMQError as error:
        socket.close(0)
        raise EndpointRefused(f"{endpoint}: cannot be a feed endpoint: {error.strerror}") from error

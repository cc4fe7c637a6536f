"""Publishes a simulator's telemetry on the feed: for the synthetic simulator, and for a facility's own bridge."""

from __future__ import annotations

import math
import signal
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import zmq

from monitor.feed.composing import NOTHING, FeedComposer
from monitor.feed.curve import Gate
from monitor.feed.schema import NO_CAR

HELLO_EVERY_WALL_S = 0.8
"""The feed promises one a second; a frame may come up to a fifth of a second later than it is due."""
HELLO_EVERY_SIMULATED_S = 0.5
SEND_QUEUE = 32_768
"""Messages kept for a subscriber that does not read, nine minutes at 60 Hz; what comes beyond is dropped."""
WAIT_S = 0.2
"""A lossless publisher that waits for a subscriber asks so often whether it still is to."""
LINGER_S = 2.0
"""How long closing waits for messages that are still to be sent."""
LINGER_ENDS_S = 0.02
"""The library's clock counts whole milliseconds, and may give up some of them early."""
AT_THE_END_S = 20.0
"""The same where a drive has come to its end: a listener that lags behind would else never know that it has."""
GREETING_EVERY_S = 60.0
"""A hello with the further keys for new subscribers goes out so often, should the first one have been lost."""


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
        signals: Mapping[str, str] = NOTHING,
        participant: str | None = None,
        group: str | None = None,
        scenario: str | None = None,
        road: Mapping[str, Any] | None = None,
        packed: bool = True,
        own_key: Path | None = None,
        allowed_keys: Path | None = None,
        lossless: bool = False,
        gives: Sequence[str] | None = None,
    ) -> None:
        """`run` must be new after each restart. `packed` sends columns as bytes (fast), else as arrays.

        With `own_key` (our secret CURVE key file) and `allowed_keys` (a directory with the public key files of who may
        subscribe) nobody else is let in. `lossless` waits for a subscriber that does not read instead of dropping: for
        a file that is published as fast as possible, never for a simulator. `gives`: the kinds of markers that a
        further source gives, so that its silence leaves nothing else open. Raises ValueError where the hello would be
        refused, zmq.ZMQError where `bind` cannot be bound, and `KeyFileRefused`.
        """
        self._source: dict[str, Any] = {
            "source": source,
            "rate_hz": rate_hz,
            "signals": dict(signals),
            "road": road,
            "packed": packed,
        }
        self._composer = FeedComposer(run=run, participant=participant, group=group, scenario=scenario, **self._source)
        self.greeting: Mapping[str, Any] = NOTHING
        """Further keys of a hello to a new subscriber, and of one a minute: the feed keeps and ignores them."""
        self.further: Mapping[str, Any] = NOTHING if gives is None else {"gives": list(gives)}
        """Further keys of every hello."""
        self.quiet = False
        """While true nobody is greeted: what a hello has to say of the drive is not known before `begin_drive`."""
        self.while_waiting: Callable[[], None] = lambda: None
        """Called again and again while a lossless publisher waits for a subscriber; what it raises ends the wait."""
        self._lossless = lossless
        self._has_dropped = False
        """Never again True to False: what is dropped for a subscriber without room is told of the first message only,
        and it may get room in a later drive, most of which was dropped, too."""
        self._prefixes: set[bytes] = set()
        self._hello_due_wall = 0.0
        self._hello_due_t = -math.inf
        self._greeting_due_wall = 0.0
        self._context = zmq.Context()
        self._gate = None
        self._socket = self._context.socket(zmq.XPUB)
        self._socket.setsockopt(zmq.SNDHWM, SEND_QUEUE)
        # for a process that ends without `close`: the library's own is to wait for ever
        self._socket.setsockopt(zmq.LINGER, round(1000 * LINGER_S))
        self._socket.setsockopt(zmq.XPUB_VERBOSE, 1)  # every new subscriber shows, so that a hello greets it at once
        self._socket.setsockopt(zmq.XPUB_NODROP, 1)  # a full queue is told, and then decided on in `_send`
        self._socket.setsockopt(zmq.SNDTIMEO, round(1000 * WAIT_S))
        try:
            if own_key is not None and allowed_keys is not None:
                self._gate = Gate(self._context, allowed_keys)
                self._gate.guard(self._socket, own_key)
            self._socket.bind(bind)
        except BaseException:
            self._end_gate()
            self._context.destroy(linger=0)
            raise
        self.endpoint: str = self._socket.get_string(zmq.LAST_ENDPOINT).rstrip("\0")
        """Where it is bound, with the real port."""

    @property
    def run(self) -> str:
        """The text that names this drive."""
        return self._composer.run

    @property
    def packed(self) -> bool:
        """Whether columns go as bytes, else as arrays."""
        return self._composer.packed

    @property
    def seq(self) -> int:
        """Sequence number of the last frame sent; add to it for frames that are left out."""
        return self._composer.seq

    @seq.setter
    def seq(self, number: int) -> None:
        self._composer.seq = number

    @property
    def markers(self) -> int:
        """Number of markers sent."""
        return self._composer.markers

    @property
    def is_heard(self) -> bool:
        """Whether anybody is subscribed to frames, as far as was heard with the last message sent."""
        return any(b"frame".startswith(prefix) for prefix in self._prefixes)

    def begin_drive(
        self, run: str, *, participant: str | None = None, group: str | None = None, scenario: str | None = None
    ) -> None:
        """Goes on with a new drive on the same socket: sequence numbers and markers begin again."""
        self._composer = FeedComposer(run=run, participant=participant, group=group, scenario=scenario, **self._source)
        self.quiet = False
        self._hello_due_t = -math.inf

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
        now = time.monotonic()
        more = dict(self.further)
        if self.greeting and now >= self._greeting_due_wall:
            more.update(self.greeting)
            self._greeting_due_wall = now + GREETING_EVERY_S
        self._send("hello", self._composer.hello(more))
        self._hello_due_wall = now + HELLO_EVERY_WALL_S

    def greet(self) -> None:
        """Sends a hello where a subscriber is new or one is due; for while no frames come."""
        self._greet_subscribers()
        if time.monotonic() >= self._hello_due_wall:
            self.hello()

    def frame(
        self,
        t: float,
        own: Mapping[str, float],
        others: Mapping[str, Sequence[Any]] = NOTHING,
        signals: Mapping[str, float | bool] = NOTHING,
        wall: float | None = None,
    ) -> int:
        """Sends one step, returns its sequence number. `others`: equal-length columns. Raises ValueError on misuse."""
        payload = self._composer.frame(t, own, others, signals, wall)
        self._hello_if_due(t)
        self._send("frame", payload)
        return self._composer.frame_sent()

    def sample(self, t: float, signals: Mapping[str, float | bool]) -> int:
        """Sends one step of a further source, which has signals and no car. `t` is by its own clock."""
        return self.frame(t, NO_CAR, NOTHING, signals)

    def marker(self, kind: str, name: str, t: float, data: Mapping[str, Any] | None = None) -> int:
        """Sends a marker and gives its number. Raises ValueError on misuse."""
        fields = self._composer.marker(kind, name, t, data)
        payload = self._composer.pack_marker(fields)
        self._hello_if_due(t)
        self._send("marker", payload)
        return self._composer.marker_sent(fields)

    def close(self, wait_s: float = LINGER_S) -> bool:
        """Waits up to so long for what is still to be sent, then releases the endpoint. False where a subscriber that
        is connected has not taken all by then, or lagged so far behind that something was dropped for it: it stands
        still or is overloaded, and may never hear that the drive has ended."""
        if self._socket.closed:
            return True
        self._socket.close(int(wait_s * 1000))
        self._end_gate()
        began_s = time.monotonic()
        self._end_context()
        is_taken = time.monotonic() - began_s < wait_s - LINGER_ENDS_S
        return is_taken and not self._has_dropped

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
        while int(self._socket.getsockopt(zmq.EVENTS)) & zmq.POLLIN:  # a tenth of what `poll` costs, once a frame
            told = self._socket.recv()
            if told[:1] == b"\1":
                self._prefixes.add(told[1:])
                greet = True
            elif told[:1] == b"\0":
                self._prefixes.discard(told[1:])
        if greet:
            self._greeting_due_wall = 0.0
            if not self.quiet:
                self.hello()
        return self.is_heard

    def _send(self, topic: str, payload: bytes) -> None:
        parts = (topic.encode(), payload)
        if self._lossless:
            self._wait_and_send(parts[0], zmq.SNDMORE)
            self._wait_and_send(parts[1], 0)
            return
        try:
            self._socket.send_multipart(parts, zmq.DONTWAIT)
        except zmq.Again:  # some subscriber has no room: the others get it
            self._has_dropped = True
            self._socket.setsockopt(zmq.XPUB_NODROP, 0)
            self._socket.send_multipart(parts)
            self._socket.setsockopt(zmq.XPUB_NODROP, 1)

    def _wait_and_send(self, part: bytes, flags: int) -> None:
        while True:
            try:
                self._socket.send(part, flags)
                return
            except zmq.Again:
                try:
                    self.while_waiting()
                except BaseException:
                    self._has_dropped = True
                    raise

    def _end_context(self) -> None:
        """Returns when all was sent, or the wait for it is over. The library would give up the wait at any signal, and
        nobody could tell that from all being sent: so a thread waits that no signal comes to."""
        waiting = threading.Thread(target=self._context.term, name="sends the rest", daemon=True)
        before = signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
        try:
            waiting.start()
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
        waiting.join()

    def _end_gate(self) -> None:
        if self._gate is not None:
            self._gate.close()
            self._gate = None


def not_taken(endpoint: str) -> str:
    """What a publisher's `close` that is False means, in one sentence with what to do."""
    return (
        f"A listener at {endpoint} has not taken all that was sent, and may not know that the drive is over: it stands "
        "still or is overloaded, and what it records is not whole; see to it, and close its run by hand (F9 there, or "
        "recover)."
    )


def cut_off(endpoint: str) -> str:
    """The same where a publisher was ended at once, without being closed: how much was sent by then is not known."""
    return (
        f"Ended at once: what waited to be sent at {endpoint} is lost, and what had come in and was not handed on yet. "
        "A listener may not know that the drive is over, and what it records is not whole; see to it, and close its "
        "run by hand (F9 there, or recover)."
    )

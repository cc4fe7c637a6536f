"""Listening at the endpoints of feeds for some seconds, all at the same time."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import zmq

from monitor.feed.curve import CurveFiles
from monitor.feed.decode import decode_message
from monitor.feed.endpoint import Endpoint
from monitor.feed.schema import Frame, Hello, Marker, Refused
from monitor.feed.subscriber import FeedSubscription

FRAMES_KEPT = 20_000
MARKERS_KEPT = 2_000
REFUSALS_KEPT = 20
BY_MAP = b"channel_map_sha256"
"""A key of a bridge's hello."""


@dataclass(slots=True)
class Listened:
    """What came from one endpoint; of several drives or runs the newest. Times of arrival are monotonic seconds."""

    endpoint: str
    seconds: float
    hello: Hello | None = None
    frames: list[Frame] = field(default_factory=list)
    arrivals: list[float] = field(default_factory=list)
    markers: list[tuple[Marker, float]] = field(default_factory=list)
    lost: int = 0
    counted: int = 0
    """Markers sent until the last frame, as it counts them."""
    refused: list[str] = field(default_factory=list)
    links: list[str] = field(default_factory=list)
    by_map: bool = False
    """Whether a bridge makes the feed by a channel map."""

    def take(self, message: Hello | Frame | Marker | Refused, now: float) -> None:
        """One message."""
        if isinstance(message, Hello):
            self.hello = message
        elif isinstance(message, Frame):
            self._take_frame(message, now)
        elif isinstance(message, Marker):
            if len(self.markers) < MARKERS_KEPT:
                self.markers.append((message, now))
        elif message.why not in self.refused and len(self.refused) < REFUSALS_KEPT:
            self.refused.append(message.why)

    def _take_frame(self, frame: Frame, now: float) -> None:
        frames = self.frames
        if len(frames) >= FRAMES_KEPT:
            return
        if frames and frame.run != frames[-1].run:
            self.lost, self.counted = 0, 0
            frames.clear()  # the newest drive is the one that counts
            self.arrivals.clear()
        if not frames or frame.seq > frames[-1].seq:
            self.lost += frame.seq - frames[-1].seq - 1 if frames else 0
            self.counted = frame.markers
            frames.append(frame)
            self.arrivals.append(now)

    def silence(self) -> str:
        """That nothing came, with what the connection says."""
        missing = "hello" if self.frames else "frame"
        return f"No {missing} message came in {self.seconds:g} s. {' '.join(self.links[-1:])}".rstrip()

    def going_on(self) -> tuple[list[Frame], list[float]]:
        """The frames whose time is later than all before, and when they arrived."""
        newest = -float("inf")
        kept = []
        for index, frame in enumerate(self.frames):
            if frame.t > newest:
                newest = frame.t
                kept.append(index)
        return [self.frames[index] for index in kept], [self.arrivals[index] for index in kept]


def listen(
    endpoints: Sequence[str],
    seconds: float,
    keys: CurveFiles | None,
    heed: Callable[[int, list[bytes], float], None] | None = None,
) -> list[Listened]:
    """Listens at all endpoints for so many seconds. `heed` is handed each message, with the place of its endpoint and
    the monotonic second at which it came."""
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    poller = zmq.Poller()
    try:
        begun = time.monotonic()
        heard = [
            (FeedSubscription(context, poller, Endpoint(endpoint, keys), begun), Listened(endpoint, seconds))
            for endpoint in endpoints
        ]
        while (now := time.monotonic()) < begun + seconds:
            poller.poll(100)
            for place, (subscription, listened) in enumerate(heard):
                now = time.monotonic()
                for message in subscription.receive(1000):
                    listened.by_map = listened.by_map or (message[0] == b"hello" and BY_MAP in message[-1])
                    listened.take(decode_message(message), now)
                    if heed is not None:
                        heed(place, message, now)
                listened.links += [event.sentence for event in subscription.watch(now)]
        for subscription, _ in heard:
            subscription.close()
    finally:
        context.destroy(0)
    return [listened for _, listened in heard]

"""A drive as a recorder would have taken it in: messages of the feed, with receive times that the source tells."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from monitor.connect.bridge import map_in_hello, said_of_losses, signals_of
from monitor.connect.channel_map.model import ChannelMap
from monitor.connect.joining import FurtherSource, JoinedFeed
from monitor.feed.composing import FeedComposer
from monitor.record.entries import pack_frames

HELLO_EVERY_S = 1.0
"""Simulated seconds between the hellos."""


class RecordClock(Protocol):
    """The clocks of a record."""

    @property
    def elapsed_s(self) -> float: ...

    def begin_drive(self) -> None: ...

    def at(self, t: float, wall: float | None) -> None: ...

    def monotonic_ns(self) -> int: ...

    def wall_ns(self) -> int: ...


class LiveClock:
    """The clocks of what comes in now."""

    def __init__(self) -> None:
        self._began_s = time.monotonic()

    @property
    def elapsed_s(self) -> float:
        """Seconds since it was made."""
        return time.monotonic() - self._began_s

    def begin_drive(self) -> None:
        """Goes on by itself."""

    def at(self, t: float, wall: float | None) -> None:
        """Goes on by itself."""

    def monotonic_ns(self) -> int:
        """Nanoseconds of the machine's monotonic clock."""
        return time.monotonic_ns()

    def wall_ns(self) -> int:
        """Nanoseconds since 1970."""
        return time.time_ns()


class SourceClock:
    """The clocks of a record, told by the source: seconds since its first line, and the time of day."""

    def __init__(self, began_wall_s: float) -> None:
        self._began_wall_s = began_wall_s
        self._base_s = 0.0
        self._first_t: float | None = None
        self.elapsed_s = 0.0
        self._wall_s = began_wall_s

    def begin_drive(self) -> None:
        """The next drive goes on where this one ended."""
        self._base_s, self._first_t = self.elapsed_s, None

    def at(self, t: float, wall: float | None) -> None:
        """It is simulation time `t`; `wall` where the file has a clock of the day."""
        if self._first_t is None:
            self._first_t = t
        self.elapsed_s = max(self._base_s + t - self._first_t, self.elapsed_s)
        self._wall_s = self._began_wall_s + self.elapsed_s if wall is None else wall

    def monotonic_ns(self) -> int:
        """Nanoseconds since the file's first line."""
        return round(self.elapsed_s * 1e9)

    def wall_ns(self) -> int:
        """Nanoseconds since 1970, as the file says, or counted from its begin."""
        return round(self._wall_s * 1e9)


class RecordedDrive:
    """An outlet whose messages go to `append`, as the payload of a record's entry."""

    def __init__(
        self,
        channels: ChannelMap,
        append: Callable[[bytes], object],
        clock: RecordClock,
        further: Sequence[ChannelMap] = (),
    ) -> None:
        """`further`: maps of further sources, whose signals go onto the frames, too."""
        self._map, self._further, self._append_entry, self._clock = channels, tuple(further), append, clock
        self._signals = signals_of(channels, further)
        self._composer: FeedComposer | None = None
        self._greeted = False
        self._hello_due_t = 0.0

    def joined_with(
        self, further: Sequence[ChannelMap], now_s: Callable[[], float]
    ) -> tuple[JoinedFeed | None, list[FurtherSource]]:
        """What puts further sources onto this drive, and they themselves; None where there are none. `now_s`: when what
        is taken came in."""
        sources = [FurtherSource(one, 1.0 / self._map.rate_hz) for one in further]
        joined = JoinedFeed(self, sources, clock=now_s) if sources else None
        return joined, sources

    @property
    def seq(self) -> int:
        return self._drive().seq

    @seq.setter
    def seq(self, number: int) -> None:
        self._drive().seq = number

    def begin_drive(
        self, run: str, *, participant: str | None = None, group: str | None = None, scenario: str | None = None
    ) -> None:
        channels = self._map
        self._clock.begin_drive()
        self._composer = FeedComposer(
            run=run,
            source=channels.feed_source,
            rate_hz=channels.rate_hz,
            signals=self._signals,
            participant=participant,
            group=group,
            scenario=scenario,
            road=None if channels.road is None else channels.road.as_hello(),
        )
        self._hello_due_t = -float("inf")

    def frame(
        self,
        t: float,
        own: Mapping[str, float],
        others: Mapping[str, Sequence[Any]],
        signals: Mapping[str, float | bool],
        wall: float | None,
    ) -> int:
        composer = self._drive()
        payload = composer.frame(t, own, others, signals, wall)
        self._clock.at(t, wall)
        self._hello_if_due(t)
        self._append("frame", payload)
        return composer.frame_sent()

    def marker(self, kind: str, name: str, t: float, data: Mapping[str, Any] | None = None) -> int:
        composer = self._drive()
        fields = composer.marker(kind, name, t, data)
        payload = composer.pack_marker(fields)
        self._hello_if_due(t)
        self._append("marker", payload)
        return composer.marker_sent(fields)

    def _drive(self) -> FeedComposer:
        assert self._composer is not None, "a drive begins before anything is sent"
        return self._composer

    def _hello_if_due(self, t: float) -> None:
        if t >= self._hello_due_t:
            more = {**said_of_losses(self._map), **({} if self._greeted else map_in_hello(self._map, self._further))}
            self._greeted = True
            self._append("hello", self._drive().hello(more))
            self._hello_due_t = t + HELLO_EVERY_S

    def _append(self, topic: str, payload: bytes) -> None:
        self._append_entry(pack_frames([topic.encode(), payload]))

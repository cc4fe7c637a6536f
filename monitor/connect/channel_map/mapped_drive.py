"""Samples of a source in, drives of the feed out: what begins a drive, what was lost, what is left out and counted."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from monitor.connect.channel_map.convert import Converter
from monitor.connect.channel_map.markers import Happened, MarkerWatch
from monitor.connect.channel_map.model import ChannelMap, ZmqSource
from monitor.connect.channel_map.values import ABSENT, Place, Sample, number_in, text_in
from monitor.errors import WitnessError
from monitor.feed.limits import MAX_NAME
from monitor.feed.schema import NO_CAR

JUMP_AT_MOST = 100_000
"""A source's counter that jumps further (28 minutes at 60 Hz) has begun anew, and says nothing of losses."""


class Outlet(Protocol):
    """Where a drive goes: a `FeedPublisher`, or a record that is being imported."""

    seq: int

    def begin_drive(
        self, run: str, *, participant: str | None = None, group: str | None = None, scenario: str | None = None
    ) -> None: ...

    def frame(
        self,
        t: float,
        own: Mapping[str, float],
        others: Mapping[str, Sequence[Any]],
        signals: Mapping[str, float | bool],
        wall: float | None,
    ) -> int: ...

    def marker(self, kind: str, name: str, t: float, data: Mapping[str, Any] | None = None) -> int: ...


class Onlooker(Protocol):
    """Looks on while samples go through a map."""

    def begin_drive(self) -> None: ...

    def take_frame(self, sample: Sample) -> None: ...

    def take_message(self, sample: Sample) -> None: ...

    def happened(self, one: Happened, sample: Sample) -> None: ...


@dataclass(slots=True)
class Counts:
    """What became of the samples."""

    samples: int = 0
    frames: int = 0
    markers: int = 0
    drives: int = 0
    lost: int = 0
    """Frames that the source's own counter skipped, or that are known to have been thrown away: lost before the
    bridge."""
    out_of_order: int = 0
    """Left out, because a later one had been sent already."""
    refused: int = 0
    """Left out, because no frame could be made of them."""
    last_refusal: str = ""
    absent: set[str] = field(default_factory=set)
    """Names of the map that were missing in a sample."""


class Translation:
    """Takes one source's samples in order. `name_run` gives the text that names a new drive, from its number.

    `is_further`: it is no simulator, has no car, and begins and ends no drive. Raises `WitnessError` for the map of a
    further source otherwise.
    """

    def __init__(
        self, channels: ChannelMap, outlet: Outlet, name_run: Callable[[int], str], *, is_further: bool = False
    ) -> None:
        self.counts = Counts()
        if channels.own is None and not is_further:
            raise WitnessError(f"{channels.path} has no [own] car: it is of a further source, and goes to --also.")
        self._is_further = is_further
        self._map, self._outlet, self._name_run = channels, outlet, name_run
        self._converter = Converter(channels)
        self._markers = MarkerWatch(channels.markers, self._converter.time_at)
        source = channels.source
        self._frame_topic = source.frame_topic if isinstance(source, ZmqSource) else None
        self._apart = frozenset(rule.topic for rule in channels.markers if rule.topic is not None)
        run = channels.run
        self._run_key = Place(run.changes_with or "")
        self._counter = None if channels.sequence is None else Place(channels.sequence.name)
        self._says_start = any(rule.kind == "run_start" for rule in channels.markers)
        self._last_t: float | None = None
        self._last_key: str | None = None
        self._last_count: int | None = None
        self._ended = False
        self._onlooker: Onlooker | None = None

    def look_on(self, onlooker: Onlooker) -> None:
        """Shows all that is taken from now on to somebody, too."""
        self._onlooker = onlooker
        self._markers.on_happened = onlooker.happened

    @property
    def is_driving(self) -> bool:
        """Whether a drive has begun."""
        return self._last_t is not None

    def take(self, sample: Sample) -> None:
        """One sample; never raises for what is in it."""
        self.counts.samples += 1
        try:
            if sample.topic in self._apart:
                self._take_message(sample)
            if self._frame_topic is None and sample.topic in self._apart:
                return
            if self._frame_topic is None or sample.topic == self._frame_topic:
                self._take_frame(sample)
        except ValueError as error:  # what the feed's own decoder refuses, with its key named
            self._refuse(str(error))
        finally:
            if self._converter.absent:
                self.counts.absent |= self._converter.absent

    @property
    def absent(self) -> set[str]:
        """Names of the map that a sample did not have; those that markers watch, where none has had them."""
        return self.counts.absent | (self._markers.absent if self.counts.frames else set())

    def finish(self) -> None:
        """The source has come to its end: the drive ends here, unless it said so itself."""
        if self._last_t is not None and not self._ended and not self._is_further:
            self._send("run_end", "", self._last_t, None)

    def _take_message(self, sample: Sample) -> None:
        if self._is_further:  # a stream of texts has no frames: its messages are all there is of its time
            t = self._converter.time_of(sample)
            if not math.isfinite(t):
                self._refuse(f"`{self._map.time.name}` is no time")
                return
            if self._begins_drive(t, None):
                self._begin(sample, t, None)
            self._last_t = t
        if self._last_t is None:
            self._refuse(f"a message of the topic {sample.topic} came before the first frame")
            return
        if self._onlooker is not None:
            self._onlooker.take_message(sample)
        for one in self._markers.in_message(sample, self._last_t):
            self._send(one.kind, one.name, one.t, one.data)

    def _take_frame(self, sample: Sample) -> None:
        t = self._converter.time_of(sample)
        if not math.isfinite(t):
            self._refuse(f"`{self._map.time.name}` is no time")
            if self._onlooker is not None:
                self._onlooker.take_frame(sample)
            return
        key = self._key(sample)
        if self._begins_drive(t, key):
            self._begin(sample, t, key)
        elif self._last_t is not None and t < self._last_t:
            self.counts.out_of_order += 1
            return
        known_lost = self.counts.lost
        if sample.lost_before and self._counter is None and self._last_t is not None:
            self.counts.lost += sample.lost_before
            self._outlet.seq += sample.lost_before
        if not self._counts_on(sample):
            self.counts.out_of_order += 1
            return
        if self._onlooker is not None:
            self._onlooker.take_frame(sample)
        converted = self._converter.convert(sample, t)
        lost_since_t = self._last_t if self.counts.lost > known_lost or self._may_have_lost(t) else None
        for one in self._markers.in_frame(sample, t, lost_since_t):
            self._send(one.kind, one.name, one.t, one.data)
        self._last_t = t
        own = NO_CAR if self._is_further else converted.own
        self._outlet.frame(t, own, converted.others, converted.signals, converted.wall)
        self.counts.frames += 1

    def _may_have_lost(self, t: float) -> bool:
        """Whether frames before this one may have been lost of a source that would leave no gap."""
        if self._map.tells_losses or self._last_t is None:
            return False
        return (t - self._last_t) * self._map.rate_hz > 1.5

    def _key(self, sample: Sample) -> str | None:
        if self._map.run.changes_with is None:
            return None
        raw = self._run_key.find(sample.values)
        return None if raw is ABSENT else text_in(raw)

    def _begins_drive(self, t: float, key: str | None) -> bool:
        if self._last_t is None:
            return True
        if key is not None and key != self._last_key:
            return True
        return t < self._last_t - self._map.run.restart_s

    def _begin(self, sample: Sample, t: float, key: str | None) -> None:
        self.counts.drives += 1
        rule = self._map.run
        self._last_count, self._last_key, self._ended = None, key, False
        self._markers.begin_drive()
        if self._onlooker is not None:
            self._onlooker.begin_drive()
        self._outlet.begin_drive(
            self._name_run(self.counts.drives)[:MAX_NAME],
            participant=rule.participant or self._said(sample, rule.participant_from, None),
            group=rule.group or self._said(sample, rule.group_from, rule.groups),
            scenario=rule.scenario or self._said(sample, rule.scenario_from, rule.scenarios),
        )
        self._last_t = t
        if not self._says_start and not self._is_further:
            self._send("run_start", "", t, None)

    def _said(self, sample: Sample, name: str | None, table: dict[str, str] | None) -> str | None:
        """What the source says of the drive; None where it says nothing, or nothing that the table knows."""
        if name is None:
            return None
        raw = Place(name).find(sample.values)
        if raw is ABSENT or raw is None:
            if raw is ABSENT:
                self.counts.absent.add(name)
            return None
        text = text_in(raw)[:MAX_NAME]
        return (text or None) if table is None else table.get(text)

    def _counts_on(self, sample: Sample) -> bool:
        """Whether the source's own counter goes on; notes what it skipped as lost."""
        rule = self._map.sequence
        if self._counter is None or rule is None:
            return True
        number = number_in(self._counter.find(sample.values))
        if not math.isfinite(number):
            return True
        count = int(number)
        before, self._last_count = self._last_count, count
        if before is None:
            return True
        step = count - before
        if rule.wraps_at is not None:
            step %= rule.wraps_at
            if step > rule.wraps_at // 2:
                step -= rule.wraps_at
        if -JUMP_AT_MOST <= step <= 0:
            self._last_count = before
            return False
        if 1 < step <= JUMP_AT_MOST:
            self.counts.lost += step - 1
            self._outlet.seq += step - 1
        return True

    def _send(self, kind: str, name: str, t: float, data: dict[str, Any] | None) -> None:
        self._outlet.marker(kind, name, t, data)
        self.counts.markers += 1
        self._ended = self._ended or kind == "run_end"

    def _refuse(self, why: str) -> None:
        self.counts.refused += 1
        self.counts.last_refusal = why

"""From a foreign source to the feed: the loop of the bridge, and what it says of itself."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from monitor.connect.channel_map.mapped_drive import Translation
from monitor.connect.channel_map.model import ChannelMap, is_by_layer
from monitor.connect.joining import FurtherSource, JoinedFeed
from monitor.connect.sources.opening import Source
from monitor.errors import WitnessError
from monitor.feed.clock_offset import receipt_clock_s
from monitor.feed.marker_kinds import KINDS
from monitor.feed.publisher import AT_THE_END_S, LINGER_S, FeedPublisher

WAIT_S = 0.2
HELD_WAIT_S = 0.005
"""The same while frames wait for a further source."""
STATUS_EVERY_S = 1.0
LOCAL = ("tcp://127.", "ipc://", "tcp://[::1]")
"""Endpoints that only this machine reaches."""
DRAIN_S = 1.0
"""A source that never stops sending is drained for so long."""
LARGEST_MAP_IN_HELLO = 64 * 1024
"""Bytes of a map's text that a hello carries; of a longer one only the digest stands in the record."""


@dataclass(frozen=True, slots=True)
class BridgeStatus:
    """What the bridge has done so far."""

    source: str
    samples: int
    frames: int
    markers: int
    drives: int
    lost: int
    refused: int
    out_of_order: int
    last_refusal: str
    absent: tuple[str, ...]
    ended: bool
    doubt: str

    def as_json(self) -> dict[str, Any]:
        """For a line of JSON, and for the hello."""
        return {name: getattr(self, name) for name in self.__slots__} | {"absent": list(self.absent)}

    def sentence(self) -> str:
        """In words."""
        parts = [f"{self.frames} frames and {self.markers} markers of {self.drives} drives sent"]
        parts += [f"{self.lost} lost before the bridge"] if self.lost else []
        parts += [f"{self.out_of_order} out of order left out"] if self.out_of_order else []
        parts += [f"{self.refused} refused, the last because {self.last_refusal}"] if self.refused else []
        parts += [f"not in the source: {', '.join(self.absent)}"] if self.absent else []
        return f"{self.source}: {'; '.join(parts)}{f'. {self.doubt}' if self.doubt else ''}"


def map_in_hello(channels: ChannelMap, further: Sequence[ChannelMap] = ()) -> Mapping[str, Any]:
    """What of a map, and of those of further sources, goes into a hello, and so into the record."""
    fields: dict[str, Any] = {"channel_map_sha256": channels.sha256}
    if len(channels.text.encode()) <= LARGEST_MAP_IN_HELLO:
        fields["channel_map"] = channels.text
    if further:
        short = [one.text if len(one.text.encode()) <= LARGEST_MAP_IN_HELLO // 4 else one.sha256 for one in further]
        fields["further_channel_maps"] = short[:4]
    return fields


def said_of_losses(channels: ChannelMap) -> dict[str, bool]:
    """What every hello says of frames that may be lost before the bridge: whoever comes late has to know it as well."""
    by_frames = any(rule.when != "received" for rule in channels.markers)
    said = {"markers_by_frames": by_frames, "unnumbered": not channels.tells_losses}
    return {key: True for key, holds in said.items() if holds}


def run_name(channels: ChannelMap) -> Callable[[int], str]:
    """Names drives: the source, the UTC time at which the bridge began, four letters, and the drive's number."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    begun = f"{channels.feed_source[:32]}-{stamp}-{secrets.token_hex(2)}"
    return lambda number: f"{begun}-{number}"


def signals_of(channels: ChannelMap, further: Sequence[ChannelMap]) -> dict[str, str]:
    """The signals of the feed that a bridge makes, with their units: the simulator's and those of further sources, each
    with its clock's. Raises `WitnessError` where two maps give one name, or one is no further source's."""
    signals = {name: one.unit for name, one in channels.signals.items()}
    for one in further:
        if one.join is None:
            raise WitnessError(f"{one.path} has an [own] car: it is a simulator's map, and goes to --map.")
        twice = signals.keys() & one.signals.keys()
        if twice:
            raise WitnessError(f"{one.path}: the signal {min(twice)} comes from another map already.")
        signals |= {name: signal.unit for name, signal in one.signals.items()}
        signals |= {f"{one.feed_source[:40]}_clock_{name}": "s" for name in ("offset", "uncertainty")}
    return signals


class Bridge:
    """A simulator bridged to a feed, in the caller's thread; and further sources (map and source) on the same feed.

    `more`: CURVE keys and `lossless`, as of the publisher. Raises `zmq.ZMQError` where `bind` cannot be bound, and
    `WitnessError` where a map is not of the kind that its place needs.
    """

    def __init__(
        self,
        channels: ChannelMap,
        source: Source,
        bind: str,
        *,
        further: Sequence[tuple[ChannelMap, Source]] = (),
        **more: Any,
    ) -> None:
        signals = signals_of(channels, [one for one, _ in further])
        if channels.own is None:
            more["gives"] = sorted({rule.kind for rule in channels.markers if KINDS[rule.kind].of_sources})
        self._source = source
        self._further = [(FurtherSource(one, 1.0 / channels.rate_hz), two) for one, two in further]
        name_run = run_name(channels)
        self.publisher = FeedPublisher(
            bind,
            run=name_run(1),
            source=channels.feed_source,
            rate_hz=channels.rate_hz,
            signals=signals,
            road=None if channels.road is None else channels.road.as_hello(),
            **more,
        )
        if channels.own is not None:
            self.publisher.further = {**self.publisher.further, **said_of_losses(channels)}
        self._stated = dict(self.publisher.further)
        self.publisher.greeting = map_in_hello(channels, [one for one, _ in further])
        # until the first drive begins: who drives is in the source's first message; a further source has no driver
        self.publisher.quiet = channels.own is not None
        self._joined = JoinedFeed(self.publisher, [one for one, _ in self._further]) if further else None
        is_further = channels.own is None
        self._translation = Translation(channels, self._joined or self.publisher, name_run, is_further=is_further)
        self._is_stamped = is_by_layer(channels)
        self._is_local = self.publisher.endpoint.startswith(LOCAL)
        self._told_s = 0.0
        self.ended = False
        """Whether the source has come to its end."""

    def close(self, *, at_once: bool = False) -> bool:
        """Ends the source and the feed; what is still to be sent is given two seconds, and twenty where the source came
        to its end by itself; nothing is waited for with `at_once`. False where a subscriber has not taken all by then.
        """
        self._source.close()
        for _, source in self._further:
            source.close()
        return self.publisher.close(0.0 if at_once else AT_THE_END_S if self.ended else LINGER_S)

    def turn(self, wait_s: float = WAIT_S) -> int:
        """Takes what has come; gives the number of samples. Says hello by itself while nothing comes."""
        if self._joined is not None and self._joined.holds:
            wait_s = min(wait_s, HELD_WAIT_S)
        samples = self._source.samples(wait_s)
        self._join()
        if samples is None:
            self.ended = True
            self._translation.finish()
            if self._joined is not None:
                self._joined.flush(everything=True)
            self.publisher.hello()  # with the last markers once more
            return 0
        for sample in samples:
            self._translation.take(sample)
        if self._joined is not None:
            self._joined.flush()
        now = time.monotonic()
        if now - self._told_s >= STATUS_EVERY_S:
            self._told_s = now
            status = self.status()
            self.publisher.further = {
                **self._stated,
                "bridge": {**status.as_json(), "absent": list(status.absent[:16])},
                **self._clock_key(),
            }
        if not samples and not self.publisher.quiet:
            self.publisher.greet()
        return len(samples)

    def drain(self) -> None:
        """Hands on what has come in and waits to be taken: whoever ends the bridge ends no sample with it."""
        deadline = time.monotonic() + DRAIN_S
        while not self.ended and time.monotonic() < deadline and self.turn(0.0):
            pass
        if self._joined is not None:
            self._joined.flush(everything=True)

    def _clock_key(self) -> Mapping[str, Any]:
        """The hello's `clock`, where the source knows its own. Only to subscribers on this machine: it is told against
        this machine's clock of receipt."""
        told = self._source.clock
        if told is None or not self._is_local or not self._is_stamped:
            return {}
        offset_s = told.offset_s + receipt_clock_s() - time.monotonic()
        return {"clock": {"offset_s": offset_s, "uncertainty_s": told.uncertainty_s}}

    def _join(self) -> None:
        """Takes in what has come of the further sources; one that has ended (a file) gives nothing more."""
        for further, source in self._further:
            if source.clock is not None and is_by_layer(further.map):
                further.clock_told(source.clock, time.monotonic())
            samples = source.samples(0.0)
            if samples and self._joined is not None:
                self._joined.take(further, samples)

    def status(self) -> BridgeStatus:
        """What has been done so far."""
        counts, source = self._translation.counts, self._source
        others: list[Any] = [one for pair in self._further for one in pair]
        others += [] if self._joined is None else [self._joined]
        said = [one.last_refusal for one in others if one.last_refusal]
        return BridgeStatus(
            source=source.where,
            samples=counts.samples,
            frames=counts.frames,
            markers=counts.markers + (0 if self._joined is None else self._joined.placed),
            drives=counts.drives,
            lost=counts.lost,
            refused=counts.refused + source.refused + sum(one.refused for one in others),
            out_of_order=counts.out_of_order,
            last_refusal=source.last_refusal or counts.last_refusal or (said[-1] if said else ""),
            absent=tuple(sorted(self._translation.absent)),
            ended=self.ended,
            doubt=source.doubt,
        )

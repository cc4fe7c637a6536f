"""What a source is to the bridge, and how one is opened by what its map says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Protocol

from monitor.connect.channel_map.layout import PacketReader
from monitor.connect.channel_map.model import ChannelMap, CsvSource, Layout, LslSource, OsiSource, UdpSource
from monitor.connect.channel_map.values import Sample
from monitor.connect.sources.csv import CsvReader
from monitor.connect.sources.udp import MapReader, UdpReceiver
from monitor.connect.sources.zmq import ZmqReceiver
from monitor.errors import WitnessError
from monitor.feed.curve import CurveFiles
from monitor.feed.schema import ClockTold


class Source(Protocol):
    """A source of samples. It belongs to the thread that made it, and mends its own connection."""

    where: str
    """Its address or file, for sentences."""
    refused: int
    """Messages, packets or lines of which no sample could be made."""
    last_refusal: str

    @property
    def doubt(self) -> str:
        """What makes one doubt that what comes is read rightly, in one sentence; empty where nothing does."""
        ...

    @property
    def clock(self) -> ClockTold | None:
        """How its clock stands to this machine's monotonic clock, where it knows that itself."""
        ...

    def samples(self, timeout_s: float) -> list[Sample] | None:
        """What has come, waiting at most so long; None once the source has come to its end."""
        ...

    def close(self) -> None: ...


def open_source(
    channels: ChannelMap, *, at: str | None, csv: Path | None, speed: float | None, keys: CurveFiles | None
) -> Source:
    """The source of a map. `at` replaces the map's own address; `csv` is the file for a map of kind "csv".

    `speed`: times recorded pace for a file, None as fast as possible. Raises `WitnessError`.
    """
    source = channels.source
    if isinstance(source, CsvSource):
        if csv is None:
            raise WitnessError(f"{channels.path} is a map for files; say which with --csv FILE.")
        return CsvReader(channels, source, csv, speed)
    if csv is not None:
        raise WitnessError(f"{channels.path} is no map for files; leave out --csv, or use a map of kind csv.")
    if isinstance(source, UdpSource):
        listen = at or source.listen
        if listen is None:
            raise WitnessError(f"{channels.path} says not where to listen; give --source ADDRESS:PORT.")
        layout = source.layout
        reader = PacketReader(layout) if isinstance(layout, Layout) else MapReader(layout)
        return UdpReceiver(reader, listen, source.interface)
    if isinstance(source, LslSource):
        from monitor.connect.sources.lsl import LslReceiver

        return LslReceiver(source if at is None else replace(source, stream=at))
    if isinstance(source, OsiSource):
        from monitor.connect.sources.osi import open_osi

        return open_osi(source, at, keys, channels.path)
    connect = at or source.connect
    if connect is None:
        raise WitnessError(f"{channels.path} says not where to connect; give --source tcp://HOST:PORT.")
    return ZmqReceiver(connect, source.topics, keys, source.format)

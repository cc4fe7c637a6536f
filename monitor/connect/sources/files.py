"""Files of past drives, whatever their kind: read through a map to their end."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from monitor.connect.channel_map.mapped_drive import Translation
from monitor.connect.channel_map.model import ChannelMap, CsvSource, LslSource, OsiSource, is_by_layer
from monitor.connect.channel_map.values import Sample
from monitor.connect.joining import FurtherSource, JoinedFeed
from monitor.connect.sources.csv import CsvReader
from monitor.connect.sources.parsed import ParsedFile
from monitor.errors import WitnessError
from monitor.feed.schema import ClockTold


class DriveFile:
    """A file, and the maps by which it is read: the simulator's, and those of further sources in the same file."""

    def __init__(self, channels: ChannelMap, path: Path, further: Sequence[ChannelMap] = ()) -> None:
        """Raises `WitnessError` for a map of another kind, and for a file that cannot be read."""
        self._map, self._further = channels, tuple(further)
        self.doubts: list[str] = []
        self.now_s = 0.0
        """The time of the newest sample, by the clock of the file."""
        source = channels.source
        self._source: CsvReader | ParsedFile
        if isinstance(source, LslSource):
            self._source = ParsedFile("xdf", path, [_asked(one) for one in (channels, *further)])
            return
        if further:
            raise WitnessError(f"{path} is a file of one source; further maps go with a file that has several.")
        if isinstance(source, CsvSource):
            self._source = CsvReader(channels, source, path, None)
        elif isinstance(source, OsiSource):
            self._source = ParsedFile("osi", path, {"message": source.message, "host_id": source.host_id})
        else:
            raise WitnessError(f"{channels.path} is no map for files; its [source] must be of kind csv, lsl or osi.")

    @property
    def refused(self) -> int:
        """Lines or messages of which no sample could be made."""
        return self._source.refused

    @property
    def last_refusal(self) -> str:
        """Why the last of them was refused."""
        return self._source.last_refusal

    def read(self, translation: Translation, joined: JoinedFeed | None, sources: Sequence[FurtherSource]) -> None:
        """Hands all samples on, in the order of their times."""
        for place, sample in self._samples(sources):
            if not place:
                translation.take(sample)
            elif joined is not None:
                joined.take(sources[place - 1], [sample])
            if joined is not None:
                joined.flush()

    def close(self) -> None:
        """Lets go of the file."""
        self._source.close()

    def _samples(self, sources: Sequence[FurtherSource]) -> Iterator[tuple[int, Sample]]:
        """Each sample with the place of its source; 0 is the simulator."""
        if isinstance(self._source, CsvReader):
            while (found := self._source.samples(0.0)) is not None:
                yield from ((0, sample) for sample in found)
            return
        begun = False
        for place, at, sample in self._source.samples():
            self.now_s = at
            if not begun:
                begun = True
                self._tell_clocks(sources)
            for one in sources:
                one.stays_told(at)
            yield place, sample

    def _tell_clocks(self, sources: Sequence[FurtherSource]) -> None:
        """All streams of a file are on one clock; how well each was put onto it, the file says."""
        assert isinstance(self._source, ParsedFile)
        if not self._source.streams:
            return
        first_s = self._source.streams[0]["uncertainty_s"]
        for one, stream in zip(sources, self._source.streams[1:], strict=True):
            if not is_by_layer(one.map):
                continue
            within_s = float(first_s + stream["uncertainty_s"])
            if is_by_layer(self._map):
                one.same_within_s = within_s
            else:
                one.always_told = ClockTold(0.0, within_s)


def _asked(channels: ChannelMap) -> dict[str, object]:
    source = channels.source
    if not isinstance(source, LslSource):
        raise WitnessError(f"{channels.path} is no map for a stream; in an .xdf file every [source] is of kind lsl.")
    return {
        "stream": source.stream,
        "type": source.type,
        "source_id": source.source_id,
        "host": source.host,
        "channels": list(source.channels),
    }

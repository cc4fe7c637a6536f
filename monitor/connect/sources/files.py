"""Files of past drives, whatever their kind: read through a map to their end."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from monitor.connect.channel_map.convert import Converter
from monitor.connect.channel_map.mapped_drive import Translation
from monitor.connect.channel_map.model import ChannelMap, CsvSource, LslSource, OsiSource, is_by_layer
from monitor.connect.channel_map.values import Sample
from monitor.connect.joining import FurtherSource, JoinedFeed
from monitor.connect.sources.csv import CsvReader
from monitor.connect.sources.parsed import ParsedFile
from monitor.errors import WitnessError
from monitor.feed.schema import ClockTold

Told = Callable[[float | None, int], None]
"""How much of a file has been read, 0 … 1 (None where that is not known), and how many frames it gave."""
TOLD_EACH = 512


@dataclass(frozen=True, slots=True)
class Beside:
    """A further source of a file: its map, and the file, where it is another one than the simulator's."""

    map: ChannelMap
    path: Path | None = None


def beside_from(text: str) -> tuple[str, Path | None]:
    """The map's path in "MAP" or "MAP=FILE", and the file's."""
    name, found, path = text.partition("=")
    return name, Path(path) if found else None


class DriveFile:
    """A file, and the maps by which it is read: the simulator's, and those of further sources in the same file, or in
    files of their own where these are on the simulator's clock."""

    def __init__(self, channels: ChannelMap, path: Path, further: Sequence[Beside] = ()) -> None:
        """Raises `WitnessError` for a map of another kind, and for a file that cannot be read."""
        self._map = channels
        self.doubts: list[str] = []
        self.now_s = 0.0
        """The time of the newest sample, by the clock of the file."""
        self._inside = [(place, one.map) for place, one in enumerate(further, start=1) if one.path is None]
        if self._inside and not isinstance(channels.source, LslSource):
            raise WitnessError(
                f"{path} is a file of one source; write --also MAP=FILE for a file of its own beside it."
            )
        self._source = _opened(path, [channels, *(one for _, one in self._inside)])
        self._beside: list[tuple[int, Converter, CsvReader | ParsedFile]] = []
        for place, one in enumerate(further, start=1):
            if one.path is not None:
                if one.map.join is None or not one.map.join.same_clock:
                    raise WitnessError(
                        f"{one.map.path}: a file of its own beside {path} needs [join] same_clock = true, since its "
                        "times must be simulation times."
                    )
                self._beside.append((place, Converter(one.map), _opened(one.path, [one.map])))

    @property
    def refused(self) -> int:
        """Lines or messages of which no sample could be made."""
        return sum(one.refused for one in self._all)

    @property
    def last_refusal(self) -> str:
        """Why the last of them was refused."""
        return next((one.last_refusal for one in self._all if one.last_refusal), "")

    @property
    def _all(self) -> list[CsvReader | ParsedFile]:
        return [self._source, *(one for _, _, one in self._beside)]

    def read(
        self,
        translation: Translation,
        joined: JoinedFeed | None,
        sources: Sequence[FurtherSource],
        told: Told | None = None,
    ) -> None:
        """Hands all samples on, in the order of their times; `told` hears now and then how far it is."""
        for count, (place, sample) in enumerate(self._samples(sources)):
            if told is not None and count % TOLD_EACH == 0:
                told(self._source.part_read, translation.counts.frames)
            if not place:
                translation.take(sample)
            elif joined is not None:
                joined.take(sources[place - 1], [sample])
            if joined is not None:
                joined.flush()

    def close(self) -> None:
        """Lets go of the files."""
        for one in self._all:
            one.close()

    def _samples(self, sources: Sequence[FurtherSource]) -> Iterator[tuple[int, Sample]]:
        """Each sample with the place of its source; 0 is the simulator. Files beside it go along by their times."""
        time_of = Converter(self._map).time_of
        waiting = [(place, convert.time_of, _each(one)) for place, convert, one in self._beside]
        heads = [(place, clock, samples, next(samples, None)) for place, clock, samples in waiting]
        for place, sample in self._of_file(sources):
            t = math.inf if place else time_of(sample)
            if heads and math.isfinite(t):
                self.now_s = t
            for index, (other, clock, samples, head) in enumerate(heads):
                while not place and head is not None and not clock(head) > t:
                    yield other, head
                    head = next(samples, None)
                heads[index] = (other, clock, samples, head)
            yield place, sample
        for other, _, samples, head in heads:
            yield from ((other, one) for one in ([] if head is None else [head, *samples]))

    def _of_file(self, sources: Sequence[FurtherSource]) -> Iterator[tuple[int, Sample]]:
        """The samples of the simulator's file itself."""
        if isinstance(self._source, CsvReader):
            yield from ((0, sample) for sample in _each(self._source))
            return
        places = [0, *(place for place, _ in self._inside)]
        begun = False
        for inside, at, sample in self._source.samples():
            self.now_s = at
            if not begun:
                begun = True
                self._tell_clocks([sources[place - 1] for place, _ in self._inside])
            for one in sources:
                one.stays_told(at)
            yield places[inside], sample

    def _tell_clocks(self, sources: Sequence[FurtherSource]) -> None:
        """All streams of a file are on one clock; how well each was put onto it, the file says."""
        if not isinstance(self._source, ParsedFile) or not self._source.streams:
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


def _opened(path: Path, maps: Sequence[ChannelMap]) -> CsvReader | ParsedFile:
    """A file by its map; the first one says of what kind it is."""
    source = maps[0].source
    if isinstance(source, LslSource):
        return ParsedFile("xdf", path, [_asked(one) for one in maps])
    if isinstance(source, CsvSource):
        return CsvReader(maps[0], source, path, None)
    if isinstance(source, OsiSource):
        return ParsedFile("osi", path, {"message": source.message, "host_id": source.host_id})
    raise WitnessError(f"{maps[0].path} is no map for files; its [source] must be of kind csv, lsl or osi.")


def _each(source: CsvReader | ParsedFile) -> Iterator[Sample]:
    """The samples of a file of one source."""
    if isinstance(source, ParsedFile):
        yield from (sample for _, _, sample in source.samples())
        return
    while (found := source.samples(0.0)) is not None:
        yield from found


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

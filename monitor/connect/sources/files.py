"""Files of past drives, whatever their kind: read through a map to their end."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from monitor.connect.channel_map.mapped_drive import Translation
from monitor.connect.channel_map.model import ChannelMap, CsvSource
from monitor.connect.joining import FurtherSource, JoinedFeed
from monitor.connect.sources.csv import CsvReader
from monitor.errors import WitnessError


class DriveFile:
    """A file, and the maps by which it is read: the simulator's, and those of further sources in the same file."""

    def __init__(self, channels: ChannelMap, path: Path, further: Sequence[ChannelMap] = ()) -> None:
        """Raises `WitnessError` for a map of another kind, and for a file that cannot be read."""
        if not isinstance(channels.source, CsvSource):
            raise WitnessError(f"{channels.path} is no map for files; its [source] must be of kind csv.")
        if further:
            raise WitnessError(f"{path} is a table of one source; further maps go with a file that has several.")
        self._source = CsvReader(channels, channels.source, path, None)
        self.doubts: list[str] = []

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
        while (samples := self._source.samples(0.0)) is not None:
            for sample in samples:
                translation.take(sample)

    def close(self) -> None:
        """Lets go of the file."""
        self._source.close()

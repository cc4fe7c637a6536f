"""A table of text, one line a step: read at its recorded pace, or as fast as it can be taken."""

from __future__ import annotations

import csv
import math
import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TextIO

from monitor.connect.channel_map.model import ChannelMap, CsvSource
from monitor.connect.channel_map.values import Place, Sample, number_in
from monitor.errors import MapFaults, WitnessError
from monitor.feed.schema import ClockTold
from monitor.named_files import read_named
from monitor.tables.faults import closest, quoted

A_TURN = 256
LONGEST_LINE = 1 << 20
FEWEST_COLUMNS = 2


class CsvReader:
    """Reads a file by what its map says of it. Raises `WitnessError` for an unreadable file, `MapFaults` for names that
    the file's first line does not have, all at once."""

    def __init__(self, channels: ChannelMap, source: CsvSource, path: Path, speed: float | None) -> None:
        self.where = str(path)
        self.refused = 0
        self.last_refusal = ""
        self.clock: ClockTold | None = None
        self.doubt = ""
        self._speed = speed
        self._decimal = source.decimal
        self._missing = frozenset(source.missing)
        self._time, self._time_scale = Place(channels.time.name), channels.time.scale
        self._begun: tuple[float, float] | None = None
        self._held: Sample | None = None
        try:
            self._file = read_named(path, source.encoding, "replace")
            self._size = max(path.stat().st_size, 1)
            self._lines = csv.reader(_bounded(self._file), delimiter=source.delimiter)
            self.header = self._read_header(source)
        except OSError as error:
            raise WitnessError(f"{path} cannot be read: {error.strerror or error}.") from error
        except csv.Error as error:
            raise WitnessError(f"{path} is no table of text ({error}); is it another kind of file?") from error
        self._refuse_unknown(channels)

    def samples(self, timeout_s: float) -> list[Sample] | None:
        """The lines that are due, at most 256; None at the end of the file."""
        if self._speed is None:
            found = []
            for _ in range(A_TURN):
                sample = self._next()
                if sample is None:
                    break
                found.append(sample)
            return found or None
        sample = self._held or self._next()
        if sample is None:
            return None
        wait_s = self._wait_s(sample, self._speed)
        if wait_s > timeout_s:
            self._held = sample
            time.sleep(timeout_s)
            return []
        if wait_s > 0:
            time.sleep(wait_s)
        self._held = None
        return [sample]

    @property
    def part_read(self) -> float:
        """How much of the file has been read, 0 … 1."""
        return min(os.lseek(self._file.fileno(), 0, os.SEEK_CUR) / self._size, 1.0)

    def close(self) -> None:
        """Closes the file."""
        self._file.close()

    def _wait_s(self, sample: Sample, speed: float) -> float:
        """Until the line is due, by its time against that of the first line (so that errors do not add up)."""
        t = number_in(self._time.find(sample.values)) * self._time_scale
        now = time.monotonic()
        if not math.isfinite(t):
            return 0.0
        if self._begun is None or t < self._begun[0]:
            self._begun = (t, now)
        return (t - self._begun[0]) / speed - (now - self._begun[1])

    def _read_header(self, source: CsvSource) -> list[str]:
        for _ in range(source.skip_lines):
            next(self._lines, None)
        header = [name.strip() for name in next(self._lines, [])]
        if source.units_line:
            next(self._lines, None)
        if len(header) < FEWEST_COLUMNS:
            raise WitnessError(
                f"{self.where}: its line of names has {len(header)} column with {quoted(source.delimiter)} between "
                "columns; say delimiter, or skip_lines, in the map's [source]."
            )
        return header

    def _refuse_unknown(self, channels: ChannelMap) -> None:
        sentences = []
        for name in channels.names():
            if name not in self.header:
                meant = closest(name, self.header)
                hint = f"; did you mean {quoted(meant)}?" if meant else "."
                sentences.append(f"the map uses the column {quoted(name)}, which {self.where} does not have{hint}")
        if sentences:
            self._file.close()
            raise MapFaults(channels.path, tuple(sentences))

    def _next(self) -> Sample | None:
        while True:
            try:
                cells = next(self._lines, None)
            except csv.Error as error:
                self._refuse(f"line {self._lines.line_num}: {error}")
                continue
            if cells is None:
                return None
            if not any(cells):
                continue
            if len(cells) != len(self.header):
                self._refuse(f"line {self._lines.line_num} has {len(cells)} columns where there are {len(self.header)}")
                continue
            return Sample({name: self._value(cell) for name, cell in zip(self.header, cells, strict=True)})

    def _value(self, cell: str) -> Any:
        """A number where the cell is one, None where it says "missing", else its text."""
        if self._decimal != ".":
            cell = cell.replace(self._decimal, ".")
        try:
            return float(cell)
        except ValueError:
            clean = cell.strip()
            return None if clean in self._missing else clean

    def _refuse(self, why: str) -> None:
        self.refused += 1
        self.last_refusal = why


def _bounded(file: TextIO) -> Iterator[str]:
    """The file's lines, each cut to 1 MiB: a file without line ends must not fill the memory."""
    while line := file.readline(LONGEST_LINE):
        yield line

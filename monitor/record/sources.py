"""What a record is read from: its parts, each a run of stretches; as files, or out of a sealed file."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Protocol

from monitor.record.bytes.framing import HEADER_BYTES, MARKER, MAX_PAYLOAD, OVERHEAD, header_at
from monitor.record.bytes.parts import PART_HEADER_BYTES, PartHeader
from monitor.record.bytes.scanning import Bad, PartFile, PartScan, Position, Stretch, Torn, first_position, read_header
from monitor.record.disk import DISK, DiskCalls
from monitor.record.entries import Entry, EntryKind

SHORT_TAIL_BYTES = 1 << 16
TAIL_BYTES = 2 * (MAX_PAYLOAD + OVERHEAD)
NEAR_BYTES = 4 << 20


@dataclass(frozen=True, slots=True)
class LastEntry:
    """The last whole entry of a part."""

    entry: Entry
    digest: bytes
    copy: bool


class PartSource(Protocol):
    """One part of a record."""

    number: int
    header: PartHeader | None
    torn: Torn | None
    """The unfinished entry at its end, known after a pass to the end."""

    def events(self, size: int, start: Position | None = None) -> Iterator[Stretch | Bad]:
        """Its stretches and bad places in order, from a position or from the first entry."""
        ...

    def near(self, number: int) -> Position | None:
        """A position at or not long before the entry with this number; None for the first entry."""
        ...

    unreadable: list[int]
    """Offsets of pages that the disk did not give back, known after a pass."""

    def last(self) -> LastEntry | None:
        """The last whole entry."""
        ...

    def extent(self) -> int:
        """Its length in bytes."""
        ...


class FilePart:
    """A part as a file."""

    def __init__(self, number: int, path: Path, disk: DiskCalls = DISK) -> None:
        self.number = number
        self.path = path
        self._disk = disk
        self.torn: Torn | None = None
        self.unreadable: list[int] = []
        file = PartFile(path, disk)
        try:
            self.header = read_header(file)
        finally:
            file.close()

    def extent(self) -> int:
        return self.path.stat().st_size

    def events(self, size: int, start: Position | None = None) -> Iterator[Stretch | Bad]:
        file = PartFile(self.path, self._disk)
        try:
            length = file.size()
            if length < PART_HEADER_BYTES:
                self.torn = Torn(0, length, "the part was begun here and never finished")
                return
            scan = PartScan(file, self.header, start or first_position(self.header))
            yield from scan.events(size)
            self.torn = scan.torn
            self.unreadable = file.unreadable
        finally:
            file.close()

    def last(self) -> LastEntry | None:
        """Found from the end, without reading the whole part."""
        length = self.extent()
        for back in (SHORT_TAIL_BYTES, TAIL_BYTES, length):
            start = None if back >= length else Position(length - back, None, b"")
            found = None
            for event in self.events(2048, start):
                if isinstance(event, Stretch):
                    found = LastEntry(event.entries[-1], event.digests[-1], event.copies)
            if found is not None or start is None:
                return found
        return None

    def near(self, number: int) -> Position | None:
        """By halving the file, looking each time for the next entry header after the middle."""
        low, high = 0, self.extent()
        file = PartFile(self.path, self._disk)
        try:
            while high - low > NEAR_BYTES:
                middle = (low + high) // 2
                found = _next_header(file, middle)
                if found is None or found[1] > number:
                    high = middle
                else:
                    low = found[0]
        finally:
            file.close()
        return Position(low, None, b"") if low else None


def _next_header(file: PartFile, offset: int) -> tuple[int, int] | None:
    """Offset and number of the next entry header whose checksum holds, within the longest entry's length."""
    raw = file.read(offset, MAX_PAYLOAD + OVERHEAD + HEADER_BYTES)
    at = raw.find(MARKER)
    while at >= 0:
        head = header_at(raw, at)
        if head is not None:
            return offset + at, head[1]
        at = raw.find(MARKER, at + 1)
    return None


def newest(sources: list[PartSource]) -> LastEntry | None:
    """The entry with the highest number of a record.

    Looked for from the last part on; a part that ends in copies died while they were written, so that the part
    before it may hold later ones.
    """
    best = None
    for source in reversed(sources):
        last = source.last()
        if last is not None and (best is None or last.entry.number > best.entry.number):
            best = last
        if last is not None and not last.copy:
            break
    return best


def find_opening(sources: list[PartSource]) -> tuple[Entry, bytes] | None:
    """The opening entry, which stands twice at the start of the first part and once in each later one."""
    for source in sources:
        for event in islice(source.events(1), 8):
            if isinstance(event, Stretch) and event.entries[0].kind == EntryKind.OPENING:
                return event.entries[0], event.digests[0]
    return None

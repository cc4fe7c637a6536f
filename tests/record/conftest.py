"""Small records, clocks that are set by hand, and disks that fail when told to."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from monitor.record.bytes.framing import OVERHEAD
from monitor.record.bytes.parts import PART_HEADER_BYTES, part_name
from monitor.record.disk import DiskCalls
from monitor.record.entries import Entry, EntryKind, Opening, pack_frames, pack_operator
from monitor.record.places import new_record_directory
from monitor.record.reader import RecordFiles, RecordReading
from monitor.record.writer import RecordWriter, Writing
from tests.memory import in_memory


@dataclass
class HandClock:
    """Both clocks; each reading moves them on by 10 ms."""

    monotonic: int = 5_000_000_000
    wall: int = 1_750_000_000_000_000_000
    step: int = 10_000_000

    def monotonic_ns(self) -> int:
        self.monotonic += self.step
        return self.monotonic

    def wall_ns(self) -> int:
        self.wall += self.step
        return self.wall


Fails = Callable[[str, int], BaseException | None]
"""By the name of a call to the disk and how many there were with it: what goes wrong, if anything."""


@dataclass
class FailingDisk(DiskCalls):
    """Lets calls fail by a rule; counts them and remembers which parts were synced after a failed sync."""

    fails: Fails = lambda name, count: None
    calls: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    sync_failed: set[tuple[int, int]] = field(default_factory=set)
    synced_again: list[int] = field(default_factory=list)

    def _count(self, name: str) -> None:
        self.calls.append(name)
        error = self.fails(name, len(self.calls))
        if error is not None:
            self.failed.append(name)
            raise error

    def open(self, path: Path, flags: int, mode: int = 0o600) -> int:
        self._count("open")
        return super().open(path, flags, mode)

    def write(self, descriptor: int, data: bytes) -> int:
        self._count("write")
        return super().write(descriptor, data)

    def datasync(self, descriptor: int) -> None:
        status = os.fstat(descriptor)
        identity = (status.st_dev, status.st_ino)
        if identity in self.sync_failed:
            self.synced_again.append(descriptor)
        try:
            self._count("datasync")
        except OSError:
            self.sync_failed.add(identity)
            raise
        super().datasync(descriptor)

    def close(self, descriptor: int) -> None:
        super().close(descriptor)  # the system lets go of the descriptor even where it reports an error
        self._count("close")

    def make_directory(self, path: Path) -> None:
        self._count("make_directory")
        super().make_directory(path)

    def sync_directory(self, path: Path) -> None:
        self._count("sync_directory")
        super().sync_directory(path)

    def rename(self, old: Path, new: Path) -> None:
        self._count("rename")
        super().rename(old, new)

    def unlink(self, path: Path) -> None:
        self._count("unlink")
        super().unlink(path)


def fail_once(error: int, wanted: str) -> Fails:
    """Fails the next call of one name."""
    left = [wanted]

    def fails(name: str, count: int) -> OSError | None:
        if name in left:
            left.clear()
            return OSError(error, os.strerror(error))
        return None

    return fails


def fail_from(first: int, error: int, names: tuple[str, ...] = (), last: int = 10**9) -> Fails:
    def fails(name: str, count: int) -> OSError | None:
        if first <= count <= last and (not names or name in names):
            return OSError(error, os.strerror(error))
        return None

    return fails


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """In memory: hundreds of records are written, synced and removed."""
    with tempfile.TemporaryDirectory(prefix="tw-", dir=in_memory(), ignore_cleanup_errors=True) as name:
        yield Path(name)


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def opening() -> Opening:
    return Opening(
        participant="Q01",
        group="chime",
        study_name="dusk-road",
        study_text="[study]",
        study_sha256="00",
        feeds=(),
        versions={},
    )


@pytest.fixture
def path(tmp_path: Path, clock: HandClock) -> Path:
    (tmp_path / "first").mkdir()
    return new_record_directory(tmp_path / "first", "Q01", clock)


@pytest.fixture
def second(tmp_path: Path) -> Path:
    place = tmp_path / "second"
    place.mkdir()
    return place


def payload(number: int) -> bytes:
    """A message of a few bytes that differ from entry to entry."""
    return pack_frames([b"frame", bytes((number * 7 + at) % 251 for at in range(9 + number % 3))])


@pytest.fixture
def small(tmp_path: Path, clock: HandClock, opening: Opening) -> Path:
    """A closed record: opening (1), six messages (2–7), a note (8), the close entry (9)."""
    return write_small(tmp_path / "Q01-20250615T145320Z-00aa.run", clock, opening)


def write_small(path: Path, clock: HandClock, opening: Opening) -> Path:
    writer = RecordWriter.create(path, opening, Writing(clock=clock))
    for number in range(2, 8):
        writer.append(EntryKind.MESSAGE, payload(number))
    writer.append(EntryKind.OPERATOR, pack_operator({"type": "note", "key": "k1", "by": "op", "text": "fog"}))
    writer.close("the drive ended")
    return path


def entries_of(path: Path) -> list[Entry]:
    """All entries that a reader of the record is given."""
    return [entry for block in RecordReading(path).blocks() for entry in block]


@dataclass
class Record:
    """Looks at a record and rewrites its bytes."""

    path: Path

    def part(self, number: int = 1) -> Path:
        return self.path / part_name(number)

    def read(self) -> tuple[list[Entry], RecordFiles]:
        """All entries that are given, and what was found."""
        files = RecordFiles(self.path)
        return [entry for block in files.blocks() for entry in block], files

    def pieces(self, number: int = 1) -> list[bytes]:
        """The part's header and its entries, cut at their ends, going by the lengths in them."""
        raw = self.part(number).read_bytes()
        found = [raw[:PART_HEADER_BYTES]]
        at = PART_HEADER_BYTES
        while at < len(raw):
            end = at + OVERHEAD + int.from_bytes(raw[at + 8 : at + 12], "little")
            found.append(raw[at:end])
            at = end
        return found

    def write(self, pieces: list[bytes], number: int = 1) -> None:
        self.part(number).write_bytes(b"".join(pieces))


Fill = Callable[[RecordWriter, int], RecordWriter]


@pytest.fixture
def fill() -> Iterator[Fill]:
    """Appends messages to a writer; writers left open are closed at the end of the test."""
    writers: list[RecordWriter] = []

    def append(writer: RecordWriter, count: int) -> RecordWriter:
        for _ in range(count):
            writer.append(EntryKind.MESSAGE, payload(writer.last + 1))
        writers.append(writer)
        return writer

    yield append
    for writer in writers:
        writer.close("end of the test")


@pytest.fixture
def elsewhere(tmp_path: Path, clock: HandClock, opening: Opening) -> tuple[Path, Path]:
    """A closed record of which the second part lies in a second place: the record, the place."""
    return write_elsewhere(tmp_path, clock, opening)


def write_elsewhere(base: Path, clock: HandClock, opening: Opening, *, close: bool = True) -> tuple[Path, Path]:
    path, second = base / "first" / "Q01-20250615T145320Z-0aaa.run", base / "second"
    disk = FailingDisk()
    second.mkdir()
    writer = RecordWriter.create(path, opening, Writing(second=second, clock=clock, disk=disk))
    writer.append(EntryKind.MESSAGE, payload(2))
    disk.fails = _the_next_write_fails(len(disk.calls))
    for number in range(3, 9):
        writer.append(EntryKind.MESSAGE, payload(number))
    writer.close("the drive ended")
    if not close:
        (second / path.name / part_name(2)).write_bytes(_without_its_last_entry(second / path.name / part_name(2)))
    return path, second / path.name


def _the_next_write_fails(after: int) -> Fails:
    left = [OSError(28, "No space left on device")]
    return lambda name, count: left.pop() if left and name == "write" and count > after else None


def _without_its_last_entry(part: Path) -> bytes:
    raw = part.read_bytes()
    at = end = PART_HEADER_BYTES
    while end < len(raw):
        at = end
        end = at + OVERHEAD + int.from_bytes(raw[at + 8 : at + 12], "little")
    return raw[:at]

"""Where parts are begun: the record's own directory, the one on the second disk, and what to do when both fail."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from monitor import __version__
from monitor.errors import RecordUnreadable
from monitor.record.bytes.parts import PartHeader, part_name
from monitor.record.clock import Clock, boot_id
from monitor.record.disk import DiskCalls, RecordNotWritable, write_whole
from monitor.record.places import STAMP_NAME
from monitor.record.resuming import LastGood
from monitor.record.stamping import note_part, note_place

FIRST_RETRY_NS = 2_000_000_000
LAST_RETRY_NS = 60_000_000_000


@dataclass(slots=True)
class OpenPart:
    """A part being written; `proven` once a sync of it has succeeded."""

    number: int
    place: Path
    descriptor: int
    proven: bool = False


class Places:
    """Begins parts, turning to the other place after a failure.

    A place whose new part failed before any sync of it succeeded is left alone for 2 s, then 4, 8 … 60 s, so that a
    disk that takes writes and fails each sync is not filled with copies of the last minute.
    """

    def __init__(self, directory: Path, second: Path | None, state: LastGood, clock: Clock, disk: DiskCalls) -> None:
        self._directory = directory
        self._directories = [directory] if second is None else [directory, second]
        self._record_id = state.record_id
        self._next_part = state.next_part
        self.clock = clock
        self.disk = disk
        self._until_ns: dict[Path, int] = {}
        self._pause_ns: dict[Path, int] = {}
        self._failed_last: Path | None = None
        self._named: Path | None = None
        self.failure: str | None = None
        """Place and reason of the last failure; None again when the record's own directory has proven to work."""

    def add(self, place: Path) -> None:
        """A further place, named by the operator: it is tried first. Raises `OSError`, and `RecordNotWritable` for
        another record's. Where the record's own disk is full it cannot note the place; its stamp knows the record."""
        try:
            note_place(self._directory, place, self._record_id, self.disk)
        except (OSError, RecordUnreadable):
            if not (place / STAMP_NAME).is_file():
                raise
        if place not in self._directories:
            self._directories.append(place)
        self._named = place
        self._until_ns.pop(place, None)

    def begin(self, first: int, before: bytes, pieces: Callable[[], Iterable[bytes]]) -> OpenPart | None:
        """A new part that begins with the given bytes, in the first place that takes it; None where none does."""
        now = self.clock.monotonic_ns()
        order = sorted(self._directories, key=lambda place: (place == self._failed_last, place != self._named))
        for place in order:
            if now < self._until_ns.get(place, now):
                continue
            try:
                return self.begin_in(place, first, before, pieces())
            except (OSError, RecordNotWritable, RecordUnreadable) as error:
                self._note(place, reason(error))
                self._pause(place)
        return None

    def begin_in(self, place: Path, first: int, before: bytes, pieces: Iterable[bytes]) -> OpenPart:
        """A new part in one place; its name is on disk on return. Raises `OSError`, and then leaves no file there."""
        if place != self._directory and not place.is_dir():
            note_place(self._directory, place, self._record_id, self.disk)
        number = self._next_part
        path = place / part_name(number)
        header = PartHeader(
            part=number,
            record_id=self._record_id,
            part_id=secrets.token_bytes(16),
            boot_id=boot_id(),
            wall_ns=self.clock.wall_ns(),
            monotonic_ns=self.clock.monotonic_ns(),
            first_number=first,
            before=before,
            program=__version__,
        )
        descriptor = self.disk.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND)
        try:
            write_whole(self.disk, descriptor, header.pack())
            for piece in pieces:
                write_whole(self.disk, descriptor, piece)
            self.disk.sync_directory(place)
        except OSError:
            close_quietly(self.disk, descriptor)
            try:
                self.disk.unlink(path)
            except OSError:
                self._next_part += 1
            raise
        self._next_part += 1
        if place != self._directory:
            with contextlib.suppress(OSError):  # it only says that the part is to be there; its entries are there
                note_part(place, number, header.part_id, self.disk)
        return OpenPart(number, place, descriptor)

    def failed(self, part: OpenPart, why: str) -> None:
        """Notes that a part failed; its place is tried last, and not at all for a while if nothing of it was proven."""
        self._note(part.place, why)
        if not part.proven:
            self._pause(part.place)

    def worked(self, part: OpenPart) -> None:
        """Notes a successful sync."""
        if not part.proven:
            part.proven = True
            self._pause_ns.pop(part.place, None)
            if part.place == self._directory:
                self.failure = None

    def try_all_again(self) -> None:
        """Ends all pauses."""
        self._until_ns.clear()

    def trouble(self, part: OpenPart | None) -> str | None:
        """One sentence for the operator while something is wrong, else None."""
        if self.failure is None:
            return None
        if part is None:
            return f"NOT RECORDING: {self.failure}. What arrives is kept in memory, and writing is tried again."
        where = "in a new part" if part.place == self._directory else f"in {part.place}"
        return f"The record goes on {where}, because of {self.failure}."

    def _note(self, place: Path, why: str) -> None:
        self._failed_last = place
        self.failure = f"{place}: {why}"

    def _pause(self, place: Path) -> None:
        length = self._pause_ns.get(place, FIRST_RETRY_NS)
        self._until_ns[place] = self.clock.monotonic_ns() + length
        self._pause_ns[place] = min(2 * length, LAST_RETRY_NS)


def reason(error: Exception) -> str:
    """What the system, or this program, says of an error, in words."""
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


def close_quietly(disk: DiskCalls, descriptor: int) -> None:
    """Closes what is not needed any more; an error then says nothing that is not known already."""
    if descriptor >= 0:
        with contextlib.suppress(OSError):
            disk.close(descriptor)


def elsewhere_of(directory: Path, second: Path | None) -> Path | None:
    """The record's directory under the second directory of records; None where that is the first one again."""
    if second is None or second.resolve() == directory.parent.resolve():
        return None
    return (second / directory.name).absolute()

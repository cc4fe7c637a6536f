"""Reading a run record: open or closed, recovered or sealed, whole or damaged."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Literal

from monitor.errors import RecordUnreadable
from monitor.record.bytes.framing import ZERO_DIGEST
from monitor.record.bytes.parts import part_name
from monitor.record.bytes.scanning import Torn
from monitor.record.disk import DISK, DiskCalls
from monitor.record.entries import Entry, EntryKind, unpack_map, unpack_opening
from monitor.record.places import SEALED_NAME, Place, list_records, look_at_places, parts_in
from monitor.record.sources import FilePart, LastEntry, PartSource, find_opening, newest
from monitor.record.tombstone import RecordWithdrawn, refuse_withdrawn
from monitor.record.walking import Damage, Mark, Problems, Walk

__all__ = ["Damage", "RecordFiles", "RecordReading", "RecordWithdrawn", "State", "list_records"]

State = Literal["open", "closed", "recovered", "sealed"]


class RecordFiles:
    """What a record consists of, and passes over it; for `verify` and `seal`, which need no opening entry."""

    def __init__(self, path: Path, disk: DiskCalls = DISK, *, withdrawn_too: bool = False) -> None:
        """`withdrawn_too`: also one in which a tombstone stands, for whoever erases it."""
        self.path = path
        self._disk = disk
        self._withdrawn_too = withdrawn_too
        self._problems = Problems()
        self._mark: Mark | None = None
        self.sources: list[PartSource] = []
        self.places: list[Place] = []
        """Where its parts lie, as of the last look; of a sealed record: nothing."""
        self.unread: dict[int, str] = {}
        """Numbers of parts that are there and cannot be read, with a sentence."""
        self._closing: bytes | None = None
        self.state: State = "open"
        self.digest = ZERO_DIGEST.hex()
        """Digest of the last entry known (hex): of the close entry once there is one."""
        self.last_number = 0
        """Number of the last entry known."""
        self._refuse_withdrawn()
        try:
            if (path / SEALED_NAME).is_file():
                self._open_sealed()
            else:
                self._find_sources()
                self._note_last(newest(self.sources))
        except OSError as error:
            raise RecordUnreadable(f"{path} cannot be read: {error.strerror or error}.") from error
        if not self.sources:
            unread = " ".join(damage.what for damage in self.damage)
            why = unread or f"neither {part_name(1)} nor {SEALED_NAME} is there."
            raise RecordUnreadable(f"{path} holds no run record that can be read: {why}")

    @property
    def damage(self) -> list[Damage]:
        """What the passes so far found wrong, by place."""
        return self._problems.by_place()

    @property
    def torn(self) -> list[tuple[int, Torn]]:
        """Part and place of unfinished entries at the ends of parts, as far as passes came."""
        return [(source.number, source.torn) for source in self.sources if source.torn is not None]

    @property
    def record_id(self) -> str:
        """The record's random id (hex), the same in all its parts; empty where no part header can be read."""
        headers = (source.header for source in self.sources if source.header is not None)
        return next((header.record_id.hex() for header in headers), "")

    def blocks(self, after: int = 0, size: int = 2048) -> Iterator[list[Entry]]:
        """Entries with a number > `after`, in order, each once, in lists of at most `size` and about 1 MiB.

        Damage is passed over and noted in `damage`. May be called again with the last number given, to read on in a
        record that is being written: an entry not yet whole at its end is no damage. Raises `RecordWithdrawn` where the
        record was withdrawn meanwhile, so that a part of it is not taken for the whole.
        """
        try:
            if self.state == "open":
                self._find_sources()
            walk = Walk(self.sources, self._problems, after, self._mark)
            for block in walk.blocks(size):
                self._mark = walk.mark
                self._note_given(block[-1], walk.mark)
                yield block
            self._refuse_withdrawn()
        except OSError as error:
            raise RecordUnreadable(
                f"{self.path} cannot be read on: {error.strerror or error}; if it was sealed meanwhile, open it again."
            ) from error
        if self._closing is not None and walk.mark is not None and walk.mark.digest != self._closing:
            what = f"{SEALED_NAME}: its entries do not lead to the closing digest {self._closing.hex()}."
            self._problems.note(Damage(0, 0, 0, what, 0))

    def _open_sealed(self) -> None:
        from monitor.record.sealed.reading import SealedFile, SealedPart  # here, so that a recorder does not load numpy

        sealed = SealedFile(self.path / SEALED_NAME, self._disk)
        self.state = "sealed"
        self.sources = [SealedPart(sealed, number, self._disk) for number in sealed.parts]
        for at, fault in sealed.faults:
            self._problems.note(Damage(0, at, 0, f"{SEALED_NAME}, byte {at}: {fault}; no entry lost.", 0))
        self._closing = sealed.closing
        if sealed.closing is None:
            self._note_last(newest(self.sources))
        else:  # from head and index, so that a tally of many records unpacks no block for it
            self.digest, self.last_number = sealed.closing.hex(), sealed.last_number

    def _find_sources(self) -> None:
        """Parts that were begun since are added; those known are kept."""
        known = {source.path for source in self.sources if isinstance(source, FilePart)}
        self.places = look_at_places(self.path)
        for number, path in parts_in(self.places):
            if path not in known:
                try:
                    self.sources.append(FilePart(number, path, self._disk))
                except FileNotFoundError:
                    raise
                except OSError as error:
                    what = f"Part {number}: {path} cannot be read: {error.strerror or error}."
                    self._problems.note(Damage(number, 0, 0, what, None), -6)
                    self.unread[number] = what
        self.sources.sort(key=lambda source: source.number)

    def _refuse_withdrawn(self) -> None:
        if not self._withdrawn_too:
            refuse_withdrawn(self.path)

    def _note_given(self, last: Entry, mark: Mark | None) -> None:
        if mark is not None and self._closing is None and last.number >= self.last_number:
            self._note_last(LastEntry(last, mark.digest, copy=False))

    def _note_last(self, last: LastEntry | None) -> None:
        if last is None:
            return
        self.last_number, self.digest = last.entry.number, last.digest.hex()
        if last.entry.kind == EntryKind.CLOSE and self.state != "sealed":
            self.state = "recovered" if unpack_map(last.entry.payload).get("recovered") else "closed"


class RecordReading(RecordFiles):
    """Reads a record in bounded memory; raises `RecordUnreadable` for a path that is none, or lacks its opening."""

    def __init__(self, path: Path, disk: DiskCalls = DISK) -> None:
        super().__init__(path, disk)
        try:
            found = find_opening(self.sources)
        except OSError as error:
            raise RecordUnreadable(f"{path} cannot be read: {error.strerror or error}.") from error
        if found is None:
            raise RecordUnreadable(
                f"{path}: no opening entry can be read, so that participant and study are not known; "
                f"see what is left with: trialwitness verify {path}"
            )
        self.opening = unpack_opening(found[0].payload)


def began_wall(path: Path) -> float:
    """Wall clock of the record's first whole entry, seconds since 1970; 0.0 where there is none."""
    for entries in RecordFiles(path).blocks(0, 1):
        return entries[0].wall_ns / 1e9
    return 0.0

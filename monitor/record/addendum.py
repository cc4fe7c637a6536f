"""What is entered after a record was closed: rulings and notes, chained to the closing digest.

Files `addendum-0001.twr` … beside the parts, of the same form: a header, then entries of kind `OPERATOR`, numbered 1,
2, 3 …; "the digest of the entry before" of the first one is the closing digest of the record. They stay as they are
when the record is sealed.

The code of an addendum, such as `3-9f2c41d07be65a10`, is the number of its entries and the beginning of the digest of
the last one, which covers the record and all of them. Whoever noted it can tell later whether one was removed.
"""

from __future__ import annotations

import os
import re
import secrets
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor import __version__
from monitor.errors import RecordUnreadable, WitnessError
from monitor.record.bytes.framing import chain_digest, entry_bytes, refuse_long
from monitor.record.bytes.parts import PartHeader, part_name
from monitor.record.bytes.scanning import Torn
from monitor.record.clock import SYSTEM_CLOCK, Clock, boot_id
from monitor.record.disk import DISK, DiskCalls, RecordNotWritable, lock_record, write_whole
from monitor.record.entries import Entry, EntryKind, pack_operator, unpack_map
from monitor.record.places import find_parts, record_id_of
from monitor.record.placing import close_quietly, reason
from monitor.record.reader import RecordFiles
from monitor.record.sources import FilePart, PartSource
from monitor.record.walking import Damage, Problems, Walk

CODE_DIGITS = 16
_CODE = re.compile(r"([0-9]{1,6})-([0-9a-f]{8,64})")


@dataclass(slots=True)
class Addendum:
    """All that was entered after closing."""

    entries: list[Entry] = field(default_factory=list)
    digests: list[bytes] = field(default_factory=list)
    """Closing digest, then the digest after each entry, as it follows from what stands there."""
    digest: bytes = b""
    """Digest of its last entry; the closing digest while there is none."""
    damage: list[Damage] = field(default_factory=list)
    torn: list[tuple[int, Torn]] = field(default_factory=list)
    foreign: list[int] = field(default_factory=list)
    """Numbers of files that are of another record."""
    unread: list[str] = field(default_factory=list)
    """A sentence for each file that cannot be read: nothing is added before it can, because nobody knows after what."""
    next_file: int = 1
    clean_end: Path | None = None
    """The last file, where it ends with a whole entry, so that the next one may be appended to it."""

    @property
    def code(self) -> str | None:
        """What covers the record and all that was entered after closing; None while nothing was."""
        return f"{len(self.entries)}-{self.digest.hex()[:CODE_DIGITS]}" if self.entries else None

    @property
    def maps(self) -> list[dict[str, Any]]:
        """The operator's maps in order; what is none is told in `faults`."""
        return [fields for entry in self.entries if (fields := _map_in(entry)) is not None]

    @property
    def rulings(self) -> int:
        """How many of them are rulings."""
        return sum(fields.get("type") == "ruling" for fields in self.maps)

    def faults(self) -> list[str]:
        """What is wrong with it, a sentence each."""
        said = [f"Addendum: {damage.what}" for damage in self.damage]
        said += [f"Addendum {number} belongs to another record." for number in self.foreign]
        said += [f"Addendum: entry {one.number} is no operator's map." for one in self.entries if _map_in(one) is None]
        for number, torn in self.torn:
            if number == self.next_file - 1:  # else the next file goes on from before it: it was never acknowledged
                said.append(
                    f"Addendum {number}, byte {torn.offset}, {torn.length} bytes: {torn.what}. Either it was "
                    "interrupted, and then never acknowledged, or it was cut: compare with the code that was noted."
                )
        return said

    def compared_with(self, code: str) -> list[str]:
        """What a code that was noted shows, a sentence for each fault; raises `WitnessError` for what is no code."""
        count, digits = split_code(code)
        if count > len(self.entries):
            return [f"Entries made after closing when {code} was noted: {count}; there now: {len(self.entries)}."]
        found = self.digests[count].hex()
        if not found.startswith(digits):
            return [f"{code} was noted, and the code of the first {count} is {count}-{found[:CODE_DIGITS]}."]
        return []


def is_code(text: str) -> bool:
    """Whether a text has the form of an addendum's code."""
    return _CODE.fullmatch(text.strip().lower()) is not None


def split_code(text: str) -> tuple[int, str]:
    """The number of entries and the digits of a code; raises `WitnessError` for anything else."""
    parts = _CODE.fullmatch(text.strip().lower())
    if parts is None:
        raise WitnessError(f"{text} is no code of rulings; one is such as 3-9f2c41d07be65a10.")
    return int(parts[1]), parts[2]


def load_addendum(path: Path, closing: bytes, disk: DiskCalls = DISK) -> Addendum:
    """Reads the addendum of a record whose closing digest is known."""
    found = Addendum(digest=closing, digests=[closing])
    files: list[FilePart] = []
    problems = Problems()
    for number, file in find_parts(path, "addendum"):
        try:
            files.append(FilePart(number, file, disk))
        except OSError as error:
            what = f"{file} cannot be read: {reason(error)}."
            problems.note(Damage(number, 0, 0, what, None))
            found.unread.append(what)
            found.next_file = number + 1
    sources: list[PartSource] = list(files)
    if not sources:
        found.damage = problems.by_place()
        return found
    walk = Walk(sources, problems, 0, None, before=closing)
    for block in walk.blocks(2048):
        found.entries += block
    for entry in found.entries:
        found.digests.append(chain_digest(found.digests[-1], entry))
    if walk.mark is not None:
        found.digest = walk.mark.digest
    found.damage = problems.by_place()
    found.torn = [(file.number, file.torn) for file in files if file.torn is not None]
    known = record_id_of(path)
    headers = [(file.number, file.header) for file in files if file.header is not None and any(file.header.record_id)]
    found.foreign = [number for number, header in headers if known not in (None, header.record_id)]
    final = files[-1]
    found.next_file = max(found.next_file, final.number + 1)
    if walk.mark is not None and walk.mark.source is final and walk.mark.position.offset == final.extent():
        found.clean_end = final.path
    return found


def addendum_of(path: Path) -> Addendum:
    """The addendum of a record; raises `RecordUnreadable`."""
    try:
        if not find_parts(path, "addendum"):
            return Addendum()
        return load_addendum(path, bytes.fromhex(RecordFiles(path).digest))
    except OSError as error:
        raise RecordUnreadable(f"{path}: what was entered after closing cannot be read: {reason(error)}.") from error


def read_addendum(path: Path) -> list[dict[str, Any]]:
    """The operator's maps entered after closing, in order; none for a record that has no addendum."""
    return addendum_of(path).maps


def _map_in(entry: Entry) -> dict[str, Any] | None:
    try:
        return unpack_map(entry.payload) if entry.kind == EntryKind.OPERATOR else None
    except RecordUnreadable:
        return None


def append_addendum(path: Path, fields: dict[str, Any], clock: Clock = SYSTEM_CLOCK, disk: DiskCalls = DISK) -> str:
    """Enters an operator's map (see `pack_operator`) after closing; gives the addendum's digest (hex).

    It is on disk on return. A map whose `key` was entered before is not entered again. Raises `RecordNotWritable`
    for a record that is not closed or where the disk fails (the same map may then be entered again), `RecordBusy`.
    """
    payload = pack_operator(fields)
    refuse_long(payload)
    lock = lock_record(disk, path)
    try:
        files = RecordFiles(path, disk)
        if files.state == "open":
            raise RecordNotWritable(f"{path} is not closed; close the run, or recover it, before something is added.")
        found = load_addendum(path, bytes.fromhex(files.digest), disk)
        if found.unread:
            raise RecordNotWritable(f"Nothing was added to {path}: {' '.join(found.unread)}")
        key = fields.get("key")
        if key is not None and any(one.get("key") == key for one in found.maps):
            return found.digest.hex()
        number = found.entries[-1].number + 1 if found.entries else 1
        entry = Entry(EntryKind.OPERATOR, number, clock.monotonic_ns(), clock.wall_ns(), payload)
        digest = chain_digest(found.digest, entry)
        raw = entry_bytes(entry, digest)
        if found.clean_end is None:
            raw = _header(files, found, number, clock).pack() + raw
            flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL
            descriptor = disk.open(path / part_name(found.next_file, "addendum"), flags)
        else:
            descriptor = disk.open(found.clean_end, os.O_WRONLY | os.O_APPEND)
        try:
            write_whole(disk, descriptor, raw)
            disk.datasync(descriptor)
        finally:
            close_quietly(disk, descriptor)
        disk.sync_directory(path)
        return digest.hex()
    except OSError as error:
        raise RecordNotWritable(f"Nothing was added to {path}: {reason(error)}; try again.") from error
    finally:
        close_quietly(disk, lock)


def _header(files: RecordFiles, found: Addendum, number: int, clock: Clock) -> PartHeader:
    headers = [source.header for source in files.sources if source.header is not None]
    return PartHeader(
        part=found.next_file,
        record_id=headers[0].record_id if headers else bytes(16),
        part_id=secrets.token_bytes(16),
        boot_id=boot_id(),
        wall_ns=clock.wall_ns(),
        monotonic_ns=clock.monotonic_ns(),
        first_number=number,
        before=found.digest,
        program=__version__,
    )

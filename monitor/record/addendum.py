"""What is entered after a record was closed: rulings and notes, chained to the closing digest.

Files `addendum-0001.twr` … beside the parts, of the same form: a header, then entries of kind `OPERATOR`, numbered 1,
2, 3 …; "the digest of the entry before" of the first one is the closing digest of the record. They stay as they are
when the record is sealed.
"""

from __future__ import annotations

import os
import secrets
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.record.clock import SYSTEM_CLOCK, Clock, boot_id
from monitor.record.disk import DISK, DiskCalls, RecordNotWritable, lock_record, write_whole
from monitor.record.entries import Entry, EntryKind, pack_operator, unpack_map
from monitor.record.framing import chain_digest, entry_bytes, refuse_long
from monitor.record.parts import PartHeader, find_parts, part_name, program_version
from monitor.record.placing import close_quietly, reason
from monitor.record.reader import RecordFiles
from monitor.record.scanning import Torn
from monitor.record.sources import FilePart, PartSource
from monitor.record.walking import Damage, Problems, Walk


@dataclass(slots=True)
class Addendum:
    """All that was entered after closing."""

    entries: list[Entry] = field(default_factory=list)
    digest: bytes = b""
    """Digest of its last entry; the closing digest while there is none."""
    damage: list[Damage] = field(default_factory=list)
    torn: list[tuple[int, Torn]] = field(default_factory=list)
    next_file: int = 1
    clean_end: Path | None = None
    """The last file, where it ends with a whole entry, so that the next one may be appended to it."""


def load_addendum(path: Path, closing: bytes, disk: DiskCalls = DISK) -> Addendum:
    """Reads the addendum of a record whose closing digest is known."""
    files = [FilePart(number, file, disk) for number, file in find_parts(path, "addendum")]
    sources: list[PartSource] = list(files)
    problems = Problems()
    walk = Walk(sources, problems, 0, None, before=closing)
    found = Addendum(digest=closing)
    for block in walk.blocks(2048):
        found.entries += block
    if walk.mark is not None:
        found.digest = walk.mark.digest
    found.damage = problems.by_place()
    found.torn = [(file.number, file.torn) for file in files if file.torn is not None]
    if files:
        final = files[-1]
        found.next_file = final.number + 1
        if walk.mark is not None and (walk.mark.part, walk.mark.position.offset) == (final.number, final.extent()):
            found.clean_end = final.path
    return found


def read_addendum(path: Path) -> list[dict[str, Any]]:
    """The operator's maps entered after closing, in order; none for a record that has no addendum."""
    if not find_parts(path, "addendum"):
        return []
    found = load_addendum(path, bytes.fromhex(RecordFiles(path).digest))
    return [unpack_map(entry.payload) for entry in found.entries]


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
        key = fields.get("key")
        if key is not None and any(unpack_map(entry.payload).get("key") == key for entry in found.entries):
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
        program=program_version(),
    )

"""Sealing a closed record into one file."""

from __future__ import annotations

import os
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from zlib import crc32

from monitor.errors import RecordUnreadable
from monitor.record.bytes.packing import pack_entries
from monitor.record.bytes.parts import PART_HEADER_BYTES, part_number
from monitor.record.bytes.scanning import PartFile, Stretch
from monitor.record.disk import DISK, DiskCalls, RecordNotWritable, lock_record, write_whole
from monitor.record.places import SEALED_NAME, doubled_parts, find_parts, look_at_places, refuse_unsure_places
from monitor.record.placing import close_quietly, reason
from monitor.record.reader import RecordFiles
from monitor.record.sealed.blocks import (
    BYTES,
    COPIES,
    ENTRIES,
    OWN_DIGEST,
    PART_HEADER,
    TORN,
    Block,
    cut_stripes,
    parity_of,
    stripe_count,
    tail_bytes,
)
from monitor.record.sealed.head import HEAD_BYTES, head_bytes
from monitor.record.sealed.reading import SealedFile
from monitor.record.sources import FilePart
from monitor.record.stamping import leave_empty_places

UNFINISHED_NAME = "record.sealed.unfinished"
PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class Sealed:
    """What sealing came to."""

    digest: str
    """Closing digest (hex)."""
    entries: int
    parts: int
    raw_bytes: int
    sealed_bytes: int

    @property
    def share(self) -> float:
        """Sealed bytes over raw bytes."""
        return self.sealed_bytes / self.raw_bytes


def seal_record(path: Path, disk: DiskCalls = DISK) -> Sealed:
    """Puts all parts of a closed record into `record.sealed`, proves it equal byte for byte, then removes the parts.

    May be called again after it was cut short at any point: the record is readable at each step. Raises
    `RecordNotWritable` for a record that is not closed or where the disk fails, `RecordBusy` while it is written.
    """
    with _disk_errors(path, "sealed"), _locked(path, disk):
        files = RecordFiles(path, disk)
        if files.state == "open":
            raise RecordNotWritable(f"{path} is not closed; close the run, or recover it, before it is sealed.")
        unfinished, final = path / UNFINISHED_NAME, path / SEALED_NAME
        places = look_at_places(path)
        refuse_unsure_places(places, "sealed")
        doubled = doubled_parts(places)
        if doubled:
            raise RecordNotWritable(
                f"{path} is not sealed: of part {doubled[0]} there are two that differ, because the run went on in two "
                "places that did not know of each other; both are kept as they are. See: trialwitness verify"
            )
        if not final.exists():
            try:
                _write(files, unfinished, disk)
                _prove(unfinished, path, disk)
                disk.rename(unfinished, final)
            except BaseException:
                with suppress(OSError):
                    disk.unlink(unfinished)
                raise
            disk.sync_directory(path)
        elif find_parts(path):
            _prove(final, path, disk)
        _remove_parts(path, disk)
        sealed = SealedFile(final, disk)
        raw = sum(block.part_length for blocks in sealed.parts.values() for _at, block in blocks)
        return Sealed(files.digest, files.last_number, len(sealed.parts), raw, final.stat().st_size)


def _remove_parts(path: Path, disk: DiskCalls) -> None:
    """The parts of the record, those in its other places too; where this is a copy, the original's stay."""
    for place in look_at_places(path):
        if place.standing in ("own", "second"):
            for name in place.names:
                if part_number(name):
                    disk.unlink(place.path / name)
            disk.sync_directory(place.path)
    left = leave_empty_places(path, disk)
    if left:
        raise RecordNotWritable(f"{path} is sealed; parts may still stand in {left[0]}: seal it once more.")


def _write(files: RecordFiles, unfinished: Path, disk: DiskCalls) -> None:
    descriptor = disk.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    try:
        headers = [source.header for source in files.sources if source.header is not None]
        write_whole(disk, descriptor, head_bytes(headers[0].record_id if headers else b"", bytes.fromhex(files.digest)))
        at, index = HEAD_BYTES, []
        for source in files.sources:
            assert isinstance(source, FilePart)
            for block, body in _blocks_of(source, disk):
                raw = block.pack() + body
                write_whole(disk, descriptor, raw)
                index.append((at, block))
                at += len(raw)
        write_whole(disk, descriptor, tail_bytes(index, at))
        disk.datasync(descriptor)
    finally:
        close_quietly(disk, descriptor)


def _blocks_of(part: FilePart, disk: DiskCalls) -> Iterator[tuple[Block, bytes]]:
    """Blocks that cover a part from its first byte to its last."""
    file = PartFile(part.path, disk)
    try:
        at = 0
        for event in part.events(1 << 16):
            if isinstance(event, Stretch):
                yield from _plain_blocks(part, file, Block(BYTES, part.number, at, event.offset - at))
                yield _entries_block(part.number, event)
                at = event.end
        if part.extent() == 0:
            yield _filled(Block(TORN, part.number, 0, 0), zlib.compress(b""))
        end = part.extent() if part.torn is None else part.torn.offset
        yield from _plain_blocks(part, file, Block(BYTES, part.number, at, end - at))
        if part.torn is not None:
            yield from _plain_blocks(part, file, Block(TORN, part.number, end, part.extent() - end))
        if part.unreadable or file.unreadable:
            raise OSError(f"a page of {part.path.name} is not given back by the disk")
    finally:
        file.close()


def _entries_block(part: int, stretch: Stretch) -> tuple[Block, bytes]:
    packed, plain_length = pack_entries(stretch.entries)
    block = Block(
        holds=ENTRIES,
        part=part,
        part_offset=stretch.offset,
        part_length=stretch.end - stretch.offset,
        flags=(COPIES if stretch.copies else 0) | (OWN_DIGEST if stretch.linked is None else 0),
        plain_length=plain_length,
        entries=len(stretch.entries),
        first_number=stretch.entries[0].number,
        anchor=stretch.digests[0] if stretch.linked is None else stretch.linked,
    )
    return _filled(block, packed)


def _plain_blocks(part: FilePart, file: PartFile, whole: Block) -> Iterator[tuple[Block, bytes]]:
    """Blocks of at most 1 MiB for a run of bytes that are no entries; the part's header is one of its own."""
    at, end = whole.part_offset, whole.part_offset + whole.part_length
    while at < end:
        is_header = at == 0 and part.header is not None
        size = PART_HEADER_BYTES if is_header else min(PIECE, end - at)
        block = replace(whole, part_offset=at, part_length=size, plain_length=size)
        yield _filled(replace(block, holds=PART_HEADER) if is_header else block, zlib.compress(file.read(at, size)))
        at += size


def _filled(block: Block, packed: bytes) -> tuple[Block, bytes]:
    """The block with what it says of its packed bytes, and its body: those, checksums of the stripes, the parity."""
    stripes = cut_stripes(packed, stripe_count(len(packed)))
    parity = parity_of(stripes, len(stripes[0]))
    block = replace(
        block,
        stripes=len(stripes),
        packed_length=len(packed),
        packed_crc=crc32(packed),
        parity_crc=crc32(parity),
    )
    sums = b"".join(crc32(stripe).to_bytes(4, "little") for stripe in stripes)
    return block, packed + sums + parity


def _prove(sealed_path: Path, path: Path, disk: DiskCalls) -> None:
    """Reads the sealed file back and compares it with the parts, byte for byte; raises `RecordNotWritable`."""
    sealed = SealedFile(sealed_path, disk)
    parts = find_parts(path)
    if sealed.faults or not {number for number, _ in parts} <= set(sealed.parts):
        raise RecordNotWritable(f"{path} is not sealed: what was written does not read back; the parts are kept.")
    for number, part_path in parts:
        file = PartFile(part_path, disk)
        try:
            at = 0
            for piece in sealed.original(number):
                if file.read(at, len(piece)) != piece:
                    raise RecordNotWritable(f"{path} is not sealed: part {number} differs near byte {at}; it is kept.")
                at += len(piece)
            if at != file.size():
                raise RecordNotWritable(f"{path} is not sealed: part {number} differs in length; it is kept.")
        finally:
            file.close()


@contextmanager
def _locked(path: Path, disk: DiskCalls) -> Iterator[None]:
    if not path.is_dir():
        raise RecordUnreadable(f"{path} is no record's directory.")
    lock = lock_record(disk, path)
    try:
        yield
    finally:
        close_quietly(disk, lock)


@contextmanager
def _disk_errors(path: Path, what: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise RecordNotWritable(f"{path} is not {what} yet: {reason(error)}; nothing is lost, try again.") from error

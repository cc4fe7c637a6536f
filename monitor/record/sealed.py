"""A sealed record: all its parts, byte for byte, in one file of compressed blocks with an index.

`record.sealed` is: head, blocks, index, foot. All integers are little-endian.

Head (72 bytes): magic `F4 54 57 53 45 41 0D 0A`, format version u16 = 1, head length u16 = 72, compatible flags u32,
incompatible flags u32, record id (16), closing digest (32), CRC-32 (u32) of the 68 bytes before.

Block: a header of 92 bytes, then the packed bytes, then CRC-32 (u32) of each stripe, then the parity stripe.

| offset | size | field of a block's header                                                                   |
| ------ | ---- | ------------------------------------------------------------------------------------------- |
| 0      | 4    | marker `C1 9E 54 42`                                                                          |
| 4      | 4    | CRC-32 of bytes 8–91                                                                          |
| 8      | 1    | what it holds: 1 entries, 2 the part's header, 3 bytes that are no whole entry, 4 a torn tail   |
| 9      | 1    | flags: 1 the entries are copies; 2 the anchor is the first entry's own digest                   |
| 10     | 2    | number of stripes, u16                                                                        |
| 12     | 4    | number of the part, u32                                                                       |
| 16     | 8    | offset in the part, u64                                                                       |
| 24     | 8    | bytes of the part, u64                                                                        |
| 32     | 4    | packed bytes, u32                                                                             |
| 36     | 4    | bytes after unzipping, u32                                                                    |
| 40     | 4    | number of entries, u32                                                                        |
| 44     | 8    | number of the first entry, u64                                                                |
| 52     | 4    | CRC-32 of the packed bytes                                                                    |
| 56     | 4    | CRC-32 of the parity stripe                                                                   |
| 60     | 32   | anchor: digest of the entry before the first one (flag 2: the first one's own)                  |

The packed bytes are a zlib stream: for entries see packing, else the bytes themselves. Marker, checksums and digests
of entries follow from their content and the anchor and are not stored. Stripes are the packed bytes cut into pieces of
one length (the last may be shorter); the parity stripe is their exclusive-or, so that one bad stripe can be mended.

Index: for each block its offset in the file (u64) and its header again. Foot (32 bytes): offset of the index u64,
number of blocks u32, CRC-32 of the index u32, CRC-32 of the foot's first 16 bytes u32, 4 zeros, magic `TWSEALED`.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import reduce
from pathlib import Path
from zlib import crc32

from monitor.errors import RecordUnreadable
from monitor.record.disk import DISK, DiskCalls
from monitor.record.entries import Entry
from monitor.record.framing import OVERHEAD, chain_digest, entry_bytes
from monitor.record.packing import unpack_entries
from monitor.record.parts import FORMAT_VERSION, PartHeader, unpack_part_header
from monitor.record.scanning import Bad, PartFile, Position, Stretch, Torn
from monitor.record.sources import LastEntry

HEAD_MAGIC = b"\xf4TWSEA\r\n"
FOOT_MAGIC = b"TWSEALED"
BLOCK_MARKER = b"\xc1\x9eTB"
ENTRIES, PART_HEADER, BYTES, TORN = 1, 2, 3, 4
COPIES, OWN_DIGEST = 1, 2
STRIPE_BYTES = 4096
MAX_STRIPES = 32
MAX_BLOCK = 4 << 20

_HEAD = struct.Struct("<8sHHII16s32s")
_BLOCK = struct.Struct("<4sIBBHIQQIIIQII32s")
_FOOT = struct.Struct("<QII")
_CRC = struct.Struct("<I")
_OFFSET = struct.Struct("<Q")
HEAD_BYTES = _HEAD.size + _CRC.size
FOOT_BYTES = _FOOT.size + 8 + len(FOOT_MAGIC)


@dataclass(frozen=True, slots=True)
class Block:
    """The header of one block; see the table above."""

    holds: int
    flags: int
    stripes: int
    part: int
    part_offset: int
    part_length: int
    packed_length: int
    plain_length: int
    entries: int
    first_number: int
    packed_crc: int
    parity_crc: int
    anchor: bytes

    def pack(self) -> bytes:
        fields = tuple(getattr(self, name) for name in Block.__slots__)
        rest = _BLOCK.pack(BLOCK_MARKER, 0, *fields)[8:]
        return BLOCK_MARKER + _CRC.pack(crc32(rest)) + rest

    @property
    def stripe_length(self) -> int:
        return -(-self.packed_length // self.stripes)

    @property
    def body_length(self) -> int:
        """Packed bytes, checksums of the stripes, parity stripe."""
        return self.packed_length + 4 * self.stripes + self.stripe_length


BLOCK_BYTES = _BLOCK.size


def block_at(raw: bytes, at: int = 0) -> Block | None:
    """The block header at a place, None where there is none whose checksum holds."""
    if len(raw) < at + BLOCK_BYTES or raw[at : at + 4] != BLOCK_MARKER:
        return None
    _marker, crc, *fields = _BLOCK.unpack_from(raw, at)
    block = Block(*fields)
    if crc != crc32(raw[at + 8 : at + BLOCK_BYTES]) or not 0 < block.stripes <= MAX_STRIPES:
        return None
    return block if block.packed_length <= MAX_BLOCK and block.plain_length <= MAX_BLOCK else None


def stripe_count(packed_length: int) -> int:
    """How many stripes packed bytes are cut into."""
    return max(1, min(MAX_STRIPES, packed_length // STRIPE_BYTES))


def cut_stripes(packed: bytes, stripes: int) -> list[bytes]:
    """The packed bytes in pieces of one length, the last ones perhaps shorter."""
    length = -(-len(packed) // stripes)
    return [packed[at * length : (at + 1) * length] for at in range(stripes)]


def parity_of(pieces: list[bytes], length: int) -> bytes:
    """The exclusive-or of pieces, each padded with zeros to a length."""
    numbers = (int.from_bytes(piece.ljust(length, b"\0"), "little") for piece in pieces)
    return reduce(lambda one, other: one ^ other, numbers, 0).to_bytes(length, "little")


def head_bytes(record_id: bytes, closing: bytes) -> bytes:
    """The head of a sealed file."""
    head = _HEAD.pack(HEAD_MAGIC, FORMAT_VERSION, HEAD_BYTES, 0, 0, record_id, closing)
    return head + _CRC.pack(crc32(head))


def tail_bytes(index: list[tuple[int, Block]], offset: int) -> bytes:
    """Index and foot, given the offset at which they will stand."""
    raw = b"".join(_OFFSET.pack(at) + block.pack() for at, block in index)
    return raw + _foot_bytes(offset, len(index), crc32(raw))


class SealedFile:
    """A sealed file: its index, and single blocks on demand. Raises `RecordUnreadable` where nothing of it is right."""

    def __init__(self, path: Path, disk: DiskCalls = DISK) -> None:
        self.path = path
        self._disk = disk
        self.faults: list[tuple[int, str]] = []
        """Byte and words for what is wrong with head, index and foot; no entry is lost by that."""
        self.closing: bytes | None = None
        """The closing digest, None where the head is damaged."""
        file = PartFile(path, disk)
        try:
            self._read_head(file)
            index = self._read_index(file)
            if index is None:
                index = list(_walk_blocks(file))
                self.faults.append((file.size(), "the index is damaged and was built again from the blocks"))
        finally:
            file.close()
        if not index:
            raise RecordUnreadable(f"{path} is no sealed record: not one block of it can be read.")
        self.parts: dict[int, list[tuple[int, Block]]] = {}
        """For each part the blocks with their offsets in this file, in order."""
        for at, block in sorted(index, key=lambda found: (found[1].part, found[1].part_offset, found[0])):
            self.parts.setdefault(block.part, []).append((at, block))

    def _read_head(self, file: PartFile) -> None:
        raw = file.read(0, HEAD_BYTES)
        if len(raw) < HEAD_BYTES or raw != raw[: _HEAD.size] + _CRC.pack(crc32(raw[: _HEAD.size])):
            self.faults.append((0, "the head is damaged"))
            return
        magic, version, _length, _compatible, incompatible, _record_id, closing = _HEAD.unpack_from(raw)
        if magic != HEAD_MAGIC:
            self.faults.append((0, "the head is that of another kind of file"))
        elif version > FORMAT_VERSION or incompatible:
            raise RecordUnreadable(
                f"{self.path} was written by a newer version of the program (format {version}, "
                f"flags {incompatible:#x}); read it with that version."
            )
        else:
            self.closing = closing

    def _read_index(self, file: PartFile) -> list[tuple[int, Block]] | None:
        size = file.size()
        foot = file.read(max(0, size - FOOT_BYTES), FOOT_BYTES)
        if len(foot) < FOOT_BYTES:
            return None
        offset, count, crc = _FOOT.unpack_from(foot)
        length = count * (_OFFSET.size + BLOCK_BYTES)
        if foot != _foot_bytes(offset, count, crc) or offset + length + FOOT_BYTES != size:
            return None
        raw = file.read(offset, length)
        if crc32(raw) != crc:
            return None
        index = []
        for at in range(0, length, _OFFSET.size + BLOCK_BYTES):
            block = block_at(raw, at + _OFFSET.size)
            if block is None:
                return None
            index.append((_OFFSET.unpack_from(raw, at)[0], block))
        return index

    def content(self, file: PartFile, at: int, block: Block) -> tuple[bytes | None, str | None]:
        """The packed bytes of a block, None where they are lost; and what was wrong in words, if anything."""
        raw = file.read(at, BLOCK_BYTES + block.body_length)
        wrong = "its header is damaged and was taken from the index" if block_at(raw) != block else None
        packed = raw[BLOCK_BYTES : BLOCK_BYTES + block.packed_length]
        table = raw[BLOCK_BYTES + block.packed_length :]
        pieces = cut_stripes(packed, block.stripes)
        sums = [_CRC.unpack_from(table.ljust(4 * block.stripes, b"\0"), 4 * each)[0] for each in range(block.stripes)]
        bad = [each for each, piece in enumerate(pieces) if crc32(piece) != sums[each]]
        parity = table[4 * block.stripes :]
        parity_holds = crc32(parity) == block.parity_crc and len(parity) == block.stripe_length
        if crc32(packed) == block.packed_crc and len(packed) == block.packed_length:
            if bad or not parity_holds:
                wrong = "its checksums or parity are damaged and its content is whole"
            return packed, wrong
        for each in bad if parity_holds else []:
            others = [piece for other, piece in enumerate(pieces) if other != each]
            pieces[each], kept = parity_of([*others, parity], block.stripe_length)[: len(pieces[each])], pieces[each]
            mended = b"".join(pieces)
            if crc32(mended) == block.packed_crc:
                return mended, "a stripe of it was damaged and was mended from the parity"
            pieces[each] = kept
        return None, "it is damaged beyond what its parity can mend"

    def original(self, part: int) -> Iterator[bytes]:
        """The bytes of a part as they were before sealing, in pieces; raises `RecordUnreadable` where some are lost."""
        file = PartFile(self.path, self._disk)
        try:
            for at, block in self.parts[part]:
                packed, wrong = self.content(file, at, block)
                if packed is None:
                    raise RecordUnreadable(f"{self.path}, byte {at}: a block cannot be read: {wrong}.")
                if block.holds == ENTRIES:
                    entries, digests = block_entries(block, packed)
                    copies = bool(block.flags & COPIES)
                    pairs = zip(entries, digests, strict=True)
                    yield b"".join([entry_bytes(entry, digest, copy=copies) for entry, digest in pairs])
                else:
                    yield plain_bytes(block, packed)
        finally:
            file.close()


def plain_bytes(block: Block, packed: bytes) -> bytes:
    """What a block holds that are no entries."""
    try:
        plain = zlib.decompressobj().decompress(packed, block.plain_length or 1)
    except zlib.error as error:
        raise RecordUnreadable(f"a sealed block cannot be unpacked ({error})") from error
    if len(plain) != block.plain_length:
        raise RecordUnreadable("a sealed block has not the length that it states")
    return plain


def block_entries(block: Block, packed: bytes) -> tuple[list[Entry], list[bytes]]:
    """The entries of a block and their digests, which follow from the anchor."""
    entries = unpack_entries(packed, block.plain_length)
    if len(entries) != block.entries or not entries or entries[0].number != block.first_number:
        raise RecordUnreadable("a sealed block holds other entries than it states")
    digest = block.anchor if block.flags & OWN_DIGEST else chain_digest(block.anchor, entries[0])
    digests = [digest]
    for entry in entries[1:]:
        digest = chain_digest(digest, entry)
        digests.append(digest)
    return entries, digests


def _foot_bytes(offset: int, count: int, crc: int) -> bytes:
    foot = _FOOT.pack(offset, count, crc)
    return foot + _CRC.pack(crc32(foot)) + bytes(4) + FOOT_MAGIC


def _walk_blocks(file: PartFile) -> Iterator[tuple[int, Block]]:
    """Blocks found from the start on, over damage to the next marker whose header holds."""
    at, size = 0, file.size()
    while at < size:
        raw = file.read(at, MAX_BLOCK)
        here, block = raw.find(BLOCK_MARKER), None
        while here >= 0 and block is None:
            block = block_at(raw, here)
            if block is None:
                here = raw.find(BLOCK_MARKER, here + 1)
        if block is None:
            at += max(1, len(raw) - BLOCK_BYTES)
            continue
        yield at + here, block
        at += here + BLOCK_BYTES + block.body_length


class SealedPart:
    """One part out of a sealed file."""

    def __init__(self, sealed: SealedFile, number: int, disk: DiskCalls = DISK) -> None:
        self.number = number
        self.torn: Torn | None = None
        self.unreadable: list[int] = []
        self._sealed = sealed
        self._disk = disk
        self._blocks = sealed.parts[number]
        self.header = self._read_header()

    def extent(self) -> int:
        final = self._blocks[-1][1]
        return final.part_offset + final.part_length

    def near(self, number: int) -> Position | None:
        best = None
        for _at, block in self._blocks:
            if block.holds == ENTRIES and block.first_number <= number:
                best = block
        return None if best is None else Position(best.part_offset, None, b"")

    def last(self) -> LastEntry | None:
        final = next((block for _at, block in reversed(self._blocks) if block.holds == ENTRIES), None)
        found = None
        if final is not None:
            for start in (Position(final.part_offset, None, b""), None):
                for event in self.events(final.entries, start):
                    if isinstance(event, Stretch):
                        found = LastEntry(event.entries[-1], event.digests[-1], event.copies)
                if found is not None:
                    break
        return found

    def events(self, size: int, start: Position | None = None) -> Iterator[Stretch | Bad]:
        begin = 0 if start is None else start.offset
        cursor = None
        file = PartFile(self._sealed.path, self._disk)
        try:
            for at, block in self._blocks:
                end = block.part_offset + block.part_length
                if end <= begin and end > 0:
                    cursor = end
                    continue
                if (cursor is not None and block.part_offset != cursor) or (cursor is None and block.part_offset > 0):
                    yield Bad(cursor or 0, block.part_offset - (cursor or 0), "a sealed block is missing")
                cursor = end
                yield from self._block_events(file, at, block, size)
        finally:
            file.close()

    def _block_events(self, file: PartFile, at: int, block: Block, size: int) -> Iterator[Stretch | Bad]:
        packed, wrong = self._sealed.content(file, at, block)
        where = f"the sealed block at byte {at} of {self._sealed.path.name}"
        if wrong is not None:
            yield Bad(block.part_offset, block.part_length, f"{where}: {wrong}")
        if packed is None:
            return
        if block.holds == BYTES:
            yield Bad(block.part_offset, block.part_length, "no whole entry stood here when the record was sealed")
        elif block.holds == TORN:
            self.torn = Torn(block.part_offset, block.part_length, "an entry was begun here and never finished")
        elif block.holds == ENTRIES:
            try:
                entries, digests = block_entries(block, packed)
            except RecordUnreadable as error:
                yield Bad(block.part_offset, block.part_length, f"{where}: {error}")
                return
            yield from _stretches(block, entries, digests, size)

    def _read_header(self) -> PartHeader | None:
        at, block = self._blocks[0]
        if block.holds != PART_HEADER:
            return None
        file = PartFile(self._sealed.path, self._disk)
        try:
            packed, _wrong = self._sealed.content(file, at, block)
            return None if packed is None else unpack_part_header(plain_bytes(block, packed), str(self._sealed.path))
        finally:
            file.close()


def _stretches(block: Block, entries: list[Entry], digests: list[bytes], size: int) -> Iterator[Stretch]:
    linked = None if block.flags & OWN_DIGEST else block.anchor
    offset = block.part_offset
    for at in range(0, len(entries), size):
        some = entries[at : at + size]
        end = offset + sum(OVERHEAD + len(entry.payload) for entry in some)
        yield Stretch(offset, end, bool(block.flags & COPIES), some, digests[at : at + size], linked)
        offset, linked = end, digests[min(at + size, len(digests)) - 1]

"""The bytes of a sealed record: all its parts in one file of compressed blocks with an index.

`record.sealed` is: head (see sealed_head), blocks, index, foot. All integers are little-endian.

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
from dataclasses import dataclass
from functools import lru_cache, reduce
from zlib import crc32

from monitor.errors import RecordUnreadable
from monitor.record.bytes.framing import GREATEST, chain_digest
from monitor.record.bytes.packing import unpack_entries
from monitor.record.entries import Entry
from monitor.record.sealed.head import CRC

FOOT_MAGIC = b"TWSEALED"
BLOCK_MARKER = b"\xc1\x9eTB"
ENTRIES, PART_HEADER, BYTES, TORN = 1, 2, 3, 4
COPIES, OWN_DIGEST = 1, 2
STRIPE_BYTES = 4096
MAX_STRIPES = 32
MAX_BLOCK = 4 << 20

_BLOCK = struct.Struct("<4sIBBHIQQIIIQII32s")
FOOT = struct.Struct("<QII")
OFFSET = struct.Struct("<Q")
FOOT_BYTES = FOOT.size + 8 + len(FOOT_MAGIC)


@dataclass(frozen=True, slots=True)
class Block:
    """The header of one block; see the table above."""

    holds: int
    part: int
    part_offset: int
    part_length: int
    flags: int = 0
    stripes: int = 1
    packed_length: int = 0
    plain_length: int = 0
    entries: int = 0
    first_number: int = 0
    packed_crc: int = 0
    parity_crc: int = 0
    anchor: bytes = bytes(32)

    def pack(self) -> bytes:
        fields = tuple(getattr(self, name) for name in _IN_ORDER)
        rest = _BLOCK.pack(BLOCK_MARKER, 0, *fields)[8:]
        return BLOCK_MARKER + CRC.pack(crc32(rest)) + rest

    @property
    def stripe_length(self) -> int:
        return -(-self.packed_length // self.stripes)

    @property
    def body_length(self) -> int:
        """Packed bytes, checksums of the stripes, parity stripe."""
        return self.packed_length + 4 * self.stripes + self.stripe_length


BLOCK_BYTES = _BLOCK.size
_IN_ORDER = (
    "holds", "flags", "stripes", "part", "part_offset", "part_length", "packed_length", "plain_length", "entries",
    "first_number", "packed_crc", "parity_crc", "anchor",
)  # fmt: skip
"""Of the fields in a block's header."""


def block_at(raw: bytes, at: int = 0) -> Block | None:
    """The block header at a place, None where there is none whose checksum holds."""
    if len(raw) < at + BLOCK_BYTES or raw[at : at + 4] != BLOCK_MARKER:
        return None
    return _block_of(raw[at : at + BLOCK_BYTES])


@lru_cache(maxsize=1024)
def _block_of(head: bytes) -> Block | None:
    """Remembered, because each block's header is read twice: in the index and before the block."""
    _marker, crc, *fields = _BLOCK.unpack(head)
    if crc != crc32(head[8:]):
        return None
    block = Block(**dict(zip(_IN_ORDER, fields, strict=True)))
    if not 0 < block.stripes <= MAX_STRIPES:
        return None
    bounded = max(block.packed_length, block.plain_length, block.entries) <= MAX_BLOCK
    counted = max(block.first_number, block.part_offset, block.part_length) <= GREATEST
    return block if bounded and counted else None


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


def tail_bytes(index: list[tuple[int, Block]], offset: int) -> bytes:
    """Index and foot, given the offset at which they will stand."""
    raw = b"".join(OFFSET.pack(at) + block.pack() for at, block in index)
    return raw + foot_bytes(offset, len(index), crc32(raw))


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
    if entries[-1].number > GREATEST or any(entry.monotonic_ns > GREATEST for entry in entries):
        raise RecordUnreadable("a sealed block holds numbers or times that no run comes to")
    digest = block.anchor if block.flags & OWN_DIGEST else chain_digest(block.anchor, entries[0])
    digests = [digest]
    for entry in entries[1:]:
        digest = chain_digest(digest, entry)
        digests.append(digest)
    return entries, digests


def foot_bytes(offset: int, count: int, crc: int) -> bytes:
    foot = FOOT.pack(offset, count, crc)
    return foot + CRC.pack(crc32(foot)) + bytes(4) + FOOT_MAGIC

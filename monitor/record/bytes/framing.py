"""The bytes of one entry: a header that checks itself, the payload, the chain digest, a checksum.

| offset | size | field                                                                                       |
| ------ | ---- | ------------------------------------------------------------------------------------------- |
| 0      | 4    | marker `C1 9E 54 57` (C1 never occurs as a msgpack type)                                      |
| 4      | 4    | header checksum: CRC-32 of bytes 8–39                                                         |
| 8      | 4    | payload length n, u32, at most 1 MiB                                                          |
| 12     | 2    | flags, u16: 1 = copy (an entry written a second time); not covered by the digest               |
| 14     | 2    | kind, u16                                                                                     |
| 16     | 8    | number, u64: 1, 2, 3 … through all parts of the record                                         |
| 24     | 8    | monotonic time of receipt, nanoseconds, u64                                                   |
| 32     | 8    | wall time of receipt, nanoseconds since 1970, i64                                             |
| 40     | n    | payload                                                                                     |
| 40+n   | 32   | SHA-256 of (digest of the entry before, then bytes 14 to 39+n of this entry)                   |
| 72+n   | 4    | body checksum: CRC-32 of payload and digest                                                   |

All numbers are little-endian; CRC-32 is that of IEEE 802.3 (zlib). Before entry 1 the digest is 32 zero bytes.
"""

from __future__ import annotations

import hashlib
import struct
from zlib import crc32

from monitor.errors import WitnessError
from monitor.record.entries import Entry

MARKER = b"\xc1\x9eTW"
HEADER = struct.Struct("<4sIIHHQQq")
HEADER_BYTES = HEADER.size
DIGEST_BYTES = 32
TRAILER_BYTES = DIGEST_BYTES + 4
OVERHEAD = HEADER_BYTES + TRAILER_BYTES
MAX_PAYLOAD = 1 << 20
GREATEST = (1 << 62) - 1
"""Of a number and of a monotonic time: what no run comes to, and what still can be counted on from."""
COPY = 1
ZERO_DIGEST = bytes(DIGEST_BYTES)

_FIELDS = struct.Struct("<IHHQQq")
_CHAINED = struct.Struct("<HQQq")
_CRC = struct.Struct("<I")


class EntryTooLong(WitnessError):
    """Raised when a payload is longer than one entry may be; nothing was written."""


def chain_digest(before: bytes, entry: Entry) -> bytes:
    """The digest of an entry, given the digest (32 bytes) of the entry before it."""
    fields = _CHAINED.pack(entry.kind, entry.number, entry.monotonic_ns, entry.wall_ns)
    return hashlib.sha256(b"".join((before, fields, entry.payload))).digest()


def refuse_long(payload: bytes) -> None:
    """Raises `EntryTooLong` over 1 MiB."""
    if len(payload) > MAX_PAYLOAD:
        raise EntryTooLong(
            f"An entry of {len(payload)} bytes is longer than the record takes ({MAX_PAYLOAD} bytes); shorten it."
        )


def entry_bytes(entry: Entry, digest: bytes, *, copy: bool = False) -> bytes:
    """The entry as it stands in a part, with its digest."""
    payload = entry.payload
    fields = _FIELDS.pack(
        len(payload), COPY if copy else 0, entry.kind, entry.number, entry.monotonic_ns, entry.wall_ns
    )
    body_crc = _CRC.pack(crc32(digest, crc32(payload)))
    return b"".join((MARKER, _CRC.pack(crc32(fields)), fields, payload, digest, body_crc))


def header_at(buffer: bytes, at: int) -> tuple[int, int, int] | None:
    """Payload length, number and kind from an entry header whose checksum holds; None where there is none."""
    if at + HEADER_BYTES > len(buffer):
        return None
    marker, header_crc, length, _flags, kind, number, monotonic_ns, _wall_ns = HEADER.unpack_from(buffer, at)
    if marker != MARKER or crc32(buffer[at + 8 : at + HEADER_BYTES]) != header_crc or length > MAX_PAYLOAD:
        return None
    if number > GREATEST or monotonic_ns > GREATEST:
        return None
    return length, number, kind

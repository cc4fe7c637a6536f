"""The head of `record.sealed`, 72 bytes: whose it is, and its closing digest.

Apart from the blocks, so that a recorder that asks whose a record is loads no numpy.

Magic `F4 54 57 53 45 41 0D 0A`, format version u16 = 1, head length u16 = 72, compatible flags u32, incompatible flags
u32, record id (16), closing digest (32), CRC-32 (u32) of the 68 bytes before.
"""

from __future__ import annotations

import struct
from zlib import crc32

from monitor.record.bytes.parts import FORMAT_VERSION

HEAD_MAGIC = b"\xf4TWSEA\r\n"
HEAD = struct.Struct("<8sHHII16s32s")
CRC = struct.Struct("<I")
HEAD_BYTES = HEAD.size + CRC.size


def head_bytes(record_id: bytes, closing: bytes) -> bytes:
    """The head of a sealed file."""
    head = HEAD.pack(HEAD_MAGIC, FORMAT_VERSION, HEAD_BYTES, 0, 0, record_id, closing)
    return head + CRC.pack(crc32(head))


def head_holds(raw: bytes) -> bool:
    """Whether these bytes are a head whose checksum holds, of whatever version."""
    return len(raw) == HEAD_BYTES and raw == raw[: HEAD.size] + CRC.pack(crc32(raw[: HEAD.size]))


def record_id_in_head(raw: bytes) -> bytes | None:
    """The record id in a head; None where it is damaged, not known, or nothing of ours."""
    if not head_holds(raw) or not raw.startswith(HEAD_MAGIC):
        return None
    record_id: bytes = HEAD.unpack_from(raw)[5]
    return record_id if any(record_id) else None

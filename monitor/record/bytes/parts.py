"""The parts of a record: their names and their headers.

A part is a file `part-0001.twr`, `part-0002.twr` … : one header, then entries (see framing). The header:

| offset | size | field                                                                                      |
| ------ | ---- | ------------------------------------------------------------------------------------------ |
| 0      | 8    | magic `F4 54 57 52 55 4E 0D 0A` (a high byte, then "TWRUN", CR LF: text-mode copying breaks it)   |
| 8      | 2    | format version, u16 = 1                                                                      |
| 10     | 2    | length of this header with its checksum, u16 = 164                                            |
| 12     | 4    | compatible flags, u32: an unknown one may be read over                                        |
| 16     | 4    | incompatible flags, u32: an unknown one means "do not read"                                   |
| 20     | 4    | number of the part, u32                                                                      |
| 24     | 16   | random id of the record, the same in all its parts                                           |
| 40     | 16   | random id of the part                                                                        |
| 56     | 16   | boot id of the machine                                                                       |
| 72     | 8    | wall time, nanoseconds since 1970, i64                                                       |
| 80     | 8    | monotonic time, nanoseconds, u64                                                             |
| 88     | 8    | number of the first entry, copies included, the copy of the opening entry not, u64              |
| 96     | 32   | digest of the entry before that one: the last good digest of what was recorded before            |
| 128    | 32   | version of the program that wrote the part, UTF-8, padded with zeros                           |
| 160    | 4    | CRC-32 of bytes 0–159                                                                        |
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from functools import lru_cache
from zlib import crc32

from monitor.errors import RecordUnreadable

PART_MAGIC = b"\xf4TWRUN\r\n"
FORMAT_VERSION = 1

_PART_NAME = re.compile(r"(part|addendum)-([0-9]{4,9})\.twr\Z")
_HEADER = struct.Struct("<8sHHIII16s16s16sqQQ32s32s")
_CRC = struct.Struct("<I")
PART_HEADER_BYTES = _HEADER.size + _CRC.size


@dataclass(frozen=True, slots=True)
class PartHeader:
    """The header of one part; see the table above."""

    part: int
    record_id: bytes
    part_id: bytes
    boot_id: bytes
    wall_ns: int
    monotonic_ns: int
    first_number: int
    before: bytes
    program: str
    compatible: int = 0
    incompatible: int = 0
    version: int = FORMAT_VERSION

    def pack(self) -> bytes:
        fixed = _HEADER.pack(
            PART_MAGIC,
            self.version,
            PART_HEADER_BYTES,
            self.compatible,
            self.incompatible,
            self.part,
            self.record_id,
            self.part_id,
            self.boot_id,
            self.wall_ns,
            self.monotonic_ns,
            self.first_number,
            self.before,
            self.program.encode()[:32],
        )
        return fixed + _CRC.pack(crc32(fixed))


def unpack_part_header(raw: bytes, name: str) -> PartHeader | None:
    """The header at the start of a part, None where it is cut or damaged.

    Raises `RecordUnreadable` where a whole header says that this version of the program must not read on.
    """
    if len(raw) < PART_HEADER_BYTES or _CRC.unpack_from(raw, _HEADER.size)[0] != crc32(raw[: _HEADER.size]):
        return None
    magic, version, _length, compatible, incompatible, part, *rest = _HEADER.unpack_from(raw)
    if magic != PART_MAGIC:
        return None
    if version > FORMAT_VERSION or incompatible:
        raise RecordUnreadable(
            f"{name} was written by a newer version of the program (format {version}, flags {incompatible:#x}); "
            "read it with that version."
        )
    record_id, part_id, boot, wall_ns, monotonic_ns, first_number, before, program = rest
    text = program.rstrip(b"\0").decode("utf-8", "replace")
    return PartHeader(
        part, record_id, part_id, boot, wall_ns, monotonic_ns, first_number, before, text, compatible, incompatible
    )


def part_name(part: int, kind: str = "part") -> str:
    """The file name of a part; `kind` is "part" or "addendum"."""
    return f"{kind}-{part:04d}.twr"


@lru_cache(maxsize=4096)
def part_number(name: str, kind: str = "part") -> int | None:
    """The number of the part with this file name, None for any other file: "part-00001.twr" is no part 1."""
    match = _PART_NAME.match(name)
    if match is None or match[1] != kind or name != part_name(int(match[2]), kind):
        return None
    return int(match[2]) or None


def looks_like_part(name: str) -> bool:
    """Whether a file is named as if it were a part, rightly or not."""
    return name.startswith(("part-", "addendum-")) and name.endswith(".twr")

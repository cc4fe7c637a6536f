"""Going through the bytes of one part: whole entries in stretches, and the places where there are none.

Memory is bounded (about 4 MiB) whatever the bytes say: lengths are believed only from a header whose checksum holds.
After damage the scan goes on at the next marker whose header holds and whose number can be right there.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from zlib import crc32

from monitor.record.bytes.framing import (
    COPY,
    DIGEST_BYTES,
    GREATEST,
    HEADER,
    HEADER_BYTES,
    MARKER,
    MAX_PAYLOAD,
    OVERHEAD,
    TRAILER_BYTES,
    header_at,
)
from monitor.record.bytes.parts import PART_HEADER_BYTES, PartHeader, unpack_part_header
from monitor.record.disk import DISK, DiskCalls, open_regular
from monitor.record.entries import Entry, EntryKind

CHUNK = 1 << 20
STRETCH_BYTES = 1 << 20
PAGE = 4096
SECTOR = 512
_KINDS: dict[int, EntryKind] = {int(kind): kind for kind in EntryKind}
_FULL, _MORE, _DAMAGE = range(3)


@dataclass(slots=True)
class Stretch:
    """Whole entries that follow one another: in the file, in number, and in the chain."""

    offset: int
    end: int
    copies: bool
    """They were written a second time, from memory."""
    entries: list[Entry]
    digests: list[bytes]
    linked: bytes | None
    """The digest that stood before it and from which the first entry's digest follows; None where it does not."""


@dataclass(frozen=True, slots=True)
class Bad:
    """A place in a part at which no whole entry stands."""

    offset: int
    length: int
    what: str


@dataclass(frozen=True, slots=True)
class Torn:
    """An unfinished entry at the end of a part: what is left when a writer dies, a disk is full, or the power goes."""

    offset: int
    length: int
    what: str


class PartFile:
    """The bytes of one part; pages that the disk does not give back are read as zeros and remembered."""

    def __init__(self, path: Path, disk: DiskCalls = DISK) -> None:
        self.path = path
        self._disk = disk
        self._descriptor = open_regular(path, disk)
        self.unreadable: list[int] = []

    def read(self, offset: int, size: int) -> bytes:
        """Up to `size` bytes, fewer only at the end."""
        pieces = []
        while size > 0:
            try:
                piece = self._disk.pread(self._descriptor, size, offset)
            except OSError:
                piece = self._read_page(offset, size)
            if not piece:
                break
            pieces.append(piece)
            offset += len(piece)
            size -= len(piece)
        return b"".join(pieces) if len(pieces) != 1 else pieces[0]

    def _read_page(self, offset: int, size: int) -> bytes:
        size = min(size, PAGE - offset % PAGE)
        try:
            return self._disk.pread(self._descriptor, size, offset)
        except OSError:
            self.unreadable.append(offset)
            return bytes(min(size, max(0, self.size() - offset)))

    def size(self) -> int:
        return os.fstat(self._descriptor).st_size

    def close(self) -> None:
        self._disk.close(self._descriptor)


def read_header(file: PartFile) -> PartHeader | None:
    """The part's header, None where it is cut or damaged."""
    return unpack_part_header(file.read(0, PART_HEADER_BYTES), str(file.path))


@dataclass(slots=True)
class Position:
    """Where in a part to go on: the offset, and the number and digest of the entry before (b"" where not known)."""

    offset: int
    number: int | None
    digest: bytes


def first_position(header: PartHeader | None) -> Position:
    """The position of a part's first entry."""
    if header is None:
        return Position(0, None, b"")
    return Position(PART_HEADER_BYTES, header.first_number - 1, header.before)


class PartScan:
    """One pass over a part. `torn` and `end` are known after the pass; a later pass may begin at `end`."""

    def __init__(self, file: PartFile, header: PartHeader | None, start: Position) -> None:
        self._file = file
        self._first = None if header is None else header.first_number
        self._before = b"" if header is None else header.before
        self._buffer = b""
        self._base = start.offset
        self._at = 0
        self._number = start.number
        self._digest = start.digest
        self.torn: Torn | None = None

    def events(self, size: int) -> Iterator[Stretch | Bad]:
        """Stretches of at most `size` entries and about 1 MiB, and the bad places between them, in file order."""
        while True:
            stretch, reason = self._stretch(size)
            if stretch is not None:
                yield stretch
            if reason == _FULL or (reason == _MORE and self._fill(CHUNK)):
                continue
            if self._at == len(self._buffer):
                return
            if self._fill(OVERHEAD + MAX_PAYLOAD + len(MARKER) - (len(self._buffer) - self._at)) and reason == _MORE:
                continue  # the part has grown since
            bad = self._pass_damage(at_end=reason == _MORE)
            if bad is None:
                return
            yield bad

    def _stretch(self, size: int) -> tuple[Stretch | None, int]:
        """The longest stretch that begins here and is in the buffer, and why it ends."""
        buffer, at, end = self._buffer, self._at, len(self._buffer)
        number, digest = self._number, self._digest
        number_after = -1  # the first entry of a stretch takes the longer way
        entries: list[Entry] = []
        digests: list[bytes] = []
        flags_here, linked = -1, None
        limit = at + STRETCH_BYTES
        unpack, sha256, kinds = HEADER.unpack_from, hashlib.sha256, _KINDS
        reason = _FULL
        while len(entries) < size and at < limit:
            if at + HEADER_BYTES > end:
                reason = _MORE
                break
            marker, header_crc, length, flags, kind, found, monotonic_ns, wall_ns = unpack(buffer, at)
            if marker != MARKER or crc32(buffer[at + 8 : at + HEADER_BYTES]) != header_crc or length > MAX_PAYLOAD:
                reason = _DAMAGE
                break
            stop = at + HEADER_BYTES + length
            if stop + TRAILER_BYTES > end:
                reason = _MORE
                break
            body = buffer[at + HEADER_BYTES : stop + DIGEST_BYTES]
            if crc32(body) != int.from_bytes(buffer[stop + DIGEST_BYTES : stop + TRAILER_BYTES], "little"):
                reason = _DAMAGE
                break
            if kind not in kinds or flags > COPY or found > GREATEST or monotonic_ns > GREATEST:
                reason = _DAMAGE
                break
            stored = body[length:]
            follows = sha256(digest + buffer[at + 14 : stop]).digest() == stored
            if not (follows and found == number_after and flags == flags_here):
                if entries:
                    break
                flags_here = flags
                linked = digest if follows else None
            entries.append(Entry(kinds[kind], found, monotonic_ns, wall_ns, body[:length]))
            digests.append(stored)
            number, number_after, digest = found, found + 1, stored
            at = stop + TRAILER_BYTES
            if flags & COPY and kind == EntryKind.OPENING and self._first != 1:
                number, digest = (None, b"") if self._first is None else (self._first - 1, self._before)
                break
        if not entries:
            return None, reason
        stretch = Stretch(self._base + self._at, self._base + at, bool(flags_here & COPY), entries, digests, linked)
        self._at, self._number, self._digest = at, number, digest
        return stretch, reason

    def _fill(self, size: int) -> bool:
        """Reads on by `size` bytes, dropping what is done with; False at the end of the part."""
        more = self._file.read(self._base + len(self._buffer), size) if size > 0 else b""
        if not more:
            return False
        self._buffer = self._buffer[self._at :] + more
        self._base += self._at
        self._at = 0
        return True

    def _pass_damage(self, at_end: bool) -> Bad | None:
        """Moves to the next place at which an entry can stand; None at the end, with `torn` set where it is one."""
        offset = self._base + self._at
        head = header_at(self._buffer, self._at)
        if head is not None:
            length, number, kind = head
            stop = self._at + OVERHEAD + length
            if stop == len(self._buffer) or self._buffer.startswith(MARKER, stop):
                known = kind in _KINDS
                what = "does not match its checksum" if known else f"is of an unknown kind ({kind})"
                self._at, self._number, self._digest = stop, number, b""
                return Bad(offset, stop - (offset - self._base), f"entry {number} {what}")
        torn, zeros = self._looks_torn(head), False
        while True:
            here = self._buffer.find(MARKER, self._at + 1)
            while here >= 0 and not self._plausible(here, offset):
                here = self._buffer.find(MARKER, here + 1)
            if here >= 0:
                self._at, self._digest = here, b""
                return Bad(offset, self._base + here - offset, "no whole entry begins here")
            rest = self._buffer[self._at :]
            zeros = zeros or bytes(SECTOR) in rest or not rest.strip(b"\0")
            self._at = max(self._at, len(self._buffer) - HEADER_BYTES)
            if at_end or not self._fill(CHUNK):  # a part that grows meanwhile is for the next pass
                break
        length = self._base + len(self._buffer) - offset
        self._at = len(self._buffer)
        if torn:
            self.torn = Torn(offset, length, "an entry was begun here and never finished")
        elif zeros:
            self.torn = Torn(offset, length, "zeros stand here, which never reached the disk")
        else:
            return Bad(offset, length, "no whole entry begins here")
        return None

    def _plausible(self, at: int, damage_offset: int) -> bool:
        """Whether an entry can stand here after the damage: so that bytes inside a payload are not taken for one."""
        head = header_at(self._buffer, at)
        if head is None or self._number is None:
            return head is not None
        room = (self._base + at - damage_offset) // OVERHEAD
        return self._number < head[1] <= self._number + 1 + room

    def _looks_torn(self, head: tuple[int, int, int] | None) -> bool:
        """Whether what stands here is the beginning of an entry that the end of the part cuts off."""
        rest = self._buffer[self._at :]
        if head is not None:
            return OVERHEAD + head[0] > len(rest)
        return len(rest) < HEADER_BYTES and rest[: len(MARKER)] == MARKER[: len(rest)]

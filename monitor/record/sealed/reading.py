"""Reading a sealed record: its index, single blocks, and its parts as they were."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from zlib import crc32

from monitor.errors import RecordUnreadable
from monitor.record.bytes.framing import OVERHEAD, entry_bytes
from monitor.record.bytes.parts import FORMAT_VERSION, PartHeader, unpack_part_header
from monitor.record.bytes.scanning import Bad, PartFile, Position, Stretch, Torn
from monitor.record.disk import DISK, DiskCalls
from monitor.record.entries import Entry
from monitor.record.sealed.blocks import (
    BLOCK_BYTES,
    BLOCK_MARKER,
    BYTES,
    COPIES,
    ENTRIES,
    FOOT,
    FOOT_BYTES,
    MAX_BLOCK,
    OFFSET,
    OWN_DIGEST,
    PART_HEADER,
    TORN,
    Block,
    block_at,
    block_entries,
    cut_stripes,
    foot_bytes,
    parity_of,
    plain_bytes,
)
from monitor.record.sealed.head import CRC, HEAD, HEAD_BYTES, HEAD_MAGIC, head_holds
from monitor.record.sources import LastEntry


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

    @property
    def last_number(self) -> int:
        """The highest number of an entry, as the index states it."""
        return max(
            (block.first_number + block.entries - 1 for each in self.parts.values() for _, block in each), default=0
        )

    def _read_head(self, file: PartFile) -> None:
        raw = file.read(0, HEAD_BYTES)
        if not head_holds(raw):
            self.faults.append((0, "the head is damaged"))
            return
        magic, version, _length, _compatible, incompatible, _record_id, closing = HEAD.unpack_from(raw)
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
        offset, count, crc = FOOT.unpack_from(foot)
        length = count * (OFFSET.size + BLOCK_BYTES)
        if foot != foot_bytes(offset, count, crc) or offset + length + FOOT_BYTES != size:
            return None
        raw = file.read(offset, length)
        if crc32(raw) != crc:
            return None
        index = []
        for at in range(0, length, OFFSET.size + BLOCK_BYTES):
            block = block_at(raw, at + OFFSET.size)
            if block is None:
                return None
            index.append((OFFSET.unpack_from(raw, at)[0], block))
        return index if _stand_apart(index, offset) else None

    def content(self, file: PartFile, at: int, block: Block) -> tuple[bytes | None, str | None]:
        """The packed bytes of a block, None where they are lost; and what was wrong in words, if anything."""
        raw = file.read(at, BLOCK_BYTES + block.body_length)
        wrong = "its header is damaged and was taken from the index" if block_at(raw) != block else None
        packed = raw[BLOCK_BYTES : BLOCK_BYTES + block.packed_length]
        table = raw[BLOCK_BYTES + block.packed_length :]
        pieces = cut_stripes(packed, block.stripes)
        sums = [CRC.unpack_from(table.ljust(4 * block.stripes, b"\0"), 4 * each)[0] for each in range(block.stripes)]
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


def _stand_apart(index: list[tuple[int, Block]], end: int) -> bool:
    """Whether blocks lie one after the other: so that a small file cannot unpack to any number of bytes."""
    place = HEAD_BYTES
    for at, block in sorted(index, key=lambda found: found[0]):
        if at < place:
            return False
        place = at + BLOCK_BYTES + block.body_length
    return place <= end


def _walk_blocks(file: PartFile) -> Iterator[tuple[int, Block]]:
    """Blocks found from the start on, over damage to the next marker whose header holds; each byte is read once."""
    base, size, raw, here = 0, file.size(), b"", 0
    while base + here < size:
        place = raw.find(BLOCK_MARKER, here)
        if place < 0 or place + BLOCK_BYTES > len(raw):
            kept = max(here, place if place >= 0 else len(raw) - BLOCK_BYTES)
            base, raw = base + min(kept, len(raw)), raw[kept:]
            here = max(0, here - kept)
            more = file.read(base + len(raw), MAX_BLOCK)
            if not more:
                return
            if here > len(raw):  # a block was passed over whose end was not read yet
                base, raw, here = base + here, b"", 0
                continue
            raw += more
            continue
        block = block_at(raw, place)
        if block is None:
            here = place + 1
            continue
        yield base + place, block
        here = place + BLOCK_BYTES + block.body_length


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
            if block.holds == ENTRIES:
                if block.first_number > number:
                    break  # what stands out of order after it is not where the entry belongs
                if best is None or block.first_number > best.first_number:
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

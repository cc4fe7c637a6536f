"""One pass over the parts of a record: each entry once, in order of number, and what is wrong, with its place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from monitor.record.bytes.framing import OVERHEAD, ZERO_DIGEST, chain_digest
from monitor.record.bytes.scanning import PAGE, Bad, Position, Stretch
from monitor.record.entries import Entry, EntryKind
from monitor.record.sources import PartSource

MAX_DAMAGES = 10_000


@dataclass(frozen=True, slots=True)
class Damage:
    """Something wrong in a record."""

    part: int
    offset: int
    """Byte of the part at which it begins."""
    length: int
    """Bytes that cannot be read; 0 where the bytes are whole and do not fit together."""
    what: str
    """One sentence: what, and which entries."""
    lost: int | None
    """Entries lost by it; None where that is not known, because nothing whole follows."""
    seconds: float | None = None
    """Time between the entries before and after it, where entries were lost between them."""


@dataclass(frozen=True, slots=True)
class Mark:
    """The last entry that a pass gave, and where the next one is read."""

    number: int
    digest: bytes
    source: PartSource
    position: Position


class Problems:
    """What passes found wrong; the same place is kept once. At most 10,000 are kept, all are counted."""

    def __init__(self) -> None:
        self._found: dict[tuple[int, int, int | None], Damage] = {}

    def note(self, damage: Damage, entry: int | None = None) -> None:
        """Keeps a damage; `entry` tells apart those of one place."""
        key = (damage.part, damage.offset, entry)
        if key in self._found or len(self._found) < MAX_DAMAGES:
            self._found[key] = damage

    def forget_from(self, part: int, offset: int) -> None:
        """Lets go of what a new pass from this place on will find again, if it is still so."""
        self._found = {
            key: damage for key, damage in self._found.items() if (damage.part, damage.offset) < (part, offset)
        }

    def by_place(self) -> list[Damage]:
        return sorted(self._found.values(), key=lambda damage: (damage.part, damage.offset))


class Walk:
    """A pass over the parts, giving entries with a number > `after`; where `mark` fits, it goes on from there."""

    def __init__(
        self,
        sources: list[PartSource],
        problems: Problems,
        after: int,
        mark: Mark | None,
        before: bytes = ZERO_DIGEST,
    ) -> None:
        """`before` is the digest before entry 1."""
        self._sources = sources
        self._problems = problems
        self._after = after
        self._begin = mark if mark is not None and mark.number == after else None
        self._last = after
        self._digest = before if after == 0 else b""
        self._last_ns: int | None = None
        self._pending: list[tuple[int, Bad]] = []
        self._closed_at: int | None = None
        self._reaches: dict[PartSource, int] = {}
        self.mark = mark
        """Where the pass is, as of the last list given."""
        self.last: Entry | None = None
        """The last entry given."""

    def blocks(self, size: int) -> Iterator[list[Entry]]:
        """The entries in lists of at most `size` and about 1 MiB."""
        start = self._first_index()
        for index in range(start, len(self._sources)):
            source = self._sources[index]
            first_missing = self._sources[index - 1].number + 1 if index else 1
            if first_missing < source.number and (index > start or self._after == 0):
                more = "" if source.number == first_missing + 1 else f", and those of the parts to {source.number - 1}"
                self._pending.append((first_missing, Bad(0, 0, f"its file is missing{more}")))
            position = None
            if index == start:
                position = source.near(self._after) if self._begin is None else self._begin.position
            yield from self._part(source, position, size)
        for part, bad in self._pending:
            self._problems.note(Damage(part, bad.offset, bad.length, _sentence(part, bad, None), None))

    def _first_index(self) -> int:
        """The part that holds the first entry wanted."""
        start = 0
        for index, source in enumerate(self._sources):
            if self._begin is not None:
                if source is self._begin.source:
                    self._digest = self._begin.digest
                    self._problems.forget_from(source.number, self._begin.position.offset)
                    return index
            elif source.header is not None and source.header.first_number <= self._after:
                start = index
        self._begin = None
        return start

    def _part(self, source: PartSource, position: Position | None, size: int) -> Iterator[list[Entry]]:
        seen = 0
        if position is None:
            self._check_header(source)
        for event in source.events(size, position):
            if isinstance(event, Bad):
                self._pending.append((source.number, event))
                continue
            first, final = event.entries[0].number, event.entries[-1].number
            if seen == 0 and position is not None and self._begin is None and first > self._after + 1:
                yield from self._part(source, None, size)  # the search was led astray: read all of the part
                return
            given = max(seen, self._last) if self._last > self._after else seen
            if first <= given and not event.copies:
                what = f"{_numbers(first, min(final, given), 'stand')} a second time or out of place"
                self._note(source, event.offset, 0, what, first)
            seen = max(seen, final)
            yield from self._take(source, event, size)
        for offset in source.unreadable:
            self._note(source, offset, PAGE, "the disk does not give back this page", -1)

    def _take(self, source: PartSource, stretch: Stretch, size: int) -> Iterator[list[Entry]]:
        """Gives what is new of a stretch, after whatever another part still has of a hole before it."""
        entries, digests, linked, offset = stretch.entries, stretch.digests, stretch.linked, stretch.offset
        known = min(self._last - entries[0].number + 1, len(entries))
        if known > 0:
            offset += sum(OVERHEAD + len(entry.payload) for entry in entries[:known])
            linked = digests[known - 1]
            if entries[known - 1].number == self._last:
                if self._digest not in (b"", linked):
                    self._note(source, offset, 0, f"entry {self._last} stands twice with different contents", -2)
                self._digest = self._digest or linked
            entries, digests = entries[known:], digests[known:]
            if not entries:
                return
        first = entries[0]
        lost = first.number - self._last - 1
        if lost:
            for filled in self._fill_hole(source, first.number - 1, size):
                lost -= len(filled)
                yield filled
        if first.number == self._last + 1 and self._digest not in (b"", linked):
            if chain_digest(self._digest, first) != digests[0]:
                what = (
                    f"entry {first.number} does not follow from entry {self._last}: "
                    "one of them was changed, or entries were removed, inserted or swapped here"
                )
                self._note(source, offset, 0, what, first.number)
        self._settle(source, offset, first, lost)
        if self._closed_at is not None:
            what = f"entry {first.number} stands after the close entry {self._closed_at}"
            self._note(source, offset, 0, what, first.number)
        yield self._give(entries, digests, source, Position(stretch.end, entries[-1].number, digests[-1]))

    def _give(self, entries: list[Entry], digests: list[bytes], source: PartSource, position: Position) -> list[Entry]:
        self.last = entries[-1]
        self._last, self._digest, self._last_ns = self.last.number, digests[-1], self.last.monotonic_ns
        if self.last.kind == EntryKind.CLOSE:
            self._closed_at = self.last.number
        self.mark = Mark(self._last, self._digest, source, position)
        return entries

    def _fill_hole(self, source: PartSource, until: int, size: int) -> Iterator[list[Entry]]:
        """Entries up to `until` that are missing here and stand in another part, being copies or their originals."""
        part, position = source, Position(0, None, b"")
        if self.mark is not None:
            part, position = self.mark.source, self.mark.position
        for other in self._sources:
            if other is source or (other.header is not None and other.header.first_number > until):
                continue
            if self._reach(other) <= self._last:
                continue
            for event in other.events(size, other.near(self._last + 1)):
                if isinstance(event, Bad) or event.entries[-1].number <= self._last:
                    continue
                begin = event.entries[0].number
                if begin > until or self._last == until:
                    break
                skip = max(0, self._last + 1 - begin)
                before = event.digests[skip - 1] if skip else event.linked
                if begin + skip == self._last + 1 and self._digest not in (b"", before):
                    continue  # not of this chain
                yield self._give(
                    event.entries[skip : until + 1 - begin], event.digests[skip : until + 1 - begin], part, position
                )

    def _reach(self, source: PartSource) -> int:
        """The number of a part's last whole entry, looked for once: so that many holes do not cost many readings."""
        if source not in self._reaches:
            last = source.last()
            self._reaches[source] = 0 if last is None else last.entry.number
        return self._reaches[source]

    def _check_header(self, source: PartSource) -> None:
        header = source.header
        if header is None:
            return
        if header.part != source.number:
            self._note(source, 0, 0, f"the file was part {header.part} when it was written", -3)
        known = next((other.header for other in self._sources if other.header is not None), header)
        if header.record_id != known.record_id:
            self._note(source, 0, 0, "the part belongs to another record", -4)
        if header.first_number == self._last + 1 and self._digest not in (b"", header.before):
            self._note(source, 0, 0, f"the part does not follow from entry {self._last}", -5)

    def _settle(self, source: PartSource, offset: int, first: Entry, lost: int) -> None:
        """Notes the bad places before an entry, now that it is known how many entries they cost."""
        seconds = None
        if lost and self._last_ns is not None and first.monotonic_ns >= self._last_ns:
            seconds = (first.monotonic_ns - self._last_ns) / 1e9
        for part, bad in self._pending:
            self._problems.note(Damage(part, bad.offset, bad.length, _sentence(part, bad, lost), lost, seconds))
            lost = 0
        self._pending.clear()
        if lost:
            numbers = _numbers(first.number - lost, first.number - 1, "miss")
            what = f"Part {source.number}, byte {offset}: {numbers} here; {_entries(lost)} lost."
            self._problems.note(Damage(source.number, offset, 0, what, lost, seconds), 0)

    def _note(self, source: PartSource, offset: int, length: int, what: str, key: int) -> None:
        sentence = f"Part {source.number}, byte {offset}: {what}."
        self._problems.note(Damage(source.number, offset, length, sentence, 0), key)


def _sentence(part: int, bad: Bad, lost: int | None) -> str:
    what = "its header is damaged" if bad.offset == 0 and bad.length else bad.what
    cost = "nothing whole follows" if lost is None else f"{_entries(lost)} lost"
    return f"Part {part}, byte {bad.offset}, {bad.length} bytes: {what}; {cost}."


def _entries(count: int) -> str:
    return "1 entry" if count == 1 else f"{count or 'no'} entries"


def _numbers(first: int, last: int, verb: str) -> str:
    one, many = {"stand": ("stands", "stand"), "miss": ("is missing", "are missing")}[verb]
    return f"entry {first} {one}" if first == last else f"entries {first} to {last} {many}"

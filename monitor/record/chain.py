"""What has been entered so far, as its writer knows it: the last number and digest, and the last minute in memory."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence

from monitor.record.bytes.framing import OVERHEAD, ZERO_DIGEST, chain_digest, entry_bytes
from monitor.record.entries import Entry, EntryKind
from monitor.record.resuming import LastGood

BATCH_BYTES = 1 << 20


KEEP_NS = 60_000_000_000
KEEP_BYTES = 64 << 20


class Ring:
    """Entries with their digests, to be written again where a disk failed them: the last 60 s, and all that are not yet
    on disk, but never more than 64 MiB."""

    def __init__(self, number: int, digest: bytes, keep_ns: int = KEEP_NS, keep_bytes: int = KEEP_BYTES) -> None:
        """Begins empty after the entry with this number and digest."""
        self._keep_ns = keep_ns
        self._keep_bytes = keep_bytes
        self._entries: deque[tuple[Entry, bytes]] = deque()
        self._bytes = 0
        self.first = number + 1
        """Number of the oldest entry held, or of the next one to come."""
        self.before = digest
        """Digest of the entry before that one."""

    def __len__(self) -> int:
        return len(self._entries)

    def __iter__(self) -> Iterator[tuple[Entry, bytes]]:
        return iter(self._entries)

    def push(self, entry: Entry, digest: bytes, synced: int) -> None:
        """Takes an entry; lets go of old ones that are on disk (number <= synced), of any where 64 MiB are full."""
        entries = self._entries
        entries.append((entry, digest))
        self._bytes += len(entry.payload) + OVERHEAD
        oldest_ns = entry.monotonic_ns - self._keep_ns
        while len(entries) > 1:
            first = entries[0][0]
            kept_long_enough = first.number <= synced and first.monotonic_ns < oldest_ns
            if not kept_long_enough and self._bytes <= self._keep_bytes:
                break
            self.before = entries.popleft()[1]
            self.first = first.number + 1
            self._bytes -= len(first.payload) + OVERHEAD

    def after(self, number: int) -> list[Entry]:
        """The entries held with a higher number, in order; quick for the last few."""
        found = []
        for entry, _ in reversed(self._entries):
            if entry.number <= number:
                break
            found.append(entry)
        found.reverse()
        return found


class Chain:
    """Numbers entries and chains their digests. Not to be used by two threads at once."""

    def __init__(self, state: LastGood) -> None:
        self.number = state.number
        """Of the last entry."""
        self.digest = state.digest
        self.ring = Ring(state.number, state.digest)
        self._opening = state.opening

    def open(self, payload: bytes, monotonic_ns: int, wall_ns: int) -> bytes:
        """The opening entry, and a copy of it, as bytes: all else hangs on that entry."""
        opening = Entry(EntryKind.OPENING, 1, monotonic_ns, wall_ns, payload)
        self.number, self.digest = 1, chain_digest(ZERO_DIGEST, opening)
        self._opening = opening, self.digest
        self.ring.push(opening, self.digest, 0)
        return entry_bytes(opening, self.digest) + entry_bytes(opening, self.digest, copy=True)

    def add(
        self, kind: EntryKind, payloads: Sequence[bytes], monotonic_ns: int, wall_ns: int, synced: int
    ) -> tuple[list[Entry], bytes]:
        """The next entries, and their bytes. `synced`: the last entry on disk, which memory need not keep."""
        entries, pieces = [], []
        for payload in payloads:
            entry = Entry(kind, self.number + 1, monotonic_ns, wall_ns, payload)
            digest = chain_digest(self.digest, entry)
            self.number, self.digest = entry.number, digest
            self.ring.push(entry, digest, synced)
            entries.append(entry)
            pieces.append(entry_bytes(entry, digest))
        return entries, b"".join(pieces) if len(pieces) != 1 else pieces[0]

    def lost_before(self, synced: int) -> int:
        """Entries that are neither on disk nor in memory any more."""
        return max(0, self.ring.first - synced - 1)

    def copies(self) -> Iterator[bytes]:
        """The opening entry and what is in memory, as copies, in pieces of about 1 MiB."""
        batch = bytearray()
        if self._opening is not None and self.ring.first > 1:
            batch += entry_bytes(*self._opening, copy=True)
        for entry, digest in self.ring:
            batch += entry_bytes(entry, digest, copy=True)
            if len(batch) >= BATCH_BYTES:
                yield bytes(batch)
                batch.clear()
        yield bytes(batch)

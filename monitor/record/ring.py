"""The last entries in memory, so that they can be written again where a disk failed them."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

from monitor.record.bytes.framing import OVERHEAD
from monitor.record.entries import Entry

KEEP_NS = 60_000_000_000
KEEP_BYTES = 64 << 20


class Ring:
    """Entries with their digests: the last 60 s, and all that are not yet on disk, but never more than 64 MiB."""

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

"""What has been entered so far, as its writer knows it: the last number and digest, and the last minute in memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from monitor.record.bytes.framing import ZERO_DIGEST, chain_digest, entry_bytes
from monitor.record.entries import Entry, EntryKind
from monitor.record.resuming import LastGood
from monitor.record.ring import Ring

BATCH_BYTES = 1 << 20


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

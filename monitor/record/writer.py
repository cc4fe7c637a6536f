"""Appending to a run record.

Each entry (or several that came in together) is one plain write to a file opened for appending: nothing waits in user
space, so `kill -9` loses nothing that was appended. A thread of its own syncs the part every 0.2 s, or at once when
asked; a slow disk delays that thread and not the caller. After a failed or short write, or a failed sync, the part is
left as it is, never written or synced again, and a new part begins (on the second disk where there is one) with the
last minute written again from memory. Where no disk takes it the entries stay in memory, and it is tried again.
"""

from __future__ import annotations

import contextlib
import secrets
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.errors import RecordUnreadable
from monitor.record.bytes.framing import ZERO_DIGEST, refuse_long
from monitor.record.chain import Chain
from monitor.record.clock import SYSTEM_CLOCK, Clock
from monitor.record.disk import DISK, DiskCalls, RecordNotWritable, lock_record
from monitor.record.entries import Entry, EntryKind, Opening, pack_map, pack_opening
from monitor.record.placing import OpenPart, Places, close_quietly, elsewhere_of, reason
from monitor.record.resuming import LastGood, last_good
from monitor.record.stamping import leave_empty_places, note_place

SYNC_EVERY_S = 0.2
WHY_LETTERS = 500

Synced = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Writing:
    """With what a record is written."""

    second: Path | None = None
    """A directory of records on another disk; a directory of this record's name is made there."""
    clock: Clock = SYSTEM_CLOCK
    disk: DiskCalls = DISK
    on_synced: Synced | None = None
    """Called from the sync thread (from the caller's in `close`) with the number of the last entry on disk, after each
    successful sync that moved it; it must not raise."""


class RecordWriter:
    """Appends entries, as the only writer; after opening it raises for no trouble with the disk.

    Its methods may be called from any thread.
    """

    def __init__(
        self,
        directory: Path,
        files: Places,
        lock: int,
        state: LastGood,
        on_synced: Synced | None,
    ) -> None:
        """Use `create` or `resume`."""
        self._directory = directory
        self._files = files
        self._lock_descriptor = lock
        self._clock = files.clock
        self._disk = files.disk
        self._on_synced = on_synced
        self._state = threading.RLock()
        self._chain = Chain(state)
        self._synced = state.number
        self._part: OpenPart | None = None
        self._left: list[int] = []
        self._closed = False
        self._mistake: str | None = None
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._sync_loop, name="record-sync", daemon=True)

    @classmethod
    def create(
        cls,
        directory: Path,
        opening: Opening,
        how: Writing = Writing(),
    ) -> RecordWriter:
        """Begins a new record in a directory that does not exist yet; the opening entry is on disk on return. Raises
        `RecordNotWritable` with the place and the reason, and then leaves no empty directory."""
        disk = how.disk
        payload = pack_opening(opening)
        refuse_long(payload)
        lock, made, writer = -1, False, None
        try:
            disk.make_directory(directory)
            made = True
            lock = lock_record(disk, directory)
            elsewhere = elsewhere_of(directory, how.second)
            state = LastGood(0, ZERO_DIGEST, 1, secrets.token_bytes(16))
            if elsewhere is not None:
                _make_second_place(directory, elsewhere, state.record_id, disk)
            files = Places(directory, elsewhere, state, how.clock, disk)
            begun = cls(directory, files, lock, state, how.on_synced)
            begun._begin_record(directory, payload)
            disk.sync_directory(directory.parent)
            writer = begun
        except FileExistsError as error:
            raise RecordNotWritable(f"{directory} exists already; a run never writes into an old record.") from error
        except OSError as error:
            raise RecordNotWritable(
                f"No record can be begun in {directory}: {reason(error)}; choose another directory of records."
            ) from error
        finally:
            if writer is None:
                close_quietly(disk, lock)
                if made:  # an empty one would be taken for a record that lost everything
                    with contextlib.suppress(OSError):
                        disk.remove_directory(directory)
        writer._thread.start()
        return writer

    @classmethod
    def resume(
        cls,
        directory: Path,
        *,
        why: str,
        sure: bool = False,
        how: Writing = Writing(),
    ) -> RecordWriter:
        """Goes on with a record that was left unclosed: in a new part that says why, after the last good entry.

        What was there is not touched. `sure`: not where another place or a part of the record cannot be read; a run
        that happens once goes on all the same, and what then stands twice is told later. Raises `RecordBusy`,
        `RecordNotWritable` (closed, sealed, no place to write) or `RecordUnreadable`.
        """
        disk = how.disk
        lock = lock_record(disk, directory)
        try:
            state = last_good(directory, sure=sure)
            elsewhere = elsewhere_of(directory, how.second)
            if elsewhere is not None:
                try:
                    note_place(directory, elsewhere, state.record_id, disk)
                except (OSError, RecordUnreadable):
                    pass  # a full first disk must not keep the run from going on in the second
                except RecordNotWritable:
                    elsewhere = None  # another record's, or that of which this is a copy: the run goes on without it
            files = Places(directory, elsewhere, state, how.clock, disk)
            writer = cls(directory, files, lock, state, how.on_synced)
            if not writer._begin_part(why, state.torn):
                raise RecordNotWritable(f"{directory} cannot be gone on with: {files.failure}.")
        except OSError as error:
            close_quietly(disk, lock)
            raise RecordNotWritable(f"{directory} cannot be gone on with: {reason(error)}.") from error
        except BaseException:
            close_quietly(disk, lock)
            raise
        writer._thread.start()
        writer.sync_soon()
        return writer

    def append(self, kind: EntryKind, payload: bytes) -> Entry:
        """Numbers, stamps and writes an entry. Raises `EntryTooLong` over 1 MiB, and nothing for the disk."""
        refuse_long(payload)
        with self._state:
            if self._closed:
                raise ValueError("the record is closed")
            return self._append(kind, (payload,))[0]

    def append_all(self, kind: EntryKind, payloads: Sequence[bytes]) -> list[Entry]:
        """What `append` does with each of them, in one write: for what came in together, which has one time then.

        For some MiB at most, which wait for one write of the system. Raises `EntryTooLong` before anything is written.
        """
        for payload in payloads:
            refuse_long(payload)
        with self._state:
            if self._closed:
                raise ValueError("the record is closed")
            return self._append(kind, payloads)

    def sync_soon(self) -> None:
        """Wakes the sync thread at once instead of within 0.2 s."""
        self._wake.set()

    def entries_after(self, number: int) -> list[Entry]:
        """The entries with a higher number, in order, those that the writer entered by itself (`PART`) among them.

        From memory, so only for what was appended in the last minute: for handing on to whoever follows.
        """
        with self._state:
            return self._chain.ring.after(number)

    @property
    def synced(self) -> int:
        """The number of the last entry known to be on disk."""
        return self._synced

    @property
    def last(self) -> int:
        """The number of the last entry appended."""
        return self._chain.number

    @property
    def trouble(self) -> str | None:
        """One sentence while something is wrong with the disk, else None."""
        with self._state:
            return self._files.trouble(self._part) or self._mistake

    @property
    def place(self) -> Path | None:
        """The directory that is being written to, None while nothing is recorded: for asking how much is free."""
        part = self._part
        return None if part is None else part.place

    def close(self, why: str, *, recovered: bool = False) -> str:
        """Enters the close entry, syncs, lets go of the record; gives the closing digest (hex).

        All of it is on disk where `synced` equals `last` afterwards; else `trouble` says why not.
        """
        self.finish(why, recovered=recovered)
        self.release()
        return self.digest

    def finish(self, why: str, *, recovered: bool = False) -> bool:
        """Enters the close entry and syncs; whether all of the record is on disk. Where it is not, it may be called
        again, or a place may be named (`go_on_in`), before the record is let go of."""
        with self._state:
            if not self._closed:
                self._closed = True
                fields: dict[str, Any] = {"why": why[:WHY_LETTERS], "entries": self._chain.number + 1}
                self._append(EntryKind.CLOSE, [pack_map(fields | ({"recovered": True} if recovered else {}))])
        self._wake.set()
        self._thread.join()
        for _ in range(3):
            self._sync_once()
            if self._synced == self._chain.number:
                return True
            self._files.try_all_again()
        return False

    def go_on_in(self, elsewhere: Path) -> None:
        """A further directory of records, on any disk, that the operator names while none takes what is to be written.

        Raises `RecordNotWritable` with the reason where it cannot be used.
        """
        place = elsewhere_of(self._directory, elsewhere)
        if place is None:
            raise RecordNotWritable(f"{elsewhere} is where the record is; name a directory on another disk.")
        try:
            with self._state:
                self._files.add(place)
        except OSError as error:
            raise RecordNotWritable(f"{elsewhere} cannot be used: {reason(error)}.") from error
        except RecordUnreadable as error:
            raise RecordNotWritable(f"{elsewhere} cannot be used: {error}") from error
        self._wake.set()

    def release(self) -> None:
        """Lets go of the record, whether all of it is on disk or not; to be called after `finish`."""
        with self._state:
            if self._part is not None:
                self._left.append(self._part.descriptor)
                self._part = None
        self._close_left()
        if self._synced == self._chain.number:
            with contextlib.suppress(OSError, RecordUnreadable):  # a place that was never needed; it may stay
                leave_empty_places(self._directory, self._disk)
        close_quietly(self._disk, self._lock_descriptor)

    @property
    def digest(self) -> str:
        """The digest of the last entry (hex): the closing digest once the close entry is made."""
        return self._chain.digest.hex()

    def unsynced(self) -> list[Entry]:
        """The entries that are on no disk, as far as memory holds them: for whoever tells what would be lost."""
        return self.entries_after(self._synced)

    # Below, with the state's lock held.

    def _append(self, kind: EntryKind, payloads: Sequence[bytes]) -> list[Entry]:
        now = self._clock.monotonic_ns(), self._clock.wall_ns()
        entries, raw = self._chain.add(kind, payloads, *now, self._synced)
        if self._part is not None:
            try:
                taken = self._disk.write(self._part.descriptor, raw)
                if taken != len(raw):
                    raise OSError(f"the disk took only {taken} of {len(raw)} bytes")
            except OSError as error:
                self._leave_part(f"a write failed ({reason(error)})")
        return entries

    def _begin_record(self, directory: Path, payload: bytes) -> None:
        both = self._chain.open(payload, self._clock.monotonic_ns(), self._clock.wall_ns())
        self._part = self._files.begin_in(directory, 1, ZERO_DIGEST, [both])
        self._disk.datasync(self._part.descriptor)
        self._files.worked(self._part)
        self._synced = 1

    def _leave_part(self, why: str) -> None:
        """Nothing is written to the part or synced again; a new one begins where a place is left."""
        part = self._part
        assert part is not None
        self._part = None
        self._left.append(part.descriptor)  # closed by the sync thread, which may be inside a sync of it
        self._files.failed(part, why)
        self._begin_part(f"in part {part.number} {why}", None)
        self._wake.set()

    def _begin_part(self, why: str, torn: dict[str, Any] | None) -> bool:
        """A new part with the last minute written again from memory, then an entry that says why it was begun."""
        ring = self._chain.ring
        copies, lost = len(ring), self._chain.lost_before(self._synced)
        self._part = self._files.begin(ring.first, ring.before, self._chain.copies)
        if self._part is None:
            return False
        if not self._closed:
            fields: dict[str, Any] = {"why": why[:WHY_LETTERS], "place": str(self._part.place), "copies": copies}
            self._append(EntryKind.PART, [pack_map(fields | {"lost": lost, "torn": torn})])
        return self._part is not None

    # Below, without the lock: the sync thread, and `close` after it has ended.

    def _sync_loop(self) -> None:
        while not self._closed:
            self._wake.wait(SYNC_EVERY_S)
            self._wake.clear()
            try:
                self._sync_once()
            except Exception as error:  # wide: whatever `on_synced` does, entries must go on to disk; it is said
                self._mistake = f"A mistake in the program was met after a sync ({error!r}); the record goes on."

    def _sync_once(self) -> None:
        self._close_left()
        with self._state:
            if self._part is None:
                self._begin_part(f"writing works again after {self._files.failure}", None)
            part, number = self._part, self._chain.number
        if part is None or number == self._synced:
            return
        try:
            self._disk.datasync(part.descriptor)
        except OSError as error:
            with self._state:
                if self._part is part:
                    self._leave_part(f"a sync failed ({reason(error)})")
            return
        with self._state:
            if self._part is not part:
                return
            self._files.worked(part)
            self._synced = number
        if self._on_synced is not None:
            self._on_synced(number)

    def _close_left(self) -> None:
        with self._state:
            left, self._left = self._left, []
        for descriptor in left:
            close_quietly(self._disk, descriptor)


def _make_second_place(directory: Path, elsewhere: Path, record_id: bytes, disk: DiskCalls) -> None:
    """Made before it is needed, so that a disk that is not there is found out now, and told apart later from a place
    that was never used."""
    try:
        note_place(directory, elsewhere, record_id, disk)
    except (OSError, RecordUnreadable) as error:
        raise RecordNotWritable(
            f"The second place {elsewhere} cannot be used: {reason(error)}; choose another directory for it, or begin "
            "without one."
        ) from error

"""Closing a run that was left unclosed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from monitor.record.clock import SYSTEM_CLOCK, Clock
from monitor.record.disk import DISK, DiskCalls, RecordNotWritable
from monitor.record.reader import RecordFiles, State
from monitor.record.writer import RecordWriter

WHY = "the run was left unclosed and was closed afterwards"


@dataclass(frozen=True, slots=True)
class Recovered:
    """What `recover_record` came to."""

    was: State
    """The state before: "open", else nothing was done."""
    digest: str
    """Closing digest (hex)."""
    entries: int
    torn: tuple[str, ...]
    """Where unfinished entries were left; they stay in place."""


def recover_record(path: Path, clock: Clock = SYSTEM_CLOCK, disk: DiskCalls = DISK) -> Recovered:
    """Closes a run that was left unclosed, by a close entry of its own in a new part; alters nothing that was there.

    Raises `RecordBusy` while a recorder writes the record, `RecordNotWritable` where the disk does not take it,
    `RecordUnreadable` where there is no whole entry.
    """
    before = RecordFiles(path, disk)
    if before.state != "open":
        return Recovered(before.state, before.digest, before.last_number, ())
    writer = RecordWriter.resume(path, why=WHY, clock=clock, disk=disk)
    digest = writer.close(WHY, recovered=True)
    if writer.synced != writer.last:
        raise RecordNotWritable(f"{path} is not closed: {writer.trouble}")
    torn = tuple(f"part {part}, byte {tail.offset}: {tail.length} bytes" for part, tail in before.torn)
    return Recovered("open", digest, writer.last, torn)

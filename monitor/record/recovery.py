"""Closing a run that was left unclosed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from monitor.record.clock import SYSTEM_CLOCK, Clock
from monitor.record.disk import DISK, DiskCalls, RecordNotWritable, lock_record
from monitor.record.places import read_part_header, read_stamp, record_id_of
from monitor.record.placing import close_quietly, reason
from monitor.record.reader import RecordFiles, State
from monitor.record.stamping import note_place
from monitor.record.writer import RecordWriter, Writing

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


def recover_record(
    path: Path, clock: Clock = SYSTEM_CLOCK, disk: DiskCalls = DISK, *, without_places: bool = False
) -> Recovered:
    """Closes a run that was left unclosed, by a close entry of its own in a new part; alters nothing that was there.

    `without_places`: also where another place of the record cannot be reached, whose entries are then not in it.
    Raises `RecordBusy` while a recorder writes the record, `RecordNotWritable` where the disk does not take it,
    `RecordUnreadable` where there is no whole entry.
    """
    before = RecordFiles(path, disk)
    if before.state != "open":
        return Recovered(before.state, before.digest, before.last_number, ())
    writer = RecordWriter.resume(path, why=WHY, sure=not without_places, how=Writing(clock=clock, disk=disk))
    digest = writer.close(WHY, recovered=True)
    if writer.synced != writer.last:
        raise RecordNotWritable(f"{path} is not closed: {writer.trouble}")
    torn = tuple(f"part {part}, byte {tail.offset}: {tail.length} bytes" for part, tail in before.torn)
    return Recovered("open", digest, writer.last, torn)


def take_place(path: Path, elsewhere: Path, disk: DiskCalls = DISK) -> Path:
    """Notes in a record that parts of it lie in its directory under `elsewhere`, a directory of records on another
    disk, on the operator's word; gives that place. For a record that was moved, or that could not note it by itself.

    Raises `RecordNotWritable` where nothing there is of this record, or where it belongs to one that is still there.
    """
    place = (elsewhere / path.absolute().name).absolute()
    record_id = record_id_of(path)
    if record_id is None:
        raise RecordNotWritable(
            f"{path}: none of its own files says which record it is, so no place can be told its own."
        )
    if not place.is_dir():
        raise RecordNotWritable(f"{place} is not there.")
    headers = [read_part_header(file) for file in sorted(place.glob("part-*.twr"))]
    ids = {header.record_id for header in headers if header is not None}
    if read_stamp(place) is None and ids != {record_id}:
        raise RecordNotWritable(f"Nothing in {place} shows that it belongs to {path}.")
    lock = lock_record(disk, path)
    try:
        note_place(path, place, record_id, disk, take=True)
    except OSError as error:
        raise RecordNotWritable(f"{path} cannot note {place}: {reason(error)}; try again.") from error
    finally:
        close_quietly(disk, lock)
    return place

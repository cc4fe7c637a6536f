"""Making, noting and removing the other places of a record; see `places` for what stands in them."""

from __future__ import annotations

import errno
import json
import os
from contextlib import suppress
from pathlib import Path

from monitor.record.bytes.parts import looks_like_part
from monitor.record.disk import DISK, DiskCalls, RecordNotWritable, write_whole
from monitor.record.places import (
    SECOND_NAME,
    STAMP_NAME,
    by_stamp,
    look_at_places,
    noted_places,
    read_stamp,
    record_id_of,
)


def note_place(directory: Path, place: Path, record_id: bytes, disk: DiskCalls = DISK, *, take: bool = False) -> None:
    """Stamps a place, made where it is not there yet, and notes in the record that it is one of its own; both are on
    disk on return. Raises `OSError`, and `RecordNotWritable` where it is another record's.

    `take`: the operator says that a place whose record cannot be found belongs to this one, which was moved.
    """
    stamp = read_stamp(place)
    if stamp is not None:
        found = by_stamp(place, stamp, directory, record_id)
        if found.standing != "second" and not (take and found.standing == "unclear"):
            raise RecordNotWritable(f"{directory} cannot use this place. {found.why}")
    if not place.is_dir():
        disk.make_directory(place)
        disk.sync_directory(place.parent)
    home = directory.absolute()
    fields = {"record": record_id.hex(), "home": str(home), "inode": home.stat().st_ino}
    if stamp is None or (stamp.home, stamp.inode) != (home, fields["inode"]):
        append_line(place / STAMP_NAME, json.dumps(fields), disk)
    noted = noted_places(directory)
    if place not in noted:
        append_line(directory / SECOND_NAME, str(place), disk)
    if not noted.get(place):
        append_line(directory / SECOND_NAME, f"# stamped {place}", disk)


def note_part(place: Path, number: int, part_id: bytes, disk: DiskCalls = DISK) -> None:
    """Adds a part to the stamp of the place in which it was begun. Raises `OSError`."""
    append_line(place / STAMP_NAME, json.dumps({"part": number, "id": part_id.hex()}), disk)


def leave_empty_places(directory: Path, disk: DiskCalls = DISK) -> list[Path]:
    """Removes places of the record that hold no part of it any more; what else lies there stays.

    Gives those that are left, or may be. What was cut short in the middle is ended by the next call. Raises `OSError`
    and `RecordUnreadable`.
    """
    left = []
    for place in look_at_places(directory):
        if place.standing in ("second", "empty") and not any(looks_like_part(name) for name in place.names):
            append_line(directory / SECOND_NAME, f"# emptied {place.path}", disk)
        elif place.standing in ("second", "unreachable", "unclear"):
            left.append(place.path)
    record_id = record_id_of(directory)
    for path in noted_places(directory, emptied=True):
        stamp = read_stamp(path)
        if path != directory and path.is_dir() and (stamp is None or record_id in (None, stamp.record_id)):
            _remove_place(path, disk)
    return left


def _remove_place(path: Path, disk: DiskCalls) -> None:
    """Removes the stamp of a place and, where nothing else lies in it, the place."""
    with suppress(FileNotFoundError):
        disk.unlink(path / STAMP_NAME)
    try:
        disk.remove_directory(path)
    except OSError as error:
        if error.errno not in (errno.ENOTEMPTY, errno.EEXIST, errno.ENOENT):
            raise
    if path.parent.is_dir():
        disk.sync_directory(path.parent)


def append_line(path: Path, line: str, disk: DiskCalls = DISK) -> None:
    """Appends a line to one of the small files; on disk on return. Raises `OSError`."""
    descriptor = disk.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW)
    try:
        size = os.fstat(descriptor).st_size
        torn = size > 0 and disk.pread(descriptor, 1, size - 1) != b"\n"  # a line that was never finished
        write_whole(disk, descriptor, f"{chr(10) if torn else ''}{line}\n".encode())
        disk.datasync(descriptor)
    finally:
        disk.close(descriptor)
    disk.sync_directory(path.parent)

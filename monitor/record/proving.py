"""What of a record is really on its disks, and not only in the system's memory."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from monitor.record.disk import DISK, DiskCalls, open_regular
from monitor.record.entries import Entry
from monitor.record.places import find_parts
from monitor.record.reader import RecordFiles


def sync_parts(path: Path, disk: DiskCalls = DISK) -> None:
    """Returns when the parts of a record are on the disk; what the system remembers of them is let go of, because a
    page whose writing failed can still be read from there. Raises `OSError`."""
    for _, part in find_parts(path):
        descriptor = open_regular(part, disk)
        try:
            disk.datasync(descriptor)
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        finally:
            disk.close(descriptor)


def proven_entries(path: Path, after: int, disk: DiskCalls = DISK) -> Iterator[Entry]:
    """The entries with a number > `after` that are on the disk, in order. Raises `OSError`, `RecordUnreadable`."""
    sync_parts(path, disk)
    for block in RecordFiles(path, disk).blocks(after=after):
        yield from block

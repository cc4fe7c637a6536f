"""The operating system's calls that the record stands on, in one place, so that tests can let each of them fail."""

from __future__ import annotations

import errno
import fcntl
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from monitor.errors import WitnessError
from monitor.named_files import refuse_other_kinds, sync_directory, unfinished

Held = TypeVar("Held")

LOCK_TRIES = 10
LOCK_PAUSE_S = 0.02


class RecordNotWritable(WitnessError):
    """Raised when a record cannot be begun, gone on with, or changed at this place."""


class RecordBusy(WitnessError):
    """Raised when another process is writing to the record."""


class DiskCalls:
    """Plain calls; each raises `OSError` as the system does. Descriptors are closed on exec."""

    def open(self, path: Path, flags: int, mode: int = 0o600) -> int:
        return os.open(path, flags | os.O_CLOEXEC, mode)

    def write(self, descriptor: int, data: bytes) -> int:
        """Bytes taken by the system, which may be fewer than were given."""
        return os.write(descriptor, data)

    def pread(self, descriptor: int, size: int, offset: int) -> bytes:
        return os.pread(descriptor, size, offset)

    def datasync(self, descriptor: int) -> None:
        """Returns when the data and what is needed to read them back are on the disk."""
        os.fdatasync(descriptor)

    def close(self, descriptor: int) -> None:
        os.close(descriptor)

    def make_directory(self, path: Path) -> None:
        path.mkdir(mode=0o700, parents=True)

    def sync_directory(self, path: Path) -> None:
        """Returns when the names in a directory are on the disk."""
        sync_directory(path)

    def rename(self, old: Path, new: Path) -> None:
        os.rename(old, new)

    def unlink(self, path: Path) -> None:
        os.unlink(path)

    def remove_directory(self, path: Path) -> None:
        os.rmdir(path)

    def lock(self, path: Path) -> int:
        """A descriptor that holds the exclusive lock on a directory; `BlockingIOError` where another holds it."""
        descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BaseException:
            os.close(descriptor)
            raise
        return descriptor

    def free_bytes(self, path: Path) -> int:
        """Bytes that an ordinary user may still write on the disk of a path."""
        status = os.statvfs(path)
        return status.f_bavail * status.f_frsize


DISK = DiskCalls()


def lock_record(disk: DiskCalls, directory: Path) -> int:
    """The single-writer lock of a record (free again the moment its holder dies); raises `RecordBusy`.

    Tried for a fifth of a second, because whoever asks `is_being_written` holds it for an instant.
    """
    try:
        return tried(lambda: disk.lock(directory), LOCK_TRIES)
    except BlockingIOError as error:
        raise RecordBusy(
            f"{directory} is being written by {_holder(directory)}; end that one first, or attach to it."
        ) from error
    except OSError as error:
        raise RecordNotWritable(f"{directory} cannot be locked for writing: {error.strerror or error}.") from error


def tried(lock: Callable[[], Held], tries: int) -> Held:
    """What a call gives that takes a lock at once or raises `BlockingIOError`; raised where another holds it to the
    end of so many tries."""
    for _ in range(tries - 1):
        try:
            return lock()
        except BlockingIOError:
            time.sleep(LOCK_PAUSE_S)
    return lock()


def is_being_written(directory: Path) -> bool:
    """Whether some process holds the record's lock at this moment."""
    descriptor = os.open(directory, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(descriptor)
    return False


def _holder(directory: Path) -> str:
    """The process that holds the lock, as the system's table of locks names it."""
    try:
        inode = directory.stat().st_ino
        for line in Path("/proc/locks").read_text().splitlines():
            words = line.split()
            if words[1] == "FLOCK" and words[5].rsplit(":", 1)[-1] == str(inode):
                return f"process {words[4]}"
    except (OSError, IndexError):
        pass
    return "another process"


def open_regular(path: Path, disk: DiskCalls = DISK) -> int:
    """A descriptor for reading; raises `OSError` for what is no regular file, some of which would wait for ever."""
    descriptor = disk.open(path, os.O_RDONLY | os.O_NONBLOCK)
    try:
        refuse_other_kinds(os.fstat(descriptor).st_mode, path)
    except OSError:
        disk.close(descriptor)
        raise
    return descriptor


def read_small(path: Path, most_bytes: int, disk: DiskCalls = DISK) -> bytes:
    """All of a small regular file; raises `OSError` where it is none, or longer than one of ours can be."""
    descriptor = open_regular(path, disk)
    try:
        size = os.fstat(descriptor).st_size
        if size > most_bytes:
            raise OSError(errno.EFBIG, f"it has {size} bytes, and {most_bytes} are the most that it can have")
        read = b""
        while len(read) < size and (piece := disk.pread(descriptor, size - len(read), len(read))):
            read += piece
        return read
    finally:
        disk.close(descriptor)


def write_file(path: Path, data: bytes, disk: DiskCalls = DISK) -> None:
    """A small file of ours, whole or as it was before: written beside, synced, renamed, its name synced."""
    beside = unfinished(path)
    descriptor = disk.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW)
    try:
        write_whole(disk, descriptor, data)
        disk.datasync(descriptor)
    finally:
        disk.close(descriptor)
    disk.rename(beside, path)
    disk.sync_directory(path.parent)


def write_whole(disk: DiskCalls, descriptor: int, data: bytes) -> None:
    """Writes all of it or raises `OSError`; for new files that are thrown away when they fail."""
    view = memoryview(data)
    while view:
        taken = disk.write(descriptor, bytes(view[: 1 << 20]))
        if taken <= 0:
            raise OSError(f"the system took {taken} of {len(view)} bytes")
        view = view[taken:]

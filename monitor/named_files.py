"""Files that somebody names: the one rule by which they are opened to be read, and made to be written.

Only a regular file is opened. A named pipe nobody writes to, some devices and a terminal would keep a command waiting
for ever, an endless device would fill the memory, and a directory or a socket gives a word of the system that says
little. A new file overwrites nothing, and its name is there when all of it is: until then it stands beside, and its
name says so.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from itertools import count
from pathlib import Path
from typing import TextIO

from monitor.errors import WitnessError

UNFINISHED = ".unfinished"
"""Ends the name of what gets its own name when all of it is on the disk."""

NOT_OFFERED = (errno.EOPNOTSUPP, errno.EINVAL)
"""What the system says of a call that this kind of disk has not: as to keep room free, or to sync a directory."""

_KINDS = (
    (stat.S_ISREG, "a file"),
    (stat.S_ISDIR, "a directory"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def regular(path: str | os.PathLike[str], flags: int = os.O_RDONLY) -> int:
    """A descriptor of a regular file; an `opener` for `open`. Raises `OSError`, in whose words it is said what another
    kind of file it is, and never waits."""
    try:
        descriptor = os.open(path, flags | os.O_NONBLOCK | os.O_CLOEXEC, 0o666)
    except OSError as error:
        if error.errno in (errno.ENXIO, errno.ENODEV, errno.EISDIR):  # a socket, a pipe to be written, no driver
            refuse_other_kinds(os.stat(path).st_mode, path)
        raise
    try:
        refuse_other_kinds(os.fstat(descriptor).st_mode, path)
    except OSError:
        os.close(descriptor)
        raise
    return descriptor


def refuse_other_kinds(mode: int, path: str | os.PathLike[str]) -> None:
    """Raises `OSError` for the mode of anything but a regular file."""
    if not stat.S_ISREG(mode):
        raise OSError(errno.EINVAL, f"it is {_kind(mode)}, and no regular file", os.fspath(path))


def make_directory(path: Path, mode: int = 0o777) -> None:
    """Makes a directory that somebody names, and those above it, where they are not there. Raises `OSError`, in whose
    words it is said what stands in the way."""
    try:
        path.mkdir(mode, parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        way = next(one for one in (path, *path.parents) if os.path.lexists(one))
        kind = _kind(way.stat().st_mode) if way.exists() else "a link to nothing"
        what = "it" if way == path else str(way)
        raise OSError(errno.ENOTDIR, f"{what} is {kind}, and no directory", str(path)) from error


def _kind(mode: int) -> str:
    return next((words for holds, words in _KINDS if holds(mode)), "of an unknown kind")


def read_named(path: str | os.PathLike[str], encoding: str = "utf-8", errors: str = "strict") -> TextIO:
    """A text file that somebody names, opened to be read with its line ends as they are. Raises `OSError`."""
    return open(path, encoding=encoding, errors=errors, newline="", opener=regular)


class NameTaken(WitnessError):
    """Raised where a new file would have the name of what is there already."""


@contextmanager
def new_file(path: Path, reserve_bytes: int = 0, mode: int = 0o666) -> Iterator[TextIO]:
    """A new text file (UTF-8, "\\n"), with room for `reserve_bytes` on the disk: whoever gives something away for what
    will be written finds out before that it can be. It is written as PATH.unfinished, which nobody else has, and gets
    its name when it is whole and on the disk; where anything fails both are gone again.

    Raises `NameTaken` where something is there already, `WitnessError` where it cannot be written; what else fails
    meanwhile is let through.
    """
    beside = unfinished(path)
    try:
        if os.path.lexists(path):
            raise NameTaken(f"{path} is there already, and nothing is overwritten; give another file.")
        with _made(beside, path, mode) as file:
            try:
                _reserve(file.fileno(), reserve_bytes)
                yield file
                file.truncate()
                file.flush()
                os.fsync(file.fileno())
            except BaseException:
                beside.unlink(missing_ok=True)
                raise
        try:
            give_its_name(beside, path)
        except WitnessError:
            raise
        except BaseException:
            beside.unlink(missing_ok=True)
            raise
    except OSError as error:
        if error.filename not in (None, os.fspath(beside)):
            raise  # of another file, in what is done while this one is open
        raise WitnessError(f"{path} cannot be written ({error.strerror or error}); give another file.") from error


def unfinished(path: Path) -> Path:
    """Where that is written which is to get this name when it is whole. Raises `WitnessError` for what has no name of
    its own, as "." and "/"."""
    if not path.name:
        raise WitnessError(f"{path} is a directory that is there already; give another name.")
    return path.with_name(path.name + UNFINISHED)


def left_unfinished(path: Path) -> NameTaken:
    """For whoever would write there, and finds that somebody does, or was cut off while doing so."""
    return NameTaken(
        f"{unfinished(path)} is there already. Another command is writing {path.name} in it now, or one was cut off, "
        "as by a power cut, and this is what it left: not whole, and it may hold responses; a look that was entered "
        "for it counts. Once no command is at work on it, remove it by hand, or give another name."
    )


def give_its_name(beside: Path, path: Path) -> None:
    """What is whole gets its name; on return both are on the disk. Raises `NameTaken` where somebody has taken that
    meanwhile: what was written, and a look may have been spent for, stays where it is; `WitnessError` where a power cut
    may still take the name away; and `OSError` where what is in a directory does not come to be on the disk."""
    if beside.is_dir():
        _sync_files(beside)
    try:
        if beside.is_dir():
            beside.rename(path)
        else:
            _link(beside, path)
    except OSError as error:
        raise NameTaken(
            f"{path} cannot be given to what was written ({error.strerror or error}), which is whole and stays as "
            f"{beside}: give that another name by hand."
        ) from error
    try:
        sync_directory(path.parent)
    except OSError as error:
        if error.errno not in NOT_OFFERED:
            raise WitnessError(
                f"{path} is written, but the disk does not say that it keeps its name ({error.strerror}): after a "
                f"power cut it may stand there as {beside.name}, or not at all."
            ) from error


def sync_directory(path: Path) -> None:
    """Returns when the names in a directory are on the disk. Raises `OSError`."""
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _sync_files(directory: Path) -> None:
    """Returns when the files below a directory are on the disk, with their names. Raises `OSError`."""
    for folder, _, files in os.walk(directory):
        for name in files:
            descriptor = regular(Path(folder, name))
            try:
                os.fsync(descriptor)
            finally:
                os.close(descriptor)
        try:
            sync_directory(Path(folder))
        except OSError as error:
            if error.errno not in NOT_OFFERED:
                raise


def _link(beside: Path, path: Path) -> None:
    """Unlike a renaming this overwrites nothing."""
    try:
        os.link(beside, path)
    except FileExistsError:
        raise
    except OSError:  # this kind of disk has no links
        if os.path.lexists(path):
            raise
        beside.rename(path)
    else:
        beside.unlink()


def _made(beside: Path, path: Path, mode: int) -> TextIO:
    try:
        return open(beside, "x", encoding="utf-8", newline="\n", opener=partial(os.open, mode=mode))
    except FileExistsError as error:
        raise left_unfinished(path) from error


@contextmanager
def room_on_disk(path: Path, size: int) -> Iterator[None]:
    """A file of so many bytes that is there while something is decided by there being room. Raises `OSError`."""
    with open(path, "xb") as file:
        try:
            _reserve(file.fileno(), size)
            yield
        finally:
            path.unlink()


def _reserve(descriptor: int, size: int) -> None:
    try:
        if size:
            os.posix_fallocate(descriptor, 0, size)
    except OSError as error:
        if error.errno not in NOT_OFFERED:  # this kind of disk promises nothing beforehand
            raise


def write_new(path: Path, text: str) -> None:
    """Writes a new file. Raises `WitnessError` where there is one, or it cannot be written."""
    with new_file(path) as file:
        file.write(text)


def write_numbered(folder: Path, stem: str, ending: str, text: str) -> Path:
    """Writes a new file under the first of these names that nobody has: STEM, STEM-2, STEM-3 …; gives its path. Raises
    `WitnessError` where it cannot be written."""
    for number in count(1):
        path = folder / f"{stem}{'' if number == 1 else f'-{number}'}{ending}"
        try:
            write_new(path, text)
        except NameTaken:
            continue
        return path
    raise AssertionError("not reached")

"""Files that somebody names: the one rule by which they are opened to be read, and made to be written.

Only a regular file is opened. A named pipe nobody writes to, some devices and a terminal would keep a command waiting
for ever, an endless device would fill the memory, and a directory or a socket gives a word of the system that says
little. A new file overwrites nothing, and is there whole or not at all.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TextIO

from monitor.errors import WitnessError

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


@contextmanager
def new_file(path: Path, reserve_bytes: int = 0, mode: int = 0o666) -> Iterator[TextIO]:
    """A new text file (UTF-8, "\\n"), made at once, and with room for `reserve_bytes` on the disk: whoever gives
    something away for what will be written finds out before that it can be. It is gone again where anything fails.

    Raises `WitnessError` where something is there already, or it cannot be written; what else fails meanwhile is let
    through.
    """
    try:
        with open(path, "x", encoding="utf-8", newline="\n", opener=partial(os.open, mode=mode)) as file:
            try:
                _reserve(file.fileno(), reserve_bytes)
                yield file
                file.truncate()
            except BaseException:
                path.unlink(missing_ok=True)
                raise
    except OSError as error:
        if error.filename not in (None, os.fspath(path)):
            raise  # of another file, in what is done while this one is open
        if isinstance(error, FileExistsError):
            raise WitnessError(f"{path} is there already, and nothing is overwritten; give another file.") from error
        raise WitnessError(f"{path} cannot be written ({error.strerror or error}); give another file.") from error


def _reserve(descriptor: int, size: int) -> None:
    try:
        if size:
            os.posix_fallocate(descriptor, 0, size)
    except OSError as error:
        if error.errno not in (errno.EOPNOTSUPP, errno.EINVAL):  # this kind of disk promises nothing beforehand
            raise


def write_new(path: Path, text: str) -> None:
    """Writes a new file. Raises `WitnessError` where there is one, or it cannot be written."""
    with new_file(path) as file:
        file.write(text)

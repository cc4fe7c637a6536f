"""Files of lines beside the records that only grow: looks and what was frozen, lots, who was asked.

One JSON object a line, with `when` (UTC), `by`, and `before`: SHA-256 of the line before, zeros for the first, so that
a line that was taken out or changed shows. What is decided by such a file and then entered in it is one step, in which
nobody else enters (`alone`): there is no other way to enter a line.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from monitor.errors import WitnessError
from monitor.record.disk import DISK, read_small, tried, write_whole
from monitor.record.json_file import json_map

_ZEROS = "0" * 64
MOST_BYTES = 1 << 28
"""A thousand looks at a thousand records each have half of it."""
LOCK_TRIES = 500
"""Ten seconds: whoever enters a line is done in some milliseconds."""


class ChainedLines:
    """A file of lines, as it stands while nobody else enters one."""

    def __init__(self, path: Path, descriptor: int, so: str) -> None:
        """Raises `OSError` where it cannot be read, or another process does not let go of it."""
        self._path, self._descriptor, self._so = path, descriptor, so
        self._is_locked = _locked(descriptor)
        self._text = read_small(path, MOST_BYTES)

    @property
    def entries(self) -> list[dict[str, Any]]:
        """What was entered, in order; lines that cannot be read are left out."""
        return _entries(self._text.splitlines())

    @property
    def unreadable(self) -> int:
        """How many lines were entered of which nothing can be read, such as one that a power cut left torn."""
        return len(self._text.splitlines()) - len(self.entries)

    def enter(self, by: str, fields: Mapping[str, Any]) -> None:
        """Enters one line; it is on disk on return. Of a line that failed nothing is left. Raises `WitnessError`."""
        lines = self._text.splitlines()
        line = {
            **fields,
            "when": datetime.now(UTC).isoformat(timespec="seconds"),
            "by": by,
            "before": _sum(lines[-1]) if lines else _ZEROS,
        }
        torn = bool(self._text) and not self._text.endswith(b"\n")
        text = (("\n" if torn else "") + json.dumps(line, ensure_ascii=False) + "\n").encode()
        try:
            try:
                write_whole(DISK, self._descriptor, text)
                os.fsync(self._descriptor)
            except OSError:
                if self._is_locked:  # else it may be another's line that would be taken back
                    os.ftruncate(self._descriptor, len(self._text))
                raise
            if not lines:
                DISK.sync_directory(self._path.parent)
        except OSError as error:
            raise _not_entered(self._path, error, self._so) from error
        self._text += text


@contextmanager
def alone(directory: Path, name: str, so: str) -> Iterator[ChainedLines]:
    """The file of this name, into which nobody else enters before the block ends. One process at a time: two that
    decide by the same lines would both enter what only one of them may, and follow the same line.

    Raises `WitnessError` where nothing can be entered; `so` says in the error what does not happen then.
    """
    path = directory / name
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NONBLOCK | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise _not_entered(path, error, so) from error
    try:
        try:
            file = ChainedLines(path, descriptor, so)
        except OSError as error:
            raise _not_entered(path, error, so) from error
        yield file
    finally:
        os.close(descriptor)


def entries(directory: Path, name: str) -> list[dict[str, Any]]:
    """What was entered, in order; lines that cannot be read are left out (`chain_fault` tells of them)."""
    try:
        return read_entries(directory / name)
    except OSError:
        return []


def read_entries(path: Path) -> list[dict[str, Any]]:
    """The same; none where there is no file. Raises `OSError` where it cannot be read."""
    return _entries(_read(path))


def chain_fault(path: Path) -> str | None:
    """What is wrong with the chain of lines, in one sentence; None where nothing is, or there is no file."""
    try:
        lines = _read(path)
    except OSError as error:
        return f"{path} cannot be read ({error.strerror or error}): what was entered there is not known."
    before = _ZEROS
    for place, line in enumerate(lines, start=1):
        fields = _fields(line)
        if fields is None or fields.get("before") != before:
            return (
                f"{path}: line {place} does not follow the line before it; the file was changed after it was written."
            )
        before = _sum(line)
    return None


def _locked(descriptor: int) -> bool:
    """Whether nobody else enters by now; False on a disk that knows no locks. Raises `OSError` where another process
    does not let go of it, as one that is stopped."""
    try:
        tried(lambda: fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB), LOCK_TRIES)
    except BlockingIOError as error:
        raise OSError(errno.EAGAIN, "another process has been entering one for ten seconds") from error
    except OSError:
        return False
    return True


def _read(path: Path) -> list[bytes]:
    try:
        return read_small(path, MOST_BYTES).splitlines()
    except FileNotFoundError:
        return []


def _entries(lines: list[bytes]) -> list[dict[str, Any]]:
    return [fields for line in lines if (fields := _fields(line)) is not None]


def _not_entered(path: Path, error: OSError, so: str) -> WitnessError:
    return WitnessError(
        f"{path}: nothing can be entered ({error.strerror}), {so}; make the directory writable, or work on a copy "
        "of it."
    )


def _fields(line: bytes) -> dict[str, Any] | None:
    try:
        return json_map(line)
    except ValueError:
        return None


def _sum(line: bytes) -> str:
    return hashlib.sha256(line).hexdigest()

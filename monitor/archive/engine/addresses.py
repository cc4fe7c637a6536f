"""Where records are: in a directory, or sealed at an address that fsspec knows (extra `cluster`).

A record at an address is copied into a private temporary folder to be judged, and removed; nothing is written there.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from monitor.archive.program import file_digest, record_files
from monitor.errors import RecordUnreadable, WitnessError
from monitor.record.places import SEALED_NAME
from monitor.record.reader import RecordFiles, RecordReading, list_records
from monitor.record.sealed.head import HEAD, HEAD_BYTES, head_holds

ADDENDUM = "addendum-"


@dataclass(frozen=True, slots=True)
class RecordAt:
    """One record: the directory or the address that it lies in, its folder's name, and how it is named to people."""

    folder: str
    name: str
    label: str

    @property
    def path(self) -> Path | None:
        """Where it lies on this machine; None for one at an address."""
        return None if is_address(self.folder) else Path(self.folder) / self.name


def is_address(text: str) -> bool:
    """Whether a text is an address and no path."""
    return "://" in text


def record_at(path: Path) -> RecordAt:
    """A record on this machine."""
    whole = path.absolute()
    return RecordAt(str(whole.parent), whole.name, str(path))


def records_at(texts: list[str]) -> list[RecordAt]:
    """The records that are named; a directory of records, or an address of one, stands for all of them."""
    found: list[RecordAt] = []
    for text in texts:
        if is_address(text):
            found += _at_address(text)
        else:
            path = Path(text)
            inside = list_records(path) if path.is_dir() else []
            found += [record_at(one) for one in inside or [path]]
    return found


@dataclass(frozen=True, slots=True)
class Known:
    """What the asking side knows of a record before it is judged: its closing digest (None: still open, or the head of
    a sealed one is damaged), and what changes with anything of its files (None: it may grow)."""

    digest: str | None
    identity: str | None


def look_at(record: RecordAt) -> Known:
    """Reads no more of a record than its ends. Raises `RecordUnreadable`."""
    path = record.path
    if path is None:
        fs, root = _filesystem(record.folder)
        there = _files_at(fs, f"{root}/{record.name}")
        head = fs.cat_file(there[0], start=0, end=HEAD_BYTES)
        digest = HEAD.unpack_from(head)[6].hex() if head_holds(head) else None
        return Known(digest, _identity([digest, *(str(fs.ukey(one)) for one in there)]))
    files = RecordFiles(path)
    if files.state == "open":
        return Known(None, None)
    told: list[Any] = [files.digest]
    for file in record_files(path):
        state = file.stat()
        told.append([file.name, state.st_size, state.st_mtime_ns])
        if file.name.startswith(ADDENDUM):
            told.append(file_digest(file))
    return Known(files.digest, _identity(told))


def participant_of(record: RecordAt) -> str:
    """The participant's code, by the record itself. Raises `RecordUnreadable`."""
    with here(record.folder, "", which_of("", record.name)) as path:
        return RecordReading(path).opening.participant


def which_of(salt: str, name: str) -> str:
    """A name as it crosses over to a worker."""
    return hashlib.sha256(os.fsencode(f"{salt} {name}")).hexdigest()


@contextmanager
def here(folder: str, salt: str, which: str) -> Iterator[Path]:
    """The record of a folder whose name crossed over as `which`, as a path on this machine for as long as needed."""
    if not is_address(folder):
        if which not in _names_in(folder, salt):
            _names_in.cache_clear()  # it may be newer than the list
        yield Path(folder) / _name_of(folder, which, _names_in(folder, salt))
        return
    fs, root = _filesystem(folder)
    name = _name_of(folder, which, {which_of(salt, name): name for name in _records_at(fs, root)})
    private = Path(tempfile.mkdtemp(prefix="trialwitness-"))  # of mode 0700
    try:
        path = private / name
        path.mkdir()
        for file in _files_at(fs, f"{root}/{name}"):
            fs.get_file(file, str(path / file.rpartition("/")[2]))
        yield path
    finally:
        shutil.rmtree(private, ignore_errors=True)


def _name_of(folder: str, which: str, names: dict[str, str]) -> str:
    if which not in names:
        raise RecordUnreadable(f"{folder} as this worker sees it does not have the record that was asked for.")
    return names[which]


@lru_cache(maxsize=8)
def _names_in(folder: str, salt: str) -> dict[str, str]:
    """The names in a directory by how they cross over."""
    try:
        return {which_of(salt, one.name): one.name for one in Path(folder).iterdir()}
    except OSError as error:
        raise RecordUnreadable(f"{folder} cannot be read by this worker ({error.strerror or error}).") from error


def _at_address(text: str) -> list[RecordAt]:
    address = text.rstrip("/").removesuffix(f"/{SEALED_NAME}")
    fs, root = _filesystem(address)
    if fs.exists(f"{root}/{SEALED_NAME}"):
        folder, _, name = address.rpartition("/")
        return [RecordAt(folder, name, address)]
    names = _records_at(fs, root)
    if not names:
        raise RecordUnreadable(f"{text} holds no sealed record ({SEALED_NAME} in a folder of its own).")
    return [RecordAt(address, name, f"{address}/{name}") for name in names]


def _records_at(fs: Any, root: str) -> list[str]:
    return sorted(one.rpartition("/")[0].rpartition("/")[2] for one in fs.glob(f"{root}/*/{SEALED_NAME}"))


def _files_at(fs: Any, root: str) -> list[str]:
    """The sealed file, and what was added after closing."""
    added = sorted(one for one in fs.ls(root, detail=False) if one.rpartition("/")[2].startswith(ADDENDUM))
    return [f"{root}/{SEALED_NAME}", *added]


def _filesystem(address: str) -> tuple[Any, str]:
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise WitnessError(f"{address}: addresses need: pip install 'trialwitness[cluster]'") from error
    try:
        fs, root = url_to_fs(address)
    except (ValueError, ImportError) as error:
        raise WitnessError(f"{address} cannot be opened: {error}") from error
    return fs, root.rstrip("/")


def _identity(told: list[Any]) -> str:
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()

"""What is kept of a record has to fit: the record's files, and the modules of the program that made it."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

import monitor
from monitor.archive.cache_seal import key_mark
from monitor.record.places import SEALED_NAME, find_parts

JUDGING = ("monitor.archive.review", "monitor.archive.summary")
"""Load all that has a part in judging a record, from its bytes on, and in what is kept of its trials."""
MEASURING = ("monitor.judging.case.drive", "monitor.judging.case.frame_tables", "monitor.archive.kept.layout")
TAKING = "monitor.judging.session"
"""Says which frames are judged, in which drive; of what it loads, `MEASURING` alone has a part in columns."""

_IMPORT = re.compile(r"^\s*(?:from (monitor[\w.]*) import (\([^)]*\)|[^\n]*)|import (monitor[\w.]*))", re.MULTILINE)


@lru_cache(maxsize=8)
def modules_of(*names: str) -> tuple[str, ...]:
    """The modules of this program that these load, they themselves included, by name. An import inside a function
    counts, too: what is loaded late may decide all the same."""
    found: set[str] = set()
    looked_at = {"", "monitor"}
    wanted = list(names)
    while wanted:
        name = wanted.pop()
        if name in looked_at:
            continue
        looked_at.add(name)
        if (file := _file_of(name)) is None:
            continue
        found.add(name)
        wanted.append(name.rpartition(".")[0])  # a package's own file is loaded before its modules
        for source, imported, whole in _IMPORT.findall(file.read_text(encoding="utf-8")):
            wanted.append(whole or source)
            wanted += [f"{source}.{one}" for one in re.findall(r"\w+", imported)]
    return tuple(sorted(found))


@lru_cache(maxsize=8)
def digest_of(*names: str) -> str:
    """Digest of the sources of all modules that these load, and of numpy's version."""
    return _digest(modules_of(*names))


def program_digest() -> str:
    """Digest of all that has a part in judging: the key of trials."""
    return digest_of(*JUDGING)


@lru_cache(maxsize=1)
def columns_digest() -> str:
    """Digest of all that has a part in decoding and measuring: the key of columns."""
    return _digest((*modules_of(*MEASURING), TAKING))


def _digest(modules: Iterable[str]) -> str:
    digest = hashlib.sha256(f"numpy {np.__version__}".encode())
    for name in modules:
        file = _file_of(name)
        assert file is not None
        digest.update(name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()


def columns_fit(path: Path, digest: str) -> dict[str, Any]:
    """What the kept columns of a record with this digest have to have been made of, and by, and under which key."""
    files = {}
    for file in record_files(path):
        state = file.stat()
        files[file.name] = [state.st_size, state.st_mtime_ns]
    return {"program": columns_digest(), "digest": digest, "files": files, "key": key_mark()}


def record_files(path: Path) -> Iterator[Path]:
    """The files that hold a record's entries."""
    if (path / SEALED_NAME).is_file():
        yield path / SEALED_NAME
    for kind in ("part", "addendum"):
        yield from (file for _, file in find_parts(path, kind))


def file_digest(file: Path) -> str:
    """SHA-256 of a record's file, hex; empty for what is no regular file, of which nothing is read."""
    if not file.is_file():
        return ""
    with file.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()


def _file_of(name: str) -> Path | None:
    """The source file of a module or package of this program; None for anything else."""
    place = Path(monitor.__file__).parent.joinpath(*name.split(".")[1:])
    return next((file for file in (place.with_suffix(".py"), place / "__init__.py") if file.is_file()), None)

"""What a cache of a record has to fit: the record's files, and the program that made it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import numpy as np

import monitor
from monitor import __version__
from monitor.record.places import SEALED_NAME, find_parts

LEFT_OUT = ("commands", "screens", "simulation", "recorder")
"""Folders that have no part in judging; `tests/test_imports.py` holds that judging loads none of them."""


def judging_sources() -> list[Path]:
    """The source files of all that has a part in judging, at any depth, in a fixed order."""
    root = Path(monitor.__file__).parent
    return [file for file in sorted(root.rglob("*.py")) if file.relative_to(root).parts[0] not in LEFT_OUT]


@lru_cache(maxsize=1)
def program_digest() -> str:
    """Digest of the version and the sources of all that has a part in judging, and of numpy's version."""
    digest = hashlib.sha256(f"{__version__} {np.__version__}".encode())
    for file in judging_sources():
        digest.update(file.read_bytes())
    return digest.hexdigest()


def record_files(path: Path) -> Iterator[Path]:
    """The files that hold a record's entries."""
    if (path / SEALED_NAME).is_file():
        yield path / SEALED_NAME
    for kind in ("part", "addendum"):
        yield from (file for _, file in find_parts(path, kind))

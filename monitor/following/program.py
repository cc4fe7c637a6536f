"""What a cache of a record has to fit: the record's files, and the program that made it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import monitor
from monitor import __version__
from monitor.record.parts import SEALED_NAME, find_parts

SOURCE_FOLDERS = ("feed", "record", "measures", "study", "judging", "following", "reports")


@lru_cache(maxsize=1)
def program_digest() -> str:
    """Digest of version and source of all that has a part in judging."""
    digest = hashlib.sha256(__version__.encode())
    root = Path(monitor.__file__).parent
    for folder in SOURCE_FOLDERS:
        for file in sorted((root / folder).glob("*.py")):
            digest.update(file.read_bytes())
    return digest.hexdigest()


def record_files(path: Path) -> Iterator[Path]:
    """The files that hold a record's entries."""
    if (path / SEALED_NAME).is_file():
        yield path / SEALED_NAME
    for kind in ("part", "addendum"):
        yield from (file for _, file in find_parts(path, kind))

"""Where a record that was left unclosed can be gone on with."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.errors import RecordUnreadable
from monitor.record.disk import RecordNotWritable
from monitor.record.entries import Entry
from monitor.record.places import refuse_unsure_places
from monitor.record.reader import RecordFiles
from monitor.record.sources import find_opening, newest


@dataclass(frozen=True, slots=True)
class LastGood:
    """Number and digest of the last whole entry, and what the next part needs besides."""

    number: int
    digest: bytes
    next_part: int
    record_id: bytes
    opening: tuple[Entry, bytes] | None = None
    torn: dict[str, Any] | None = None
    """Where an unfinished entry was left: {"part", "offset", "bytes"}."""


def last_good(directory: Path, *, sure: bool = False) -> LastGood:
    """Raises `RecordNotWritable` for a closed or sealed record, `RecordUnreadable` where nothing whole is found.

    `sure`: also where a place of the record cannot be reached, which may hold later entries.
    """
    files = RecordFiles(directory)
    if sure:
        refuse_unsure_places(files.places, "closed")
    if sure and files.unread:
        raise RecordNotWritable(f"{directory} is not closed: {' '.join(files.unread.values())}")
    if files.state != "open":
        raise RecordNotWritable(f"{directory} is {files.state}; a closed run is not gone on with: begin a new one.")
    last = newest(files.sources)
    if last is None:
        raise RecordUnreadable(f"{directory} has no whole entry; nothing can be gone on with: begin a new run.")
    headers = [source.header for source in files.sources if source.header is not None]
    final = files.sources[-1]
    torn = None
    if files.torn:
        part, tail = files.torn[-1]
        torn = {"part": part, "offset": tail.offset, "bytes": tail.length} if part == final.number else None
    return LastGood(
        number=last.entry.number,
        digest=last.digest,
        next_part=max((final.number, *files.unread)) + 1,
        record_id=headers[0].record_id if headers else secrets.token_bytes(16),
        opening=find_opening(files.sources),
        torn=torn,
    )

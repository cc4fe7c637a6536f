"""What stays of a record whose participant withdrew: `tombstone.json`, which holds no data."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from monitor.errors import RecordUnreadable
from monitor.named_files import UNFINISHED
from monitor.record.disk import read_small
from monitor.record.places import SECOND_NAME, TOMBSTONE_NAME

ADVERSE_NAME = "adverse-events.json"
"""What the facility's protocol keeps of a withdrawn participant, where it says so."""
MOST_BYTES = 1 << 16


class RecordWithdrawn(RecordUnreadable):
    """Raised for a record of which only the tombstone is left, or will be."""


def read_tombstone(path: Path) -> dict[str, Any] | None:
    """The tombstone of a withdrawn record; None for any other one. Raises `RecordUnreadable` where that cannot be told.

    {"withdrawn_at", "by", "digest", "entries", "missing_parts": numbers of parts that were not there to be erased}, and
    of this version's: {"study", "group": as planned, "record": id in hex, "scope", "pending": places not reached}.
    """
    try:
        raw = read_small(path / TOMBSTONE_NAME, MOST_BYTES)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        raise RecordUnreadable(f"{path}: {TOMBSTONE_NAME} cannot be read: {error.strerror or error}.") from error
    try:
        fields = json.loads(raw)
    except (ValueError, RecursionError):
        fields = None
    if not isinstance(fields, dict) or not isinstance(fields.get("withdrawn_at"), str):
        raise RecordUnreadable(
            f"{path}: {TOMBSTONE_NAME} is none that this program wrote, so that nothing says whether consent was "
            "withdrawn; withdraw the record once more, or take that file away."
        )
    return fields


def left_of(path: Path, tombstone: dict[str, Any]) -> list[str]:
    """What is still to be erased of a withdrawn record: names in its directory, and places that were not reached."""
    kept = {TOMBSTONE_NAME}
    if tombstone.get("scope") == "analysed":
        kept.add(ADVERSE_NAME)
    pending = [str(place) for place in _listed(tombstone.get("pending"))]
    if pending:
        kept.add(SECOND_NAME)
    try:
        names = sorted(set(os.listdir(path)) - kept)
    except OSError as error:
        raise RecordUnreadable(f"{path} cannot be read: {error.strerror or error}.") from error
    return [name for name in names if name != TOMBSTONE_NAME + UNFINISHED] + pending


def refuse_withdrawn(path: Path) -> None:
    """Raises `RecordWithdrawn` where a tombstone stands in the record."""
    tombstone = read_tombstone(path)
    if tombstone is None:
        return
    date, left = tombstone["withdrawn_at"], left_of(path, tombstone)
    if left:
        raise RecordWithdrawn(
            f"{path}: consent was withdrawn on {date}, and erasing it is not finished ({', '.join(left[:3])}"
            f"{f' and {len(left) - 3} more' if len(left) > 3 else ''}); run withdraw once more. It cannot be read."
        )
    raise RecordWithdrawn(f"{path}: consent was withdrawn on {date}; the record was erased and cannot be read.")


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []

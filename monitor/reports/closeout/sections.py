"""What a report in words consists of: sections of sentences and tables, printed or written in one of several forms."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime


@dataclass(frozen=True, slots=True)
class Table:
    """Cells under a heading; the first column begins at the left."""

    heading: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Section:
    """A heading, then sentences, then a table. `level` 1 is the report's own heading."""

    level: int
    heading: str
    sentences: tuple[str, ...] = ()
    table: Table | None = None


def minute(wall: float) -> str:
    """A wall clock's time as "2026-11-28 14:05", UTC; "not known" for none."""
    return datetime.fromtimestamp(wall, UTC).strftime("%Y-%m-%d %H:%M") if wall else "not known"

"""Values as the cells of a table of text: times, numbers, and texts that nobody obeys."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Literal

from monitor.feed.limits import harmless, is_date


def utc(wall: float | None, to: Literal["seconds", "milliseconds"] = "seconds") -> str:
    """A wall clock's time as text, UTC; empty for none."""
    if wall is None or not is_date(wall):
        return ""
    return datetime.fromtimestamp(wall, UTC).isoformat(timespec=to).replace("+00:00", "Z")


def cell(value: Any, empty: str) -> str:
    """A value as a table's cell: the shortest text that is the same number again; 1 and 0 for yes and no."""
    if value is None or value == "":
        return empty
    if isinstance(value, bool):
        return "1" if value else "0"
    if isinstance(value, float):
        return repr(round(value, 9)) if math.isfinite(value) else empty
    return plain_text(value) if isinstance(value, str) else str(value)


def plain_text(text: str) -> str:
    """A text in one line, without what a terminal or a spreadsheet would obey as a control character."""
    return "".join(one if one.isprintable() else "\N{REPLACEMENT CHARACTER}" for one in " ".join(text.split()))


def plain_cells(row: Mapping[str, Any], names: list[str], empty: str = "") -> list[str]:
    """The cells of a row in the order of the columns."""
    return [harmless(cell(row.get(name), empty)) for name in names]

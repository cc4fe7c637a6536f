"""How a table of text is written: which line has the names, what parts the columns, which mark a decimal has."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, field
from pathlib import Path

from monitor.connect.channel_map.units import unit_named
from monitor.errors import WitnessError
from monitor.named_files import read_named

LINES_LOOKED_AT = 60
LONGEST = 1 << 20
DELIMITERS = ("\t", ";", ",", "|")
_NUMBER = re.compile(r"[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?")
_COMMA_NUMBER = re.compile(r"[-+]?\d*,\d+([eE][-+]?\d+)?")


@dataclass(frozen=True, slots=True)
class Table:
    """A table as it is written. `source`: lines of a map's [source]; `units`: name → what its line of units says."""

    source: list[str]
    names: list[str]
    units: dict[str, str] = field(default_factory=dict)


def look_at_table(path: Path) -> Table:
    """Tells the form of a file from its first lines. Raises `WitnessError` where it cannot be read or is no table."""
    try:
        with read_named(path, "utf-8-sig", "replace") as file:
            lines = [line for _ in range(LINES_LOOKED_AT) if (line := file.readline(LONGEST))]
    except OSError as error:
        raise WitnessError(f"{path} cannot be read: {error.strerror or error}.") from error
    found = max((_as_parted(lines, delimiter) for delimiter in DELIMITERS), key=lambda one: one[0], default=None)
    if found is None or not found[0]:
        raise WitnessError(
            f"{path}: none of its first {LINES_LOOKED_AT} lines holds names of columns with values below."
        )
    _, delimiter, skipped, rows = found
    names = [name.strip() for name in rows[0]]
    has_units = len(rows) > 2 and not _numbers(rows[1]) and _numbers(rows[2]) > 0 and _units(rows[1])
    body = rows[2:] if has_units else rows[1:]
    comma = delimiter != "," and any(_COMMA_NUMBER.fullmatch(cell.strip()) for row in body for cell in row)
    shown = "\\t" if delimiter == "\t" else delimiter
    source = ['kind = "csv"', f'delimiter = "{shown}"', f'decimal = "{"," if comma else "."}"']
    source += [f"skip_lines = {skipped}"] if skipped else []
    source += ["units_line = true"] if has_units else []
    units = {name: cell.strip(" []()") for name, cell in zip(names, rows[1], strict=False)} if has_units else {}
    return Table(source, names, units)


def _as_parted(lines: list[str], delimiter: str) -> tuple[int, str, int, list[list[str]]]:
    """How many lines form a table if the delimiter parts the columns, the delimiter, the lines before, and its rows.

    The line of names is the first that has no number in it and at least as many columns as the next lines.
    """
    try:
        rows = list(csv.reader(lines, delimiter=delimiter))
    except csv.Error:
        return 0, delimiter, 0, []
    for index, row in enumerate(rows[:-1]):
        if len(row) < 2 or _numbers(row) or not all(cell.strip() for cell in row):
            continue
        below = [one for one in rows[index + 1 :] if len(one) == len(row)]
        if any(_numbers(one) for one in below[:3]):
            return len(below) * len(row), delimiter, index, [row, *below]
    return 0, delimiter, 0, []


def _numbers(row: list[str]) -> int:
    return sum(_NUMBER.fullmatch(cell.strip()) is not None for cell in row)


def _units(row: list[str]) -> bool:
    """Whether most cells of a row that say something are units."""
    cells = [cell.strip(" []()") for cell in row if cell.strip()]
    return bool(cells) and sum(unit_named(cell) is not None for cell in cells) > 0.5 * len(cells)

"""A close-out in two forms: for the terminal, and as Markdown for the session's folder."""

from __future__ import annotations

import re
from collections.abc import Sequence

from monitor.reports.closeout.sections import Section, Table
from monitor.reports.drawing import WIDTH, wrapped

GAP = 2


def terminal_lines(sections: Sequence[Section]) -> list[str]:
    """At most 80 columns wide; what does not fit into a table's column goes on in the next line."""
    lines: list[str] = []
    for section in sections:
        if section.level > 1:
            lines.append("")
        lines += wrapped(section.heading)
        for sentence in section.sentences:
            lines += wrapped(sentence, "  ", "    ")
        if section.table is not None:
            lines += _table_lines(section.table)
    return lines


def markdown(sections: Sequence[Section]) -> str:
    """The same as a Markdown document; nothing that the operator wrote is taken for markup."""
    parts = []
    for section in sections:
        parts.append(f"{'#' * section.level} {_plain(section.heading)}")
        if section.sentences:
            parts.append("\n".join(f"- {_plain(sentence)}" for sentence in section.sentences))
        if section.table is not None:
            rows = [section.table.heading, tuple("---" for _ in section.table.heading)]
            texts = ["| " + " | ".join(rows[0]) + " |", "|" + "|".join(rows[1]) + "|"]
            texts += ["| " + " | ".join(_plain(cell) for cell in row) + " |" for row in section.table.rows]
            parts.append("\n".join(texts))
    return "\n\n".join(parts) + "\n"


def _plain(text: str) -> str:
    """Text with the letters escaped that Markdown would take for markup."""
    flat = " ".join(text.split())
    return re.sub(r"([\\`*_\[\]<>|#~&])", r"\\\1", flat)


def _table_lines(table: Table) -> list[str]:
    rows = [table.heading, *table.rows] if any(table.heading) else list(table.rows)
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))] if rows else []
    room = WIDTH - GAP * len(widths)
    while sum(widths) > room:  # the widest column gives way, and its cells are wrapped
        widest = widths.index(max(widths))
        widths[widest] = max(8, widths[widest] - (sum(widths) - room))
        if max(widths) <= 8:
            break
    lines = []
    for row in rows:
        cells = [wrapped(cell, width=width) for cell, width in zip(row, widths, strict=True)]
        for place in range(max(len(cell) for cell in cells)):
            texts = [cell[place] if place < len(cell) else "" for cell in cells]
            padded = "".join(" " * GAP + text.ljust(width) for text, width in zip(texts, widths, strict=True))
            lines.append(padded.rstrip())
    return lines

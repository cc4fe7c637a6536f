"""Small pictures of block characters, and text that fits a terminal's width."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

WIDTH = 80
EIGHTHS = " ▁▂▃▄▅▆▇█"
LEFT_EIGHTHS = " ▏▎▍▌▋▊▉█"


def bars(heights: Sequence[float], rows: int) -> list[str]:
    """Columns of the given heights (0 … 1) as `rows` lines, the top line first; each row has eight steps.

    A height above 0 shows at least the lowest step.
    """
    steps = [max(1, round(min(height, 1.0) * rows * 8)) if height > 0 else 0 for height in heights]
    return ["".join(EIGHTHS[min(max(one - 8 * row, 0), 8)] for one in steps) for row in range(rows - 1, -1, -1)]


def level(share: float, width: int) -> str:
    """A lying bar for a share (0 … 1), exactly `width` wide."""
    steps = round(min(max(share, 0.0), 1.0) * width * 8)
    full, rest = divmod(steps, 8)
    return ("█" * full + (LEFT_EIGHTHS[rest] if rest else "")).ljust(width)


def wrapped(text: str, indent: str = "", hanging: str | None = None, width: int = WIDTH) -> list[str]:
    """A text in lines of at most `width`; further lines begin with `hanging`."""
    further = indent if hanging is None else hanging
    return textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=further, break_on_hyphens=False) or [
        indent.rstrip()
    ]


def cut(text: str, width: int) -> str:
    """A text at most `width` long, with an ellipsis where it was longer."""
    return text if len(text) <= width else text[: width - 1] + "…"


def columns(rows: Iterable[Sequence[str]], widths: Sequence[int], left: int = 1) -> list[str]:
    """Rows of cells in columns: the first `left` of them begin at the left, the others end at the right."""
    return [
        "".join(
            cut(cell, width).ljust(width) if place < left else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]

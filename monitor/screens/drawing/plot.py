"""One plot of a stack under a common time axis: range, band, lines, letters of what happened, the axis itself."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.following.view import TimelineMark
from monitor.following.words import value_text
from monitor.measures.columns import FloatArray
from monitor.screens.drawing.canvas import Canvas, clean
from monitor.screens.drawing.marks import TIMELINE_LETTERS
from monitor.screens.drawing.trace import Area, Trace, draw_trace, draw_vertical, nice_range
from monitor.study.band import Band

GUTTER = 9
"""Columns left of a plot, for its range."""

LETTERS = {**TIMELINE_LETTERS, "expected": "E", "collision": "C", "release": "R", "brake": "B", "steering": "W"}


def range_of(values: Sequence[FloatArray], band: Band | None = None, *, most: float = np.inf) -> tuple[float, float]:
    """A range of round numbers about the values, and the band's edges where these are not far off. The values beyond
    `most` are left out: far above what anybody asks for, they would press the rest to a line."""
    value = np.concatenate(list(values))
    value = value[np.isfinite(value)]
    if not len(value):
        return 0.0, 1.0
    low, high = float(value.min()), float(value.max())
    high = min(high, max(low + 1.0, most))
    if band is not None:
        for edge in (one for part in band.parts for one in part):
            if np.isfinite(edge) and low - (high - low) - 0.5 <= edge <= high + (high - low) + 0.5:
                low, high = min(low, edge), max(high, edge)
    return nice_range(low, high)


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Lines over one time axis: times and values of shape (n,), their unit, the time between frames, the band."""

    t: FloatArray
    values: Sequence[FloatArray]
    unit: str
    period_s: float
    band: Band | None = None


def draw_lines(canvas: Canvas, area: Area, lines: Lines, marks: Sequence[float]) -> None:
    """The range in the gutter, the band, the lines (all but the first dashed), and where something happened."""
    if lines.band is not None:
        draw_band(canvas, area, lines.band)
    canvas.put_right(area.x - 1, area.y, value_text(area.high, lines.unit), "dim")
    if area.rows > 1:
        canvas.put_right(area.x - 1, area.y + area.rows - 1, value_text(area.low, lines.unit), "dim")
    for place, value in enumerate(lines.values):
        draw_trace(canvas, area, Trace(lines.t, value, 1.5 * lines.period_s, dashed=place > 0))
    for at in marks:
        draw_vertical(canvas, area, at, "╎", None)


def draw_band(canvas: Canvas, area: Area, band: Band) -> None:
    """The rows of the band, and a heavy line beside them."""
    for bottom, top in band.parts:
        if top < area.low or bottom > area.high:
            continue
        for y in range(area.row_of(min(top, area.high)), area.row_of(max(bottom, area.low)) + 1):
            canvas.fill(area.x, y, area.width, "band")
            canvas.put(area.x - 1, y, "┃", "strong")


def draw_letters(canvas: Canvas, area: Area, y: int, marks: Sequence[TimelineMark], *, labelled: bool) -> None:
    """Letters where something happened, with their labels where there is room and `labelled`."""
    placed = [(at, mark) for mark in marks if (at := area.column_of(mark.t)) is not None]
    ends = [*(at for at, _ in placed[1:]), canvas.width][: len(placed)]
    for (at, mark), end in zip(placed, ends, strict=True):
        label = clean(mark.label) if labelled and end - at > 8 else ""
        canvas.put(at, y, f"{LETTERS.get(mark.kind, '?')} {label}".rstrip(), "strong", width=max(end - at - 1, 1))


def draw_time_axis(
    canvas: Canvas, area: Area, y: int, words: Callable[[float], str], ticks: Sequence[float] | None = None
) -> None:
    """The line below the plots with a time at each of `ticks`, or at each quarter and at the end."""
    canvas.fill(area.x, y, area.width, "dim", "─")
    if ticks is None:
        shares = (0.0, 0.25, 0.5, 0.75) if area.width >= 60 else (0.0, 0.5)
        ticks = [area.start_t + share * (area.end_t - area.start_t) for share in shares]
        canvas.put_right(area.x + area.width, y, words(area.end_t), "dim")
    for t in ticks:
        column, said = area.column_of(t), f"└{words(t)}"
        if column is not None and column + len(said) <= area.x + area.width:
            canvas.put(column, y, said, "dim")

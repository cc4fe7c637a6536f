"""A line through numbers in braille dots, two dots wide and four high in each cell; gaps stay gaps."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.measures.columns import FloatArray
from monitor.screens.drawing.canvas import Canvas

_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
_FIRST = 0x2800


@dataclass(frozen=True, slots=True)
class Area:
    """Cells of a canvas that stand for a time and a range of values."""

    x: int
    y: int
    width: int
    rows: int
    start_t: float
    end_t: float
    low: float
    high: float

    def column_of(self, t: float) -> int | None:
        """The canvas column of a time, None outside."""
        if not self.start_t <= t <= self.end_t or self.end_t <= self.start_t:
            return None
        return self.x + min(int((t - self.start_t) / (self.end_t - self.start_t) * self.width), self.width - 1)

    def time_of(self, column: int) -> float:
        """The time in the middle of a column counted from the area's left edge."""
        return self.start_t + (column + 0.5) / max(self.width, 1) * (self.end_t - self.start_t)

    def row_of(self, value: float) -> int:
        """The canvas row of a value, clipped."""
        return self.y + min(max(int(self.dot_of(value)) // 4, 0), self.rows - 1)

    def dot_of(self, value: float) -> float:
        """Dots from the top, not clipped."""
        return (self.high - value) / (self.high - self.low) * (self.rows * 4 - 1)


def nice_range(low: float, high: float) -> tuple[float, float]:
    """A range about low … high whose ends are round numbers; never empty."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return 0.0, 1.0
    if high - low < 1e-9:
        middle, half = low, max(abs(low) * 0.05, 0.05)
        low, high = middle - half, middle + half
    step = 10.0 ** math.floor(math.log10((high - low) / 2.0))
    step *= next(factor for factor in (1, 2, 5, 10) if (high - low) / (step * factor) <= 8)
    return math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A line: times and values of shape (n,). Frames further apart than `gap_s` break it, in s; a dashed line has every
    other pair of dots only."""

    t: FloatArray
    value: FloatArray
    gap_s: float
    dashed: bool = False


def draw_trace(canvas: Canvas, area: Area, trace: Trace) -> None:
    """Draws the line. Frames without a number break it, too; what lies outside the range is left out."""
    t, value = trace.t, trace.value
    columns = area.width * 2
    if columns <= 0 or area.rows <= 0 or not len(t) or area.end_t <= area.start_t:
        return
    column = np.floor((t - area.start_t) / (area.end_t - area.start_t) * columns).astype(np.int64)
    column = np.minimum(column, columns - 1)
    bits: dict[tuple[int, int], int] = {}
    last: tuple[int, float, float] | None = None
    for index in np.flatnonzero(np.isfinite(value) & (t >= area.start_t) & (t <= area.end_t)):
        place, dot = int(column[index]), area.dot_of(float(value[index]))
        before = last
        last = (place, dot, float(t[index]))
        if before is None or t[index] - before[2] > trace.gap_s:
            before = last
        for across in range(before[0], place + 1):
            share = 1.0 if place == before[0] else (across - before[0]) / (place - before[0])
            here = before[1] + (dot - before[1]) * share
            first, final = (here, here) if place != before[0] else (before[1], dot)
            if trace.dashed and across // 2 % 2:
                continue
            for down in range(round(min(first, final)), round(max(first, final)) + 1):
                if 0 <= down < area.rows * 4:
                    cell = (down // 4, across // 2)
                    bits[cell] = bits.get(cell, 0) | _DOTS[down % 4][across % 2]
    for (row, across), pattern in bits.items():
        x, y = area.x + across, area.y + row
        known = canvas.chars[y][x]
        both = ord(known) - _FIRST if len(known) == 1 and _FIRST <= ord(known) < _FIRST + 256 else 0
        canvas.put(x, y, chr(_FIRST + (pattern | both)), canvas.roles[y][x])


def draw_vertical(canvas: Canvas, area: Area, t: float, char: str, role: str | None) -> None:
    """A vertical line at a time, behind what is drawn there already; without a role it is pale, and keeps a band's
    ground."""
    x = area.column_of(t)
    if x is None:
        return
    for y in range(area.y, area.y + area.rows):
        if canvas.chars[y][x] in (" ", "┆", "╎"):
            canvas.put(x, y, char, role or ("band" if canvas.roles[y][x] == "band" else "dim"))

"""The last 60 s of a number, with its band drawn in.

A strip is laid out by the band: the rows of the band are the same rows in every strip, whatever the unit, so the eye
looks for one thing only (is the line in the tinted rows?). Inside the band the scale is linear; beyond each edge it is
linear, too, up to a limit that doubles when the line needs it. Which side of an edge a value is on is never rounded.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from monitor.following.view import StripView
from monitor.following.words import value_text
from monitor.measures.columns import FloatArray
from monitor.screens.drawing.canvas import Canvas
from monitor.study.band import Band

SPAN_S = 60.0
GUTTER = 6
FAR_S = 30.0
"""Without a band a time (TTC when barely closing) beyond this is drawn at the top: 600 s would flatten all else."""
SHORT_S = 0.75
"""Columns shorter than this move on in pairs."""

_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))


@dataclass(frozen=True, slots=True)
class Scale:
    """Value to dots from the top, clipped at the ends. `low` to `high` takes the rows of the band.

    A value outside the band, however little, is never rounded onto the band's rows.
    """

    least: float
    low: float
    high: float
    most: float
    rows: int
    first: int
    """First row of the band …"""
    after: int
    """… and the first row after it."""
    banded: bool = True

    def row_of(self, value: FloatArray) -> FloatArray:
        """Dots from the top; NaN stays NaN."""
        bottom = self.rows * 4 - 1
        inside = np.interp(value, (self.low, self.high), (self.after * 4 - 1, self.first * 4))
        above = np.interp(value, (self.high, self.most), (self.first * 4 - 1, 0))
        below = np.interp(value, (self.least, self.low), (bottom, self.after * 4))
        dots = np.where(value > self.high, above, np.where(value < self.low, below, inside))
        return np.clip(dots, 0, bottom)


def limit_beyond(edge: float, reach: float, step: float) -> float:
    """How far a strip reaches beyond an edge: the step doubled until `reach` is inside, so that it seldom changes."""
    need = abs(reach - edge)
    if need <= step or not math.isfinite(need):
        return step
    return float(step * 2.0 ** min(8, math.ceil(math.log2(need / step))))


def scale_for(band: Band | None, value: FloatArray, rows: int) -> Scale:
    """The scale of a strip of so many rows over these values."""
    known = value[np.isfinite(value)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
    if band is None or (band.at_least is None and band.at_most is None):
        half = max((high - low) / 2, 0.05, abs(high) * 0.02)
        half = 0.05 * 2.0 ** math.ceil(math.log2(half / 0.05))
        middle = round((low + high) / 2 / half) * half
        low, high = min(low, middle - half), max(high, middle + half)
        return Scale(low, low, high, high, rows, 0, rows, banded=False)
    if band.at_least is not None and band.at_most is not None:
        outside = max(1, rows // 4) if rows > 3 else 1
        step = max(band.at_most - band.at_least, 1e-6)
        least = band.at_least - limit_beyond(band.at_least, min(low, band.at_least), step)
        most = band.at_most + limit_beyond(band.at_most, max(high, band.at_most), step)
        return Scale(least, band.at_least, band.at_most, most, rows, outside, max(outside + 1, rows - outside))
    outside = max(1, rows // 3)
    if band.at_least is not None:
        step = abs(band.at_least) / 2 or 1.0
        reach = band.at_least + limit_beyond(band.at_least, max(high, band.at_least), step * 2)
        least = band.at_least - limit_beyond(band.at_least, min(low, band.at_least), step)
        return Scale(least, band.at_least, reach, reach, rows, 0, max(1, rows - outside))
    assert band.at_most is not None
    step = abs(band.at_most) / 2 or 1.0
    most = band.at_most + limit_beyond(band.at_most, max(high, band.at_most), step)
    reach = band.at_most - limit_beyond(band.at_most, min(low, band.at_most), step * 2)
    return Scale(reach, reach, band.at_most, most, rows, outside, rows)


def columns_of(t: FloatArray, value: FloatArray, now_s: float, width: int) -> tuple[FloatArray, FloatArray]:
    """Least and greatest value in each of `width` dot columns, NaN where there is none.

    Columns begin at whole multiples of their own length and only whole ones are drawn (whole pairs where they are
    short), so that the strip moves on about once a second and not with every frame: a sixth of the bytes on the line.
    The number above the strip is always of now.
    """
    low = np.full(width, np.nan)
    high = np.full(width, np.nan)
    if width <= 0 or not t.size:
        return low, high
    length_s = SPAN_S / width
    newest = math.floor(now_s / length_s) - 1
    if length_s < SHORT_S:
        newest -= (newest + 1) % 2
    column = np.floor(t / length_s).astype(np.int64) - (newest - width + 1)
    inside = (column >= 0) & (column < width) & np.isfinite(value)
    column, value = column[inside], value[inside]
    np.fmin.at(low, column, value)
    np.fmax.at(high, column, value)
    return low, high


def draw_strip(
    size: tuple[int, int], strip: StripView | None, unit: str, now_s: float | None, *, old: bool = False
) -> Canvas:
    """A strip of (width, rows) cells with its gutter: the band's edges with their values, heavy beside the band.

    An `old` one (the feed is silent) is drawn pale and without the band's tint.
    """
    canvas = Canvas(*size)
    wide = canvas.width - GUTTER
    if canvas.height < 2 or wide < 4:
        return canvas
    if strip is None or now_s is None:
        canvas.fill(GUTTER, canvas.height // 2, wide, "dim", "┄")
        return canvas
    low, high = columns_of(strip.t, strip.value, now_s, wide * 2)
    if unit == "s" and strip.band is None:
        low, high = np.minimum(low, FAR_S), np.minimum(high, FAR_S)
    draw_columns(canvas, DotColumns(low, high, strip.band, unit), old=old)
    return canvas


@dataclass(frozen=True, slots=True, eq=False)
class DotColumns:
    """A line by its least and greatest value in each column of dots, shapes (n,), NaN where there is none."""

    low: FloatArray
    high: FloatArray
    band: Band | None
    unit: str


def draw_columns(canvas: Canvas, line: DotColumns, *, old: bool) -> None:
    """Draws a line over the whole canvas, its gutter to the left."""
    wide = canvas.width - GUTTER
    scale = scale_for(line.band, np.concatenate([line.low, line.high]), canvas.height)
    for row in range(scale.first, scale.after) if scale.banded else ():
        canvas.fill(GUTTER, row, wide, "dim" if old else "band")
        canvas.put(GUTTER - 1, row, "┃", "strong")
    _gutter(canvas, scale, line)
    if old:
        for row in range(canvas.height):
            canvas.paint(row, "dim", GUTTER, wide)
    for row, column, pattern in _dots(line.low.tobytes(), line.high.tobytes(), scale):
        canvas.put(GUTTER + column, row, chr(0x2800 + pattern), canvas.roles[row][GUTTER + column])


def _gutter(canvas: Canvas, scale: Scale, line: DotColumns) -> None:
    end, band = GUTTER - 1, line.band
    if not scale.banded or band is None:
        canvas.put_right(end, 0, value_text(scale.high, line.unit), "dim")
        canvas.put_right(end, canvas.height - 1, value_text(scale.low, line.unit), "dim")
        return
    if band.at_most is not None:
        canvas.put_right(end, scale.first - 1, value_text(band.at_most, line.unit), "dim")
        canvas.put(end, scale.first - 1, "┬", "dim")
    if band.at_least is not None:
        canvas.put_right(end, scale.after, value_text(band.at_least, line.unit), "dim")
        canvas.put(end, scale.after, "┴", "dim")


@lru_cache(maxsize=16)
def _dots(low: bytes, high: bytes, scale: Scale) -> tuple[tuple[int, int, int], ...]:
    """Row, column and dots of every cell that the line touches; kept, because a strip changes once in five pictures."""
    top = scale.row_of(np.frombuffer(high, np.float64))
    bottom = scale.row_of(np.frombuffer(low, np.float64))
    bits: dict[tuple[int, int], int] = {}
    last: float | None = None
    for column in range(len(top)):
        if not math.isfinite(top[column]):
            last = None
            continue
        start, end = round(float(top[column])), round(float(bottom[column]))
        if last is not None:  # joined to the column before, so that a step reads as a line
            start, end = min(start, round(last)), max(end, round(last))
        last = float(top[column] + bottom[column]) / 2
        for dot in range(max(0, start), min(scale.rows * 4 - 1, end) + 1):
            cell = (dot // 4, column // 2)
            bits[cell] = bits.get(cell, 0) | _DOTS[dot % 4][column % 2]
    return tuple((row, column, pattern) for (row, column), pattern in bits.items())

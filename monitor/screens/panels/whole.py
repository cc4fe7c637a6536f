"""The large numbers over the whole drive, by the scale of the time line below them: what led to each letter on it.

The band is that of the coming trigger, else of the last one that had any; a line stands where a trigger fired.
"""

from __future__ import annotations

import numpy as np

from monitor.following.view import WholeStrip
from monitor.measures.columns import FloatArray
from monitor.screens.drawing.canvas import BLANK, Canvas, clean, fit
from monitor.screens.drawing.picture import Picture
from monitor.screens.panels.strips import FAR_S, GUTTER, DotColumns, draw_columns
from monitor.screens.panels.timeline import line_cells, line_length

LEAST_ROWS = 3
"""A band with both edges has a row above it and one below."""


def draw_whole(picture: Picture, width: int, height: int) -> Canvas:
    """A strip for each number, three rows or more."""
    canvas = Canvas(width, height)
    view = picture.view
    length_s = line_length(view.t, view.timeline)
    left, cells = line_cells(width, length_s)
    strips = view.whole[: height // LEAST_ROWS]
    if not strips or not len(strips[0].low) or cells < 10:
        canvas.put(1, 0, "THE DRIVE SO FAR", "strong")
        canvas.put(left, 0, "nothing measured yet", "dim")
        return canvas
    numbers = {number.measure: number for number in reversed(view.numbers)}
    y = 0
    for place, strip in enumerate(strips):
        rows = height // len(strips) + (place < height % len(strips))
        number = numbers.get(strip.measure)
        label = (clean(number.label) if number is not None else strip.measure).upper()
        canvas.put(1, y, fit(label, left - GUTTER - 2).rstrip(), "strong")
        canvas.lay(left - GUTTER, y, _strip(strip, (cells, rows), length_s, old=picture.old))
        y += rows
    for mark in view.timeline:
        if mark.kind == "trigger" and 0.0 <= mark.t < length_s:
            _upright(canvas, left + int(mark.t / length_s * cells))
    return canvas


def _upright(canvas: Canvas, x: int) -> None:
    for y in range(canvas.height):
        if canvas.chars[y][x] == BLANK:
            canvas.put(x, y, "┆", "band" if canvas.roles[y][x] == "band" else "dim")


def _strip(strip: WholeStrip, size: tuple[int, int], length_s: float, *, old: bool) -> Canvas:
    cells, rows = size
    low, high = columns_over(strip, cells * 2, length_s)
    if strip.unit == "s" and strip.band is None:
        low, high = np.minimum(low, FAR_S), np.minimum(high, FAR_S)
    canvas = Canvas(GUTTER + cells, rows)
    draw_columns(canvas, DotColumns(low, high, strip.band, strip.unit), old=old)
    return canvas


def columns_over(strip: WholeStrip, columns: int, length_s: float) -> tuple[FloatArray, FloatArray]:
    """Least and greatest value in each dot column of a line that stands for `length_s` seconds, NaN where there is
    none. A piece that is longer than a column fills all that it touches. Shapes (columns,)."""
    low, high = np.full(columns, np.nan), np.full(columns, np.nan)
    column_s = length_s / columns
    begin = np.arange(len(strip.low)) * strip.piece_s
    first = np.floor(begin / column_s).astype(np.int64)
    for more in range(max(1, int(np.ceil(strip.piece_s / column_s)))):
        column = first + more
        inside = (column < columns) & (column * column_s < begin + strip.piece_s)
        np.fmin.at(low, column[inside], strip.low[inside])
        np.fmax.at(high, column[inside], strip.high[inside])
    return low, high

"""Lane keeping over the whole drive, one row a measure: label and window, value, mark and band, and a strip of bars.

A bar fills half its cell at the band's edge, so that what stands above the half is out of the band, in any colours.
"""

from __future__ import annotations

import numpy as np

from monitor.following.view import SlowView
from monitor.following.words import band_text, clock, minutes_text, with_unit
from monitor.measures.columns import FloatArray
from monitor.screens.drawing.canvas import Canvas, fit
from monitor.screens.drawing.marks import RESULT_MARKS, RESULT_TONES
from monitor.screens.drawing.picture import Picture

BARS = " ▁▂▃▄▅▆▇█"
HALF = 4
LABEL, VALUE, STRIP = 1, 20, 57
"""Columns at which label, value and strip begin; in a narrow terminal the band's words are left out."""
NARROW_STRIP = 45


def draw_slow(picture: Picture, width: int, height: int) -> Canvas:
    """One row for each measure there is room for."""
    canvas = Canvas(width, height)
    if not picture.view.slow:
        canvas.put(LABEL, 0, "LANE KEEPING", "strong")
        canvas.put(VALUE, 0, "not measured yet: a value every ten seconds of the drive", "dim", width=width - VALUE - 1)
    for y, slow in enumerate(picture.view.slow[:height]):
        _row(canvas, y, slow, picture)
    return canvas


def _row(canvas: Canvas, y: int, slow: SlowView, picture: Picture) -> None:
    canvas.put(LABEL, y, slow.label, "strong")
    window = f"{slow.over_s:g} s" if slow.over_s < 120.0 else minutes_text(slow.over_s / 60.0, short=True)
    canvas.put_right(VALUE - 1, y, window, "dim")
    state = slow.state or picture.old_word or None
    said = state if state is not None else with_unit(float(slow.value[-1]), slow.unit)
    x = canvas.put(VALUE, y, fit(said, 12), "bad" if state and state == picture.old_word else "strong")
    if slow.result is not None and state is None:
        x = canvas.put(x, y, f"{RESULT_MARKS[slow.result]} {slow.result}", RESULT_TONES[slow.result]) + 1
    start = STRIP if canvas.width >= 100 else NARROW_STRIP
    if slow.band is not None:
        short = band_text(slow.band, slow.unit).replace("at least", "≥").replace("at most", "≤")
        if x + len(short) < start:
            canvas.put(x, y, short, "plain")
    end = f" {clock(float(slow.t[-1]), tenths=False)}"
    first = canvas.put(start, y, "0:00 ", "dim")
    cells = canvas.width - 1 - len(end) - first
    if cells < 4:
        return
    bars = bars_of(slow, cells)
    canvas.put(first, y, bars, "dim" if picture.old else "trace")
    canvas.put(first + cells, y, end, "dim")


def bars_of(slow: SlowView, cells: int) -> str:
    """The greatest value of each cell's time as a bar; a blank where there is none.

    A value stands for the time since the one before it: where cells are shorter than that it fills several of them.
    """
    end_t = max(float(slow.t[-1]), 1e-9)
    column = np.clip(np.ceil(slow.t / end_t * cells).astype(np.int64) - 1, 0, cells - 1)
    known = np.isfinite(slow.value)
    greatest = np.full(cells, np.nan)
    np.fmax.at(greatest, column[known], slow.value[known])
    spacing = float(np.diff(slow.t).min()) if len(slow.t) > 1 else end_t
    empty = np.setdiff1d(np.arange(cells), column)
    middle = (empty + 0.5) / cells * end_t
    after = np.minimum(np.searchsorted(slow.t, middle), len(slow.t) - 1)
    near = slow.t[after] - middle < spacing
    greatest[empty[near]] = slow.value[after[near]]
    return "".join(BARS[level] for level in levels_of(slow, greatest))


def levels_of(slow: SlowView, value: FloatArray) -> list[int]:
    """Eighths of a cell. With an upper edge that one is at the half, and nothing beyond it is drawn as low as that;
    without one the greatest value of all fills the cell. A value of zero is drawn as the least bar, not as none."""
    edge = slow.band.at_most if slow.band is not None else None
    known = slow.value[np.isfinite(slow.value)]
    most = float(known.max()) if len(known) else 1.0
    found = []
    for one in value.tolist():
        if np.isnan(one):
            found.append(0)
        elif edge is not None and edge > 0.0:
            inside = one <= edge
            level = one / edge * HALF if inside else HALF + (one - edge) / max(most - edge, 1e-9) * HALF
            found.append(int(min(max(round(level), 1), HALF)) if inside else int(min(max(round(level), HALF + 1), 8)))
        else:
            found.append(int(min(max(round(one / max(most, 1e-9) * 8), 1), 8)))
    return found

"""Plots about an instant: numbers under one time axis, a cursor that reads them, a second one that measures."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np

from monitor.errors import WitnessError
from monitor.following.words import clock, value_text
from monitor.measures.columns import BoolArray
from monitor.replay.provider import ReplayProvider
from monitor.replay.series import Series, SeriesStretch
from monitor.replay.table import write_table
from monitor.screens.drawing.canvas import Canvas, clean, fit
from monitor.screens.drawing.marks import TIMELINE_LETTERS
from monitor.screens.drawing.plot import GUTTER, Lines, draw_letters, draw_lines, draw_time_axis, range_of
from monitor.screens.drawing.trace import Area, draw_vertical
from monitor.screens.replay.page import Page, title_line

SPANS_S = (1.0, 2.0, 4.0, 10.0, 20.0, 40.0, 60.0)
LEAST_ROWS = 5
FAR_S = 20.0
"""A TTC beyond this is left out of a plot's range."""

PLOTS: tuple[tuple[str, ...], ...] = (
    ("time_gap",),
    ("speed", "lead.speed"),
    ("ttc",),
    ("lane_offset",),
    ("accelerator", "brake"),
    ("accel", "lead.accel"),
    ("distance_gap",),
    ("steering_angle",),
)


class _Titled(NamedTuple):
    """The numbers of one plot: those asked for, those that the record has; whether keys act on it."""

    names: list[str]
    series: list[Series]
    chosen: bool


class PlotsPage(Page):
    """Numbers of a drive about `at_t`; `go` moves the replay to a time of the drive."""

    keys = (
        ("←→", "cursor"),
        ("b", "second"),
        ("+ −", "span"),
        ("↑↓", "plot"),
        ("c", "number"),
        ("x", "CSV"),
        ("Enter", "replay here"),
    )

    def __init__(
        self, source: ReplayProvider, folder: Path, drive: int, at_t: float, *, go: Callable[[int, float], None]
    ) -> None:
        super().__init__(source, folder)
        self._drive = drive
        self._cursor_t = at_t
        self._second_t: float | None = None
        self._span = 3
        self._start_t = at_t - SPANS_S[self._span] / 2
        self._plots = [list(names) for names in PLOTS]
        self._chosen = 0
        self._first = 0
        self._shown = 1
        self._go = go
        self._last: SeriesStretch | None = None

    def stretch(self) -> SeriesStretch | None:
        """The numbers of the visible stretch; those shown last while new ones are being read."""
        span = SPANS_S[self._span]
        answer = self.source.series(self._drive, round(self._start_t, 3), round(self._start_t + span, 3))
        if answer.trouble:
            self.message = answer.trouble
        if isinstance(answer.value, SeriesStretch):
            self._last = answer.value
        return self._last

    def press(self, key: str, character: str | None) -> bool:
        """Cursors, span, which numbers, export, going there."""
        stretch = self._last
        if key in ("left", "right", "shift+left", "shift+right"):
            self._move_cursor((10 if key.startswith("shift") else 1) * (1 if key.endswith("right") else -1))
        elif key in ("up", "down"):
            self._chosen = min(max(self._chosen + (1 if key == "down" else -1), 0), len(self._plots) - 1)
            self._first = min(max(self._first, self._chosen - self._shown + 1), self._chosen)
        elif character in ("+", "-", "−", "="):
            self._span = min(max(self._span + (-1 if character in "+=" else 1), 0), len(SPANS_S) - 1)
            self._start_t = self._cursor_t - SPANS_S[self._span] / 2
        elif character == "b":
            self._second_t = None if self._second_t is not None else self._cursor_t
        elif character in ("c", "C") and stretch is not None:
            self._other_number(stretch, 1 if character == "c" else -1)
        elif character == "x" and stretch is not None:
            self._export(stretch)
        elif key == "enter":
            self._go(self._drive, self._cursor_t)
            self.dismiss(None)
        else:
            return False
        return True

    def _move_cursor(self, steps: int) -> None:
        """By columns of the plot, or by frames where these are wider; the stretch follows the cursor."""
        span = SPANS_S[self._span]
        period_s = self._last.period_s if self._last is not None else 1.0 / 60.0
        columns = max(self.size.width - GUTTER - 2, 1)
        self._cursor_t = max(self._cursor_t + steps * max(span / columns, period_s), 0.0)
        if self._last is not None and len(self._last.t):
            # on a frame: what is read is a frame's number, and no blend of two
            at = self._last.frame_at(self._cursor_t)
            if abs(float(self._last.t[at]) - self._cursor_t) <= period_s:
                self._cursor_t = float(self._last.t[at])
        if not self._start_t <= self._cursor_t <= self._start_t + span:
            self._start_t = self._cursor_t - span / 2

    def _other_number(self, stretch: SeriesStretch, step: int) -> None:
        names = [one.name for one in stretch.series]
        if not names:
            return
        now = self._plots[self._chosen][0]
        place = names.index(now) if now in names else -1
        self._plots[self._chosen] = [names[(place + step) % len(names)]]

    def _export(self, stretch: SeriesStretch) -> None:
        try:
            self.say(f"table: {write_table(self.folder, stretch)}")
        except WitnessError as error:
            self.say(str(error))

    def draw_page(self, canvas: Canvas, rows: int) -> None:
        """Title, as many plots as there is room for, marks, time axis."""
        stretch = self.stretch()
        start_t, end_t = self._start_t, self._start_t + SPANS_S[self._span]
        title_line(canvas, 0, f"PLOTS drive {self._drive}   {end_t - start_t:g} s   {self._cursor_words()}")
        if stretch is None:
            canvas.put(2, 2, self.source.transport().sentence or "being read …", "strong")
            return
        room = rows - 3
        self._shown = max(1, min(len(self._plots), room // LEAST_ROWS))
        self._first = min(max(self._first, self._chosen - self._shown + 1), len(self._plots) - self._shown)
        each, rest = divmod(room, self._shown)
        y = 1
        for place in range(self._first, self._first + self._shown):
            high = each + (1 if place - self._first < rest else 0)
            area = Area(GUTTER, y + 1, canvas.width - GUTTER - 1, high - 1, start_t, end_t, 0.0, 1.0)
            self._draw_plot(canvas, area, stretch, self._plots[place], chosen=place == self._chosen)
            y += high
        self._draw_foot(canvas, y, stretch, start_t, end_t)

    def _cursor_words(self) -> str:
        said = f"cursor {self._cursor_t:.3f} s"
        if self._second_t is not None:
            apart = f"{self._cursor_t - self._second_t:+.3f}".replace("-", "−")
            said += f"   second {self._second_t:.3f} s   apart {apart} s"
        return said

    def _draw_plot(self, canvas: Canvas, area: Area, stretch: SeriesStretch, names: list[str], *, chosen: bool) -> None:
        series = [one for one in (stretch.named(name) for name in names) if one is not None]
        self._draw_title(canvas, area.y - 1, stretch, _Titled(names, series, chosen))
        if not series:
            return
        inside = (stretch.t >= area.start_t) & (stretch.t <= area.end_t)
        if not any(np.isfinite(one.value[inside]).any() for one in series):
            canvas.put(area.x, area.y + area.rows // 2, f"no number in this time: {_word(series[0], inside)}", "dim")
            return
        values = [one.value for one in series]
        band = series[0].bands[0][1] if series[0].bands else None
        far = FAR_S if series[0].name in ("ttc", "ttc_accel") else np.inf
        low, high = range_of([value[inside] for value in values], band, most=far)
        area = Area(area.x, area.y, area.width, area.rows, area.start_t, area.end_t, low, high)
        at = [mark.t for mark in stretch.marks]
        draw_lines(canvas, area, Lines(stretch.t, values, series[0].measure.unit, stretch.period_s, band), at)
        if self._second_t is not None:
            draw_vertical(canvas, area, self._second_t, "┆", "wait")
        draw_vertical(canvas, area, self._cursor_t, "│", "strong")

    def _draw_title(self, canvas: Canvas, y: int, stretch: SeriesStretch, titled: _Titled) -> None:
        names, series, chosen = titled
        x = canvas.put(0, y, "▸" if chosen else " ", "strong")
        if not series:
            canvas.put(x, y, f"{', '.join(clean(name) for name in names)}: not in this record", "dim")
            return
        at = stretch.frame_at(self._cursor_t)
        for place, one in enumerate(series):
            unit = one.measure.unit
            head = f"{clean(one.name)}{' (dashed)' if place else ''}"
            x = canvas.put(x, y, head, "strong" if chosen else "plain") + 1
            x = canvas.put(x, y, _reading(one, at, stretch, self._cursor_t), "strong") + 1
            if self._second_t is not None:
                x = canvas.put(x, y, _difference(one, stretch, self._cursor_t, self._second_t), "wait") + 1
            x = canvas.put(x, y, unit, "dim") + 2
        if len(series) == 1 and x < canvas.width - 8:
            canvas.put(x, y, fit(clean(series[0].definition), canvas.width - x - 1).rstrip(), "dim")

    def _draw_foot(self, canvas: Canvas, y: int, stretch: SeriesStretch, start_t: float, end_t: float) -> None:
        """Letters where something happened, and the time axis."""
        area = Area(GUTTER, y, canvas.width - GUTTER - 1, 1, start_t, end_t, 0.0, 1.0)
        draw_letters(canvas, area, y, stretch.marks, labelled=True)
        for start, end_lost in stretch.lost:
            at = area.column_of((start + end_lost) / 2)
            if at is not None:
                canvas.put(at, y, TIMELINE_LETTERS["loss"], "bad")
        draw_time_axis(canvas, area, y + 1, clock)


def _word(series: Series, inside: BoolArray) -> str:
    """The word that holds for the most frames."""
    words = [series.word_at(index) for index in np.flatnonzero(inside).tolist()]
    return max(set(words), key=words.count) if words else "no frame"


def _reading(series: Series, at: int, stretch: SeriesStretch, t: float) -> str:
    if at < 0 or abs(float(stretch.t[at]) - t) > 1.5 * stretch.period_s:
        return "no frame"
    value = float(series.value[at])
    return value_text(value, series.measure.unit) if np.isfinite(value) else series.word_at(at)


def _difference(series: Series, stretch: SeriesStretch, t: float, second_t: float) -> str:
    at, other = stretch.frame_at(t), stretch.frame_at(second_t)
    if at < 0 or abs(float(stretch.t[other]) - second_t) > 1.5 * stretch.period_s:
        return "(second cursor is outside)"
    apart = float(series.value[at] - series.value[other])
    return f"(Δ {apart:+.3g})".replace("-", "−") if np.isfinite(apart) else "(Δ –)"

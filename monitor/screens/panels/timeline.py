"""The whole run on one line: triggers, alerts, tasks, notes, losses and findings where they happened."""

from __future__ import annotations

from monitor.following.view import TimelineMark
from monitor.following.words import clock
from monitor.screens.drawing.canvas import Canvas, clean
from monitor.screens.drawing.marks import TIMELINE_LETTERS, TIMELINE_WORDS
from monitor.screens.drawing.picture import Picture

LENGTHS_S = (60, 120, 180, 300, 600, 900, 1200, 1800, 2700, 3600, 5400, 7200, 10800, 14400, 28800)
"""The line's length goes up in these steps, so that it stays where it is for most of a run."""

WIDE_FROM = 170
NAMES = 20

_PRESSING = ("trigger", "loss", "finding", "note", "alert", "task", "pause")
_ROLES = {"trigger": "strong", "loss": "bad", "finding": "wait", "note": "plain", "alert": "plain"}


def draw_timeline(picture: Picture, width: int, height: int) -> Canvas:
    """One row: the line with letters on it. Two: words above it. Three: a legend below it."""
    canvas = Canvas(width, height)
    view = picture.view
    length_s = line_length(view.t, view.timeline)
    left, cells = line_cells(width, length_s)
    row = 0 if height == 1 else 1
    canvas.put_right(left - 1, row, "0:00", "dim")
    canvas.put(left + cells + 1, row, clock(float(length_s), tenths=False), "dim")
    if cells < 10:
        return canvas
    now = None if view.t is None else left + min(cells - 1, int(view.t / length_s * cells))
    canvas.fill(left, row, cells, "dim", "┄")
    if now is not None:
        canvas.fill(left, row, now - left, "plain", "─")
        canvas.put(now, row, "▌", "strong")
    if height > 1:
        _labels(canvas, view.timeline, left, cells, length_s)
    for mark in sorted(view.timeline, key=lambda one: -_PRESSING.index(one.kind) if one.kind in _PRESSING else -99):
        x = left + min(cells - 1, max(0, int(mark.t / length_s * cells)))
        canvas.put(x, row, TIMELINE_LETTERS.get(mark.kind, "?"), _ROLES.get(mark.kind, "dim"))
    if height > 2:
        _legend(canvas, view.timeline, height - 1)
    return canvas


def line_cells(width: int, length_s: int) -> tuple[int, int]:
    """First column of the line and its cells; on a wide screen with room before it for the names of what is drawn by
    the same scale."""
    left = NAMES if width >= WIDE_FROM else 6
    return left, width - len(clock(float(length_s), tenths=False)) - 2 - left


def line_length(t_s: float | None, marks: tuple[TimelineMark, ...]) -> int:
    """Seconds that the whole line stands for."""
    reach = max([t_s or 0.0, *(mark.t for mark in marks)])
    return next((length for length in LENGTHS_S if reach <= length), LENGTHS_S[-1] * (1 + int(reach // LENGTHS_S[-1])))


def _labels(canvas: Canvas, marks: tuple[TimelineMark, ...], left: int, cells: int, length_s: int) -> None:
    """Labels above the line, triggers first; one that would run into another is left out (its letter stays)."""
    taken: list[tuple[int, int]] = []
    for kind in _PRESSING:
        for mark in marks:
            if mark.kind != kind or not mark.label:
                continue
            label = clean(mark.label)
            label = label if len(label) <= 24 else label[:23] + "…"
            x = left + min(cells - 1, int(mark.t / length_s * cells))
            x = max(1, min(x, canvas.width - len(label) - 1))
            if any(x <= end and start <= x + len(label) for start, end in taken):
                continue
            taken.append((x, x + len(label)))
            canvas.put(x, 0, label, _ROLES.get(kind, "dim"))


def _legend(canvas: Canvas, marks: tuple[TimelineMark, ...], y: int) -> None:
    x = 1
    for kind in _PRESSING:
        count = sum(mark.kind == kind for mark in marks)
        if count:
            x = canvas.put(x, y, f"{TIMELINE_LETTERS[kind]} {TIMELINE_WORDS[kind]} {count}", "dim") + 3

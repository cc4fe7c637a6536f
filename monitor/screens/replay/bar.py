"""The replay's line: playing or paused, how fast, where in the record, and what is where in it."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.following.words import clock
from monitor.replay.pace import Loop
from monitor.replay.seeking.map import Place
from monitor.screens.drawing.canvas import Canvas, clean, fit
from monitor.screens.drawing.marks import TIMELINE_LETTERS
from monitor.screens.drawing.picture import Picture
from monitor.screens.keymap import pace_words

_PRESSING = ("trigger", "loss", "finding", "note", "drive")
_LETTERS = {**TIMELINE_LETTERS, "drive": "├"}


def draw_bar(picture: Picture, width: int, height: int, places: Sequence[Place], loop: Loop | None) -> Canvas:
    """One row: what it does, then the record as a line with letters on it, and the ends of the loop."""
    canvas = Canvas(width, height)
    transport = picture.transport
    canvas.fill(0, 0, width, "title")
    if transport is None:
        return canvas
    word = f"RUNS, {pace_words(transport.speed)}" if transport.playing else "HELD"
    x = canvas.put(1, 0, f"REPLAY {word}", "title-strong") + 2
    x = canvas.put(x, 0, f"{clock(transport.at_s)} of {clock(transport.length_s, tenths=False)}", "title") + 2
    if transport.sentence:
        said = fit(clean(transport.sentence), min(len(transport.sentence), max(width - x - 1, 0)))
        x = canvas.put(x, 0, said, "title-strong") + 2
    cells = width - x - 1
    if cells < 8 or transport.length_s <= 0:
        return canvas

    def column(at_s: float) -> int:
        return x + min(cells - 1, max(0, int(at_s / transport.length_s * cells)))

    here = column(transport.at_s)
    canvas.fill(x, 0, cells, "title", "─")
    canvas.fill(x, 0, here - x, "title-strong", "━")
    later = [place for place in places if place.kind != "drive" or place.drive > 1]
    for place in sorted(later, key=lambda one: -_PRESSING.index(one.kind)):
        canvas.put(column(place.at_s), 0, _LETTERS[place.kind], "title-strong")
    if loop is not None:
        canvas.put(column(loop.start_s), 0, "┣", "title-strong")
        canvas.put(column(loop.end_s), 0, "┫", "title-strong")
    canvas.put(here, 0, "▌", "title-strong")
    return canvas

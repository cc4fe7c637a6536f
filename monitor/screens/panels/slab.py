"""The large heading: one word that is read from across the room, the sentence that explains it, and what comes next."""

from __future__ import annotations

from dataclasses import dataclass

from rich.cells import cell_len

from monitor.following.heading.model import Heading
from monitor.following.words import NO_BREAK
from monitor.screens.drawing.canvas import Canvas, clean, fit, wrap
from monitor.screens.drawing.glyphs import large, large_width
from monitor.screens.drawing.marks import TONE_MARKS
from monitor.screens.drawing.picture import Picture


@dataclass(frozen=True, slots=True)
class Slab:
    """What the large heading says: a heading, the one after it, the hint in the corner; `calm`: in plain letters."""

    head: Heading
    second: Heading | None = None
    hint: str = ""
    calm: bool = False


def draw_slab(picture: Picture, width: int, height: int) -> Canvas:
    """Three rows, or six where there is room for doubled letters; two rows or one fall back to plain text. The last row
    has the heading after this one, how many trials wait, and the key that answers."""
    return draw_heading(_slab_of(picture), width, height)


def headings_in_sight(picture: Picture, width: int, height: int) -> int:
    """How many headings can be read there: the second one gives way to a long sentence."""
    slab = _slab_of(picture)
    if width <= 0 or height <= 0 or slab.second is None:
        return min(width, height, 1)
    return 2 if f"then {slab.second.word}" in draw_heading(slab, width, height).line(height - 1) else 1


def _slab_of(picture: Picture) -> Slab:
    first, *rest = picture.headings
    hint = "" if picture.read_only else first.hint
    if picture.waiting > 1 or (picture.waiting and not first.hint):
        hint = f"{picture.waiting} waiting{f' · {hint}' if hint else ''}"
    return Slab(first, rest[0] if rest else None, hint, picture.calm)


LEAST_WORDS = 30
"""Cells that the sentence needs beside word and seconds; with less the seconds are left to the lines below."""


def draw_heading(slab: Slab, width: int, height: int) -> Canvas:
    """The heading's mark down the left side, the word, the seconds, the sentence, then what is second and the hint."""
    head = slab.head
    role = f"{head.tone}-slab"
    canvas = Canvas(width, height, role)
    mark = TONE_MARKS[head.tone]
    for y in range(height):
        canvas.put(0, y, mark * 2, role)
    scale = 2 if height >= 6 and width >= 150 else 1
    number = "" if head.seconds is None else f"{max(0.0, head.seconds):.0f}"
    x = 3
    if slab.calm or height < 3 * scale or large_width(head.word, scale=scale) > width - 24 * scale:
        x = canvas.put(x, (height - 1) // 2, f"{head.word} {number}{' s' if number else ''}".rstrip(), role) + 2
    else:
        x = _large(canvas, x, head.word, scale, role)
        if number and width - x - large_width(number, scale=scale) >= LEAST_WORDS * scale:
            x = _large(canvas, x + scale, number, scale, role)
            canvas.put(x - 1, 3 * scale - 1, "s", role)
            x += 2
    _beside(canvas, x + 1, slab)
    return canvas


def _large(canvas: Canvas, x: int, text: str, scale: int, role: str) -> int:
    for row, line in enumerate(large(text, scale=scale)):
        canvas.put(x, row, line, role)
    return x + large_width(text, scale=scale) + 2


def _beside(canvas: Canvas, x: int, slab: Slab) -> None:
    """The sentence, and in the last row what is second; that gives way where the sentence needs all rows."""
    head, second, hint = slab.head, slab.second, slab.hint
    role = f"{head.tone}-slab"
    room = canvas.width - x - 1
    if room < 8:
        return
    last = canvas.height > 1 and bool(second or hint)
    rows = canvas.height - last
    lines = wrap(clean(head.sentence), room, rows)
    if lines and lines[-1].endswith("…"):  # the ladder and the card have the margin
        lines = wrap(clean(head.sentence.partition(": out by ")[0]), room, rows)
    if lines and lines[-1].endswith("…") and last:
        rows, second = canvas.height, None
        lines = wrap(clean(head.sentence), room, rows)
    top = max(0, (rows - len(lines)) // 2)
    for y, line in enumerate(lines):
        canvas.put(x, top + y, line, role)
    end = canvas.width - 1
    taken = cell_len(lines[-1]) if len(lines) == canvas.height else 0
    if hint and cell_len(hint) + 2 < end - x - taken:
        end = canvas.put_right(end, canvas.height - 1, clean(hint), role) - 2
    if last and second is not None and end - x > 10:
        seconds = "" if second.seconds is None else f" {max(0.0, second.seconds):.0f} s"
        said = f"then {second.word}{seconds}"
        if cell_len(said) + 16 < end - x:
            said = f"{said}: {clean(second.sentence)}".replace(NO_BREAK, " ")
        canvas.put(x, canvas.height - 1, fit(said, end - x).rstrip(), role)

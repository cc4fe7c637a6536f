"""The large heading: one word that is read from across the room, with the sentence that explains it beside it."""

from __future__ import annotations

from monitor.screens.drawing.canvas import Canvas, clean, wrap
from monitor.screens.drawing.glyphs import large, large_width
from monitor.screens.drawing.marks import TONE_MARKS
from monitor.screens.drawing.picture import Heading, Picture, heading


def draw_slab(picture: Picture, width: int, height: int) -> Canvas:
    """Three rows, or six where there is room for doubled letters; two rows or one fall back to plain text."""
    return draw_heading(heading(picture), width, height, calm=picture.calm)


def draw_heading(head: Heading, width: int, height: int, *, calm: bool = False) -> Canvas:
    """The heading's mark down the left side, the word, the seconds, the sentences, and the key's hint at the right."""
    role = f"{head.tone}-slab"
    canvas = Canvas(width, height, role)
    mark = TONE_MARKS[head.tone]
    for y in range(height):
        canvas.put(0, y, mark * 2, role)
    scale = 2 if height >= 6 and width >= 150 else 1
    x = 3
    if calm or height < 3 * scale or large_width(head.word, scale=scale) > width - 24:
        x = canvas.put(x, height // 2, f"{head.word} {head.number}".rstrip(), role) + 2
    else:
        x = _large(canvas, x, head.word, scale, role)
        if head.number:
            x = _large(canvas, x + scale, head.number, scale, role)
            canvas.put(x - 1, 3 * scale - 1, "s", role)
            x += 2
    _sentences(canvas, x + 1, head, role)
    return canvas


def _large(canvas: Canvas, x: int, text: str, scale: int, role: str) -> int:
    for row, line in enumerate(large(text, scale=scale)):
        canvas.put(x, row, line, role)
    return x + large_width(text, scale=scale) + 2


def _sentences(canvas: Canvas, x: int, head: Heading, role: str) -> None:
    """The sentences beside the word; the key's hint gives way where they need its row (the keys stand below, too)."""
    room = canvas.width - x - 1
    if room < 8:
        return
    lines = _wrapped(head.sentences, room, canvas.height)
    if len(lines) > canvas.height or (lines and lines[-1].endswith("…")):  # the ladder and the card have the margin
        lines = _wrapped(tuple(one.partition(": out by ")[0] for one in head.sentences), room, canvas.height)
    hinted = bool(head.hint) and len(lines) < canvas.height
    rows = canvas.height - hinted
    top = max(0, (rows - len(lines) + 1) // 2)
    for y, line in enumerate(lines[:rows]):
        canvas.put(x, top + y, line, role)
    if hinted:
        canvas.put_right(canvas.width - 1, canvas.height - 1, clean(head.hint), role)


def _wrapped(sentences: tuple[str, ...], width: int, rows: int) -> list[str]:
    return [line for sentence in sentences for line in wrap(clean(sentence), width, rows)]

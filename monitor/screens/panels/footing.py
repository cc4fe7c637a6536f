"""The lowest lines: what now (and what the last key did), the replay's place, and the keys."""

from __future__ import annotations

from rich.cells import cell_len

from monitor.following.words import clock
from monitor.screens.drawing.canvas import Canvas, clean, fit, wrap
from monitor.screens.drawing.picture import Picture
from monitor.screens.keymap import Key, keys_for, pace_words
from monitor.screens.panels.side import draw_note_row


def draw_now(picture: Picture, width: int, height: int) -> Canvas:
    """What can be done about what heads the screen; in the row below what the last key did, else what the recorder
    has to say, else the last note."""
    canvas = Canvas(width, height)
    first, recorder = picture.headings[0], picture.view.recorder
    x = canvas.put(1, 0, "NOW", "dim") + 1
    message = clean(picture.message)
    said = clean(first.now)
    rows = wrap(said, width - x - 1, height)
    # what the last key did stands behind the end of what is to be done, where there is room for both
    beside = len(rows) == height > 1 and cell_len(rows[-1].rstrip()) + 2 + cell_len(message) <= width - x - 1
    if message and not beside:
        rows = wrap(said, width - x - 1, 1)
    for y, line in enumerate(rows):
        canvas.put(x, y, line, "strong")
    if height < 2:
        if message:
            role = "alarm" if picture.message_tone == "bad" else "strong"
            text = fit(message, min(cell_len(message), width * 3 // 5))
            canvas.fill(width - cell_len(text) - 2, 0, cell_len(text) + 1, "plain")
            canvas.put_right(width - 1, 0, text, role)
    elif message:
        at = (cell_len(rows[-1].rstrip()) + 2, height - 1) if beside else (0, 1)
        role = "alarm" if picture.message_tone == "bad" else "strong"
        canvas.put(x + at[0], at[1], fit(message, width - x - at[0] - 1).rstrip(), role)
    elif len(rows) < 2 and recorder.sentence and recorder.state in ("recording", "saving"):
        canvas.put(x, 1, fit(clean(recorder.sentence), width - x - 1).rstrip(), "wait")
    elif len(rows) < 2 and picture.view.notes:
        draw_note_row(canvas, 1, picture.view.notes[-1])
    return canvas


def draw_transport(picture: Picture, width: int, height: int) -> Canvas:
    """The replay's line: playing or paused, speed, where in the record."""
    canvas = Canvas(width, height)
    transport = picture.transport
    canvas.fill(0, 0, width, "title")
    if transport is None:
        canvas.put(1, 0, "REPLAY", "title-strong")
        return canvas
    word = f"RUNS, {pace_words(transport.speed)}" if transport.playing else "HELD"
    x = canvas.put(1, 0, f"REPLAY {word}", "title-strong") + 2
    x = canvas.put(x, 0, f"{clock(transport.at_s)} of {clock(transport.length_s, tenths=False)}", "title") + 2
    if transport.sentence:
        canvas.put(x, 0, fit(clean(transport.sentence), width - x - 1), "title-strong")
        return canvas
    cells = width - x - 1
    if cells >= 8 and transport.length_s > 0:
        at = min(cells - 1, int(transport.at_s / transport.length_s * cells))
        canvas.fill(x, 0, cells, "title", "─")
        canvas.fill(x, 0, at, "title-strong", "━")
        canvas.put(x + at, 0, "▌", "title-strong")
    return canvas


def draw_keys(picture: Picture, width: int, height: int) -> Canvas:
    """Every key with its word, in as many rows as there are."""
    canvas = Canvas(width, height)
    x, y = 1, 0
    asked = picture.view.day.asked
    for key in keys_for(read_only=picture.read_only, replay=picture.transport is not None, asked=asked):
        needed = len(key.shown) + 1 + len(key.word)
        if x + needed > width:
            x, y = 1, y + 1
        if y >= height:
            break
        x = _key(canvas, x, y, key) + (2 if width >= 110 else 1)
    return canvas


def _key(canvas: Canvas, x: int, y: int, key: Key) -> int:
    x = canvas.put(x, y, key.shown, "key")
    return canvas.put(x, y, f" {key.word}", "dim")

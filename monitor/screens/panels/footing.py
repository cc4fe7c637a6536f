"""The lowest lines: what now (and what the last key did), the replay's place, and the keys."""

from __future__ import annotations

from monitor.screens.drawing.canvas import Canvas, clean, fit
from monitor.screens.drawing.picture import Picture
from monitor.screens.drawing.words import clock
from monitor.screens.keymap import Key, keys_for

NARROW = 110
"""Columns below which the stop rule's reminder is short, so that what now stands beside it."""


def draw_now(picture: Picture, width: int, height: int) -> Canvas:
    """What now, after the last trial; at the right what the last key did. A reminder of the facility's stop rule comes
    first, and stays until a lower rating is entered."""
    canvas = Canvas(width, height)
    message = clean(picture.message)
    reminder = clean(picture.view.reminder_short if width < NARROW else picture.view.reminder)
    x, end = 1, width - 1
    if reminder:
        x = canvas.put(x, 0, fit(reminder, min(len(reminder), end - x)), "alarm") + 2
    if message:
        most = max(0, (end - x) * 3 // 5 if width < NARROW else (end - x) // 2)
        role = "alarm" if picture.message_tone == "bad" else "strong"
        end = canvas.put_right(end, 0, fit(message, min(len(message), most)), role) - 2
    ending = close_out_offer(picture)
    for text, role in (("NOW", "dim"), (ending, "strong"), (what_now(picture), "plain")):
        if text and end - x > 2:
            x = canvas.put(x, 0, fit(text, min(len(text), end - x)), role) + (2 if role == "strong" else 1)
    return canvas


def close_out_offer(picture: Picture) -> str:
    """What comes at the end of the drive, with its key; empty before that."""
    if picture.transport is not None:
        return ""
    if picture.view.closing_digest is not None:
        return "Closed: F9 shows the digest."
    return "The drive has ended: F9 closes out." if picture.view.feed.state == "ended" else ""


def what_now(picture: Picture) -> str:
    """The newest trial's word on what to do; while there is none, what comes."""
    spoken = [trial for trial in picture.view.trials if trial.stage != "armed"]
    if spoken:
        newest = max(spoken, key=lambda trial: (trial.drive, trial.fired_at or trial.timing.expected_at or 0.0))
        return clean(newest.what_now) or f"{clean(newest.trigger)} is being judged"
    outlook = picture.view.outlook
    return f"no trial yet, next is {clean(outlook.trigger)}" if outlook else "no trial yet"


def draw_transport(picture: Picture, width: int, height: int) -> Canvas:
    """The replay's line: playing or paused, speed, where in the record."""
    canvas = Canvas(width, height)
    transport = picture.transport
    canvas.fill(0, 0, width, "title")
    if transport is None:
        canvas.put(1, 0, "REPLAY", "title-strong")
        return canvas
    word = "PLAYING" if transport.playing else "PAUSED"
    x = canvas.put(1, 0, f"REPLAY {word} ×{transport.speed:g}", "title-strong") + 2
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
    for key in keys_for(read_only=picture.read_only, replay=picture.transport is not None):
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

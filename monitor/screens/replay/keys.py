"""The replay's own keys, beside those of the watch screen."""

from __future__ import annotations

from monitor.screens.drawing.canvas import Canvas
from monitor.screens.drawing.picture import Picture
from monitor.screens.keymap import Key, action_name, keys_for

REPLAY_KEYS: tuple[Key, ...] = (
    Key("w", "w", "why", "why", "Why a trial came out so: its conditions over the whole drive", replay=True),
    Key("g", "g", "plots", "plots", "Plots about this instant, with two cursors", replay=True),
    Key("j", "j", "again", "again", "Judge again by another study file; sweep a tolerance", replay=True),
    Key(
        "s",
        "s",
        "go_to",
        "go to",
        "Go to a time: 1:23.4 of the drive, @95 of the record",
        replay=True,
    ),
    Key("x", "x", "table", "CSV", "Export the last 60 s before here as a table (CSV)", replay=True),
)

NOT_SHOWN = ("calm", "colours", "freeze", "seek_start")
"""Of less use here: bound and in the help, but not in the two rows of keys."""


def draw_replay_keys(picture: Picture, width: int, height: int, step: str) -> Canvas:
    """The keys in as many rows as there are, those that move first; `step` is what ← and → move by."""
    canvas = Canvas(width, height)
    known = keys_for(read_only=picture.read_only, replay=True)
    moving = [key for key in known if key.replay and key.action not in NOT_SHOWN]
    others = [key for key in known if not key.replay and key.action not in NOT_SHOWN]
    x, y = 1, 0
    gap = 2 if width >= 110 else 1
    for key in (*moving, *REPLAY_KEYS, *others):
        word = f"by {step}" if action_name(key) == "move" else key.word
        if x + len(key.shown) + 1 + len(word) > width:
            x, y = 1, y + 1
        if y >= height:
            break
        x = canvas.put(x, y, key.shown, "key")
        x = canvas.put(x, y, f" {word}", "dim") + gap
    return canvas

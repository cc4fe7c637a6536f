"""The mouse, where it is natural: a click on a key that is shown presses it, one on a row chooses it.

Keys are found by how they are drawn (role "key", then its word), so that whatever shows a key can be clicked.
"""

from __future__ import annotations

from textual import events
from textual.message import Message

from monitor.screens.drawing.canvas import Canvas
from monitor.screens.keymap import KEYS

NAMES = {
    **{key.shown: key.key for key in KEYS if len(key.shown) > 1 and key.shown.isascii()},
    **{
        "←": "left",
        "→": "right",
        "↑": "up",
        "↓": "down",
        "?": "question_mark",
        "+": "plus",
        "−": "minus",
        "/": "slash",
    },
    **{"Esc": "escape", "Enter": "enter", "Tab": "tab"},
}
"""Keys as they are shown, and what the toolkit calls them; letters and digits are called what they are."""


class RowClicked(Message):
    """A row of a line-drawn widget was clicked, and there was no key there."""

    def __init__(self, name: str, y: int) -> None:
        super().__init__()
        self.name = name
        self.y = y


def is_key(shown: str) -> bool:
    """Whether a word, as shown, is a key or several of them."""
    return (
        shown in NAMES or (shown.isalnum() and len(shown) == 1) or (bool(shown) and all(one in NAMES for one in shown))
    )


def key_at(canvas: Canvas, x: int, y: int) -> events.Key | None:
    """The key that is shown at a cell, or whose word stands there; of several keys in one the one at the cell."""
    if not 0 <= y < canvas.height:
        return None
    at, found, begins = 0, "", 0
    for text, role in canvas.runs(y):
        if role == "key":
            found, begins = text, at
        at += len(text)
        if x < at:
            break
        if role != "key":
            found = ""
    shown = found.strip()
    if not shown or x >= at:
        return None
    if shown not in NAMES and len(shown) > 1:
        cell = found[x - begins] if x - begins < len(found) else " "
        shown = cell if cell != " " else shown[0]
    if not is_key(shown):
        return None
    return events.Key(NAMES.get(shown, shown), shown if len(shown) == 1 else None)

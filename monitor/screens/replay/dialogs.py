"""The replay's sheets: a time to go to, and its keys."""

from __future__ import annotations

from collections.abc import Callable

from textual.widgets import Input

from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.drawing.marks import MET, TIMELINE_LETTERS, UNDECIDED
from monitor.screens.keymap import key_name, keys_for
from monitor.screens.replay.keys import REPLAY_KEYS


class GoToSheet(Sheet[str]):
    """Asks for a time; gives what was typed."""

    least_rows = 6
    at_foot = True
    with_input = True
    input_label = "Go to: "
    heading = "GO TO A TIME"
    foot = "Enter goes there   Esc closes"

    def on_mount(self) -> None:
        """It can be typed at once."""
        super().on_mount()
        self.query_one(Input).focus()

    def rows(self, width: int) -> list[Row]:
        """What may be typed."""
        return [
            [("1:23.4 or 83.4", "strong"), ("  time of the drive that is shown", "plain")],
            [("@95", "strong"), ("  seconds of the record, from its first message", "plain")],
        ]

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Hands on what was typed."""
        event.stop()
        text = event.value.strip()
        self.dismiss(text or None)


class ReplayHelpSheet(Sheet[None]):
    """The keys of a replay."""

    least_rows = 20
    heading = "KEYS OF THE REPLAY"
    foot = "m marks and the other keys   Esc closes"

    def __init__(self, more: Callable[[], None]) -> None:
        super().__init__()
        self._more = more

    def press(self, key: str, character: str | None) -> bool:
        """On to the watch screen's help."""
        if character != "m":
            return False
        self.dismiss(None)
        self._more()
        return True

    def rows(self, width: int) -> list[Row]:
        """A row for each key, then the marks of the pages."""
        moving = [key for key in keys_for(read_only=False, replay=True, every=True) if key.replay]
        rows: list[Row] = [[(f" {key_name(key):<6}", "key"), (f" {key.help}", "plain")] for key in moving]
        rows += [[(f" {key.shown:<6}", "key"), (f" {key.help}", "plain")] for key in REPLAY_KEYS]
        rows.append([(f" {MET} met   · not met   {UNDECIDED} no data   ▄ met for a part of the column", "plain")])
        rows.append([(" A row answers for a fire at that time; one that looks past the fire shows its band.", "plain")])
        rows.append([(f" on the bar: T trigger  N note  F finding  {TIMELINE_LETTERS['loss']} loss  ├ drive", "plain")])
        rows.append([(" Notes and rulings are written beside the record, never into it.", "plain")])
        return rows

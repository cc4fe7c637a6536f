"""The note box: open in one key, at the foot of the screen, so that heading, numbers and road stay in sight."""

from __future__ import annotations

from textual.widgets import Input

from monitor.following.words import clock
from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.messages import Moment


class NoteSheet(Sheet[str]):
    """Gives what was typed; an empty note is none. Its time is that of the key that opened it."""

    least_rows = 3
    at_foot = True
    with_input = True
    input_label = "Note: "
    heading = ""
    foot = "Enter enters it   Esc drops it"

    def __init__(self, moment: Moment) -> None:
        super().__init__()
        self.heading = f"NOTE at {clock(moment.at)} of the drive"

    def rows(self, width: int) -> list[Row]:
        """Nothing but the line to type in."""
        return []

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Hands the note on."""
        event.stop()
        self.dismiss(event.value.strip() or None)

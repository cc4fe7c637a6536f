"""The note box: open in one key, at the foot of the screen, so that heading, numbers and road stay in sight."""

from __future__ import annotations

from textual import events
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Input, Static

from monitor.screens.drawing.words import clock
from monitor.screens.messages import Moment, NoteDropped, NoteWritten

ROWS = 3
LONGEST = 500


class NoteBox(Vertical):
    """Stands ready and hidden, so that opening it builds nothing."""

    DEFAULT_CSS = """
    NoteBox {
        position: absolute;
        layer: box;
        display: none;
        background: $surface;
        border-left: outer $accent;
        padding: 0 1;
    }
    NoteBox Static {
        height: 1;
        color: $foreground;
        text-style: bold;
    }
    NoteBox Input {
        background: $background;
    }
    """

    def __init__(self) -> None:
        super().__init__(id="note-box")
        self._moment = Moment(None, None, 0.0)

    def compose(self) -> ComposeResult:
        """One line that says what it is, one to type in, one with the keys."""
        yield Static("", id="note-title", markup=False)
        line = Input(id="note-text", compact=True, max_length=LONGEST, select_on_focus=False)
        line.cursor_blink = False  # a blinking cursor is bytes on a slow line
        yield line
        yield Static("Enter enters it · Esc drops it", markup=False)

    def place(self, width: int, height: int) -> None:
        """Puts the box over the last rows of the screen."""
        self.styles.offset = (0, max(0, height - ROWS))
        self.styles.width = width
        self.styles.height = ROWS

    @property
    def is_open(self) -> bool:
        """True while the operator may be typing in it."""
        return bool(self.display)

    def open(self, moment: Moment) -> None:
        """Opens the box for a note at this moment."""
        self._moment = moment
        self.query_one("#note-title", Static).update(f"NOTE at {clock(moment.at)} of the drive")
        line = self.query_one(Input)
        line.value = ""
        self.display = True
        self.screen.set_focus(line)  # at once: the next key may be here already

    def close(self) -> None:
        """Hides the box and gives the keys back to the screen."""
        self.display = False
        self.screen.set_focus(None)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Hands the note on; an empty one is dropped."""
        event.stop()
        text = event.value.strip()
        self.close()
        self.post_message(NoteWritten(text, self._moment) if text else NoteDropped())

    def on_key(self, event: events.Key) -> None:
        """Esc drops the note."""
        if event.key == "escape":
            event.stop()
            self.close()
            self.post_message(NoteDropped())

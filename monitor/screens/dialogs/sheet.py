"""A sheet over the lower part of the watch screen: line-drawn, scrolled by rows, closed with Esc.

It leaves the large heading in sight always, and the numbers where there is room.
"""

from __future__ import annotations

from typing import Generic, TypeVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding
from textual.geometry import Region
from textual.screen import ModalScreen
from textual.widgets import Input

from monitor.screens.drawing.canvas import Canvas, fit
from monitor.screens.drawing.layout import NUMBER_PANELS, arrange
from monitor.screens.messages import NoteTaker
from monitor.screens.mouse import is_key
from monitor.screens.panel import Drawn

Row = list[tuple[str, str]]
"""Pieces of text with their roles, from the left."""

Result = TypeVar("Result")


class SheetBody(Drawn):
    """Paints the canvas that its sheet has drawn."""

    DEFAULT_CSS = """
    SheetBody { position: absolute; }
    """


def _put_keys(canvas: Canvas, y: int, text: str, width: int) -> None:
    """Keys with their words, three blanks between them; what begins with no key is said as it is."""
    x, end = 2, 2 + width
    for piece in text.split("   "):
        shown, blank, words = piece.partition(" ")
        if is_key(shown):
            x = canvas.put(x, y, shown, "key")
            piece = blank + words
        x = canvas.put(x, y, fit(piece, min(len(piece), max(0, end - x))), "title-strong") + 3


class Sheet(ModalScreen[Result], Generic[Result]):
    """Base of the sheets: `heading`, `rows(width)` and `foot` are what is on it; `least_rows` the room it needs."""

    DEFAULT_CSS = """
    Sheet { background: transparent; overflow: hidden; }
    Sheet:ansi { background: transparent; }
    Sheet Input { position: absolute; height: 1; background: $surface; }
    """

    # With priority, as on the screen below: of a burst ("n", then words) no letter is taken for another key.
    BINDINGS = [Binding("n", "note", show=False, priority=True)]  # noqa: RUF012 (Textual's own way)

    AUTO_FOCUS = ""  # a sheet with one-key answers must not start in its line to type in

    least_rows = 12
    with_input = False
    types_at_once = True
    """False where the line to type in comes after keys of the sheet."""
    at_foot = False
    """True for a small box over the last rows, such as a confirmation."""
    takes_notes = False
    """True where `n` opens a note over the sheet, and the foot says so."""

    def __init__(self) -> None:
        super().__init__()
        self.scrolled = 0
        self._region = Region()

    @property
    def covers_from(self) -> int:
        """The first row of the screen below that the sheet hides."""
        return self._region.y

    @property
    def heading(self) -> str:
        """What stands in the title bar."""
        return ""

    @property
    def foot(self) -> str:
        """The keys, three blanks between them."""
        return "Esc closes"

    @property
    def input_label(self) -> str:
        """What stands before the line to type in."""
        return ""

    def rows(self, width: int) -> list[Row]:
        """The sheet's rows for this width."""
        raise NotImplementedError

    def compose(self) -> ComposeResult:
        """The body, and a line to type in where the sheet has one."""
        yield SheetBody()
        if self.with_input:
            line = Input(compact=True, max_length=500, select_on_focus=False)
            line.cursor_blink = False
            yield line

    def on_mount(self) -> None:
        """Draws, and follows what changes below twice a second."""
        self.place()
        self.set_interval(0.5, self.redraw)
        if self.with_input and self.types_at_once:
            self.set_focus(self.query_one(Input))

    def on_resize(self) -> None:
        """Places the sheet for the new size."""
        self.place()

    def place(self) -> None:
        """Puts the sheet below the numbers, or below the heading where that leaves too few rows."""
        size = self.size
        regions = arrange(size.width, size.height).regions
        top = 0
        for name in ("health", "slab", NUMBER_PANELS[0]):
            if name in regions and size.height - regions[name].bottom >= self.least_rows:
                top = regions[name].bottom
        if self.at_foot:
            top = max(top, size.height - self.least_rows)
        self._region = Region(0, top, size.width, size.height - top)
        body = self.query_one(SheetBody)
        body.styles.offset = (0, top)
        body.styles.width = size.width
        body.styles.height = self._region.height
        if self.with_input:
            line = self.query_one(Input)
            line.styles.offset = (3 + len(self.input_label), size.height - 2)
            line.styles.width = max(8, size.width - 5 - len(self.input_label))
        self.redraw()

    def redraw(self) -> None:
        """Draws the sheet anew and repaints what changed."""
        self.query_one(SheetBody).put_up(self.draw(self._region.width, self._region.height))

    def draw(self, width: int, height: int) -> Canvas:
        """Title bar, rows from where they are scrolled to, the line to type in, and the keys."""
        canvas = Canvas(width, height)
        canvas.fill(0, 0, width, "plain-slab")
        canvas.put(2, 0, fit(self.heading, width - 4), "plain-slab")
        rows = self.rows(width - 4)
        room = max(1, height - 2 - (1 if self.with_input else 0))
        self.scrolled = max(0, min(self.scrolled, len(rows) - room))
        for y, row in enumerate(rows[self.scrolled : self.scrolled + room], start=1):
            x = 2
            for text, role in row:
                x = canvas.put(x, y, text, role)
        if self.with_input:
            canvas.put(2, height - 2, self.input_label, "strong")
        canvas.fill(0, height - 1, width, "title")
        more = len(rows) - room
        scroll = f"   ↑↓ rows {self.scrolled + 1} to {min(len(rows), self.scrolled + room)} of {len(rows)}"
        notes = "n note   " if self._may_note else ""
        _put_keys(canvas, height - 1, notes + self.foot + (scroll if more > 0 else ""), width - 4)
        return canvas

    def scroll_rows(self, rows: int) -> None:
        """Scrolls by so many rows."""
        self.scrolled += rows
        self.redraw()

    def on_key(self, event: events.Key) -> None:
        """Esc closes, arrows and page keys scroll; the rest is for the sheet itself."""
        steps = {"up": -1, "down": 1, "pageup": -10, "pagedown": 10}
        if event.key in ("escape", "ctrl+c"):
            event.stop()
            self.give_up(event.key)
        elif event.key in steps:
            event.stop()
            self.scroll_rows(steps[event.key])
        elif isinstance(self.focused, Input):
            # typed before the line had the keys
            if event.is_printable and event.character:
                event.stop()
                self.focused.insert_text_at_cursor(event.character)
            elif event.key == "enter":
                event.stop()
                self.on_input_submitted(Input.Submitted(self.focused, self.focused.value))
        elif self.press(event.key, event.character):
            event.stop()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter in the line to type in; each sheet with one says what it does."""
        event.stop()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """The key for a note belongs to a sheet that says so, and to no line that is being typed in."""
        if action == "note":
            return self._may_note and not isinstance(self.focused, Input)
        return super().check_action(action, parameters)

    @property
    def _may_note(self) -> bool:
        return self.takes_notes and isinstance(self.app, NoteTaker) and self.app.may_note

    def action_note(self) -> None:
        """Opens a note over the sheet."""
        if isinstance(self.app, NoteTaker):
            self.app.take_note()

    def give_up(self, key: str) -> None:
        """Esc, Ctrl-C and Ctrl-Q close the sheet without a result."""
        self.dismiss(None)

    def press(self, key: str, character: str | None) -> bool:
        """What a key of the sheet does; True where it did something."""
        return False

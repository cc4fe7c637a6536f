"""A whole page over the replay's screen: line-drawn like everything else, closed with Esc."""

from __future__ import annotations

from pathlib import Path

from textual import events
from textual.app import ComposeResult
from textual.screen import Screen
from textual.widgets import Input

from monitor.replay.provider import ReplayProvider
from monitor.screens.dialogs.sheet import SheetBody
from monitor.screens.drawing.canvas import Canvas, clean, fit
from monitor.screens.messages import ColoursAsked, PictureAsked

REDRAW_S = 0.2
LEAST_WIDTH, LEAST_HEIGHT = 60, 16

Keys = tuple[tuple[str, str], ...]
"""Key as it is written, and one word."""


class Page(Screen[None]):
    """Base of the pages: `draw_page` and `press` say what is on it and what its keys do."""

    AUTO_FOCUS = ""

    DEFAULT_CSS = """
    Page { overflow: hidden; }
    Page Input { position: absolute; height: 1; background: $surface; }
    """

    keys: Keys = ()
    covers_from = 0
    """A page hides all of the screen below."""
    input_label = ""
    """Not empty: the page has a line to type in, which `/` opens."""

    def __init__(self, source: ReplayProvider, folder: Path) -> None:
        super().__init__()
        self.source = source
        self.folder = folder
        """Where pictures and tables go."""
        self.message = ""

    def draw_page(self, canvas: Canvas, rows: int) -> None:
        """Draws into the rows 0 … `rows` − 1 of the canvas; below are the message and the keys."""
        raise NotImplementedError

    def press(self, key: str, character: str | None) -> bool:
        """What a key of the page does; True where it did something."""
        return False

    def entered(self, text: str) -> None:
        """What was typed and ended with Enter."""

    def compose(self) -> ComposeResult:
        """The body, and the line to type in."""
        yield SheetBody()
        if self.input_label:
            yield Input(compact=True, max_length=500, select_on_focus=False)

    def on_mount(self) -> None:
        """Draws, and goes on drawing: answers come when they are there."""
        self.place()
        self.set_interval(REDRAW_S, self.redraw)

    def on_resize(self) -> None:
        """Draws for the new size."""
        self.place()

    def place(self) -> None:
        """The body covers the screen; the line to type in stands above the keys."""
        body = self.query_one(SheetBody)
        body.styles.offset = (0, 0)
        body.styles.width, body.styles.height = self.size.width, self.size.height
        if self.input_label:
            line = self.query_one(Input)
            line.display = line.has_focus
            line.styles.offset = (3 + len(self.input_label), max(self.size.height - 2, 0))
            line.styles.width = max(8, self.size.width - 5 - len(self.input_label))
        self.redraw()

    def redraw(self) -> None:
        """Draws the page and repaints the rows that changed."""
        self.query_one(SheetBody).put_up(self.draw(self.size.width, self.size.height))

    def draw(self, width: int, height: int) -> Canvas:
        """The page, the message line and the keys."""
        canvas = Canvas(width, height)
        if width < LEAST_WIDTH or height < LEAST_HEIGHT:
            canvas.put(0, 0, f"Too small: {LEAST_WIDTH} × {LEAST_HEIGHT} at least.", "strong")
            return canvas
        self.draw_page(canvas, height - 2)
        canvas.fill(0, height - 2, width, "plain")
        if self.input_label and self.query_one(Input).has_focus:
            canvas.put(2, height - 2, self.input_label, "strong")
        else:
            canvas.put(1, height - 2, fit(clean(self.message or self.hint()), width - 2), "strong")
        end = canvas.put_right(width - 1, height - 1, " back", "dim")
        end = canvas.put_right(end, height - 1, "Esc", "key") - 1
        x, gap = 1, 2 if width >= 110 else 1
        for shown, word in (*self.keys, ("p", "SVG")):
            if x + len(shown) + len(word) + 1 > end:
                break
            x = canvas.put(x, height - 1, shown, "key")
            x = canvas.put(x, height - 1, f" {word}", "dim") + gap
        return canvas

    def hint(self) -> str:
        """What stands above the keys while no key has anything to say."""
        return ""

    def say(self, text: str) -> None:
        """What the last key did."""
        self.message = text
        self.redraw()

    def on_key(self, event: events.Key) -> None:
        """Esc closes the line to type in first, then the page."""
        typing = self.input_label and self.query_one(Input).has_focus
        if event.key in ("escape", "ctrl+c"):
            event.stop()
            if typing:
                self.close_input()
            else:
                self.dismiss(None)
        elif typing:
            return
        elif event.character == "p":
            event.stop()
            self.post_message(PictureAsked(self.folder))
        elif event.character == "d":
            event.stop()
            self.post_message(ColoursAsked())
        elif event.character == "/" and self.input_label:
            event.stop()
            self.open_input()
        elif self.press(event.key, event.character):
            event.stop()
            self.redraw()

    def open_input(self) -> None:
        """Shows the line to type in."""
        line = self.query_one(Input)
        line.value = ""
        line.display = True
        line.focus()
        self.redraw()

    def close_input(self) -> None:
        """Gives the keys back to the page."""
        self.query_one(Input).display = False
        self.set_focus(None)
        self.redraw()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Hands on what was typed."""
        event.stop()
        self.close_input()
        if event.value.strip():
            self.entered(event.value.strip())

    def told(self, text: str, *, went_wrong: bool = False) -> None:
        """Shows at once what the app did for a key."""
        self.say(text)
        self.query_one(SheetBody).refresh()


def title_line(canvas: Canvas, y: int, text: str, role: str = "title-strong") -> None:
    """A title over the whole width."""
    canvas.fill(0, y, canvas.width, "title")
    canvas.put(1, y, fit(text, canvas.width - 2), role)

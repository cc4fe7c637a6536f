"""The page at the end of an exercise: text that scrolls."""

from __future__ import annotations

from collections.abc import Sequence

from textual import events
from textual.app import ComposeResult
from textual.screen import Screen

from monitor.screens.app import TerminalApp
from monitor.screens.drawing.canvas import Canvas, clean, wrap
from monitor.screens.messages import ColoursAsked
from monitor.screens.panel import Drawn
from monitor.screens.watch.running import show

MANY = 1000


class PageBody(Drawn):
    """The whole screen as one canvas."""

    DEFAULT_CSS = """
    PageBody { width: 100%; height: 100%; }
    """


class PageScreen(Screen[None]):
    """Lines of text; one that begins with a blank stays indented where it is broken."""

    DEFAULT_CSS = """
    PageScreen { overflow: hidden; }
    """

    def __init__(self, lines: Sequence[str]) -> None:
        super().__init__()
        self.lines = lines
        self.first = 0

    def compose(self) -> ComposeResult:
        """The body."""
        yield PageBody()

    def on_mount(self) -> None:
        """Draws."""
        self.redraw()

    def on_resize(self) -> None:
        """Draws for the new size."""
        self.redraw()

    def redraw(self) -> None:
        """Draws the rows in sight."""
        self.query_one(PageBody).put_up(self.drawn(self.size.width, self.size.height))

    def drawn(self, width: int, height: int) -> Canvas:
        """The rows from where they are scrolled to, and the keys."""
        canvas = Canvas(width, height)
        rows = [row for line in self.lines for row in _broken(clean(line), width - 3)]
        room = max(1, height - 1)
        self.first = max(0, min(self.first, len(rows) - room))
        for y, row in enumerate(rows[self.first : self.first + room]):
            canvas.put(1, y, row, "plain" if row.startswith(" ") else "strong")
        canvas.fill(0, height - 1, width, "title")
        x = canvas.put(1, height - 1, "↑↓", "key")
        last = min(len(rows), self.first + room)
        x = canvas.put(x, height - 1, f" rows {self.first + 1} to {last} of {len(rows)}", "title-strong") + 3
        x = canvas.put(x, height - 1, "q", "key")
        canvas.put(x, height - 1, " leaves", "title-strong")
        return canvas

    def told(self, text: str, *, went_wrong: bool = False) -> None:
        """A key of the app was pressed: nothing is said of it here."""
        self.redraw()

    def on_key(self, event: events.Key) -> None:
        """Scrolls, or leaves."""
        event.stop()
        steps = {"up": -1, "down": 1, "pageup": -10, "pagedown": 10, "home": -MANY, "end": MANY}
        if event.key in ("q", "escape", "enter"):
            self.app.exit(0)
        elif event.key == "d":
            self.post_message(ColoursAsked())
        else:
            self.first += steps.get(event.key, 0)
            self.redraw()


def _broken(line: str, width: int) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()))
    if len(line) <= width:
        return [line]
    return [f"{indent}{row}" for row in wrap(line.strip(), width - len(indent), MANY)]


class PageApp(TerminalApp):
    """The page alone."""

    def __init__(self, lines: Sequence[str]) -> None:
        super().__init__()
        self._page = PageScreen(lines)

    def get_default_screen(self) -> PageScreen:
        """The only screen."""
        return self._page

    def repaint(self) -> None:
        """Repaints all in the colours that are now in use."""
        self._page.query_one(PageBody).refresh()


def show_page(lines: Sequence[str]) -> int:
    """Shows the page until it is left."""
    return show(PageApp(lines))

"""A line-drawn panel: it draws a picture on a canvas, compares it with the one before, and repaints what changed."""

from __future__ import annotations

from collections.abc import Callable

from rich.segment import Segment
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from monitor.screens.canvas import Canvas
from monitor.screens.marks import PALETTES, Palette
from monitor.screens.picture import Picture

Draw = Callable[[Picture, int, int], Canvas]


class Panel(Widget, can_focus=False):
    """Draws with a function of picture, width and height. Only changed pieces of rows are sent to the terminal."""

    DEFAULT_CSS = """
    Panel {
        position: absolute;
        width: 1;
        height: 1;
    }
    """

    def __init__(self, draw: Draw, name: str, every_s: float = 0.0) -> None:
        super().__init__(id=name)
        self._draw = draw
        self._every_s = every_s
        self._drawn_at = -1e9
        self._canvas: Canvas | None = None
        self._picture: Picture | None = None

    def place(self, region: Region | None) -> None:
        """Puts the panel at a region of the screen, or takes it away."""
        self.display = region is not None
        if region is not None:
            self.styles.offset = (region.x, region.y)
            self.styles.width = region.width
            self.styles.height = region.height

    def show(self, picture: Picture, now_s: float | None = None, *, at_once: bool = False) -> None:
        """Draws the picture and repaints the pieces of rows that differ from the one before.

        A panel that may be drawn less often (`every_s`) leaves pictures out, unless it has to be `at_once` or no time
        is given.
        """
        self._picture = picture
        if not self.display or not self.size.area:
            return
        if now_s is not None:
            if not at_once and now_s - self._drawn_at < self._every_s:
                return
            self._drawn_at = now_s
        canvas = self._draw(picture, self.size.width, self.size.height)
        rows = canvas.changed_rows(self._canvas)
        self._canvas = canvas
        if rows:
            self.refresh(*(Region(0, y, end, 1) for y, end in rows))

    def on_resize(self) -> None:
        """Draws anew for the new size."""
        if self._picture is not None:
            self.show(self._picture)

    @property
    def canvas(self) -> Canvas | None:
        """What was drawn last."""
        return self._canvas

    @property
    def palette(self) -> Palette:
        """The colours of the theme in use."""
        return PALETTES.get(self.app.theme, PALETTES["dark"])

    def render_line(self, y: int) -> Strip:
        """One row of the canvas in the colours of the theme."""
        canvas = self._canvas
        width = self.size.width
        if canvas is None or y >= canvas.height:
            return Strip([Segment(" " * width, self.palette.style("plain"))], width)
        style = self.palette.style
        return Strip([Segment(text, style(role)) for text, role in canvas.runs(y)]).adjust_cell_length(
            width, style("plain")
        )

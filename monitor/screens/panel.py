"""Line-drawn widgets: a canvas is compared with the one before, and what changed is repainted."""

from __future__ import annotations

from collections.abc import Callable

from rich.segment import Segment
from textual import events
from textual.geometry import Region, Size
from textual.strip import Strip
from textual.widget import Widget

from monitor.screens.canvas import Canvas
from monitor.screens.marks import PALETTES, Palette
from monitor.screens.picture import Picture

Draw = Callable[[Picture, int, int], Canvas]


class Drawn(Widget, can_focus=False):
    """Paints a canvas; only changed pieces of rows are sent to the terminal.

    Rows are kept as they were painted until they change: the toolkit's own way asks some twenty styles of every row
    of every panel for each update, for borders and margins that these have not (a third of the screen's work).
    """

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 (the toolkit's own name)
        super().__init__(id=id)
        self._canvas: Canvas | None = None
        self._strips: dict[int, Strip] = {}
        self._theme = ""

    @property
    def canvas(self) -> Canvas | None:
        """What was drawn last."""
        return self._canvas

    @property
    def palette(self) -> Palette:
        """The colours of the theme in use."""
        return PALETTES.get(self.app.theme, PALETTES["dark"])

    def put_up(self, canvas: Canvas) -> None:
        """Paints the canvas where it differs from the one before."""
        before, self._canvas = self._canvas, canvas
        rows = canvas.changed_rows(before)
        if before is None or before.height != canvas.height:
            self._strips.clear()
        for y, _ in rows:
            self._strips.pop(y, None)
        if rows:
            self.refresh(*(Region(0, y, end, 1) for y, end in rows))

    def render_lines(self, crop: Region) -> list[Strip]:
        """The rows of the canvas in the colours of the theme; beyond it, blanks."""
        if self._theme != self.app.theme:
            self._theme = self.app.theme
            self._strips.clear()
        plain = self.palette.style("plain")
        known = self._strips
        strips = []
        for y in crop.line_range:
            strip = known.get(y)
            if strip is None:
                strip = known[y] = self.render_line(y)
            if crop.x or strip.cell_length != crop.width:
                strip = strip.crop_extend(crop.x, crop.right, plain)
            strips.append(strip)
        return strips

    def render_line(self, y: int) -> Strip:
        """One row, with what the terminal's colours ask for."""
        canvas, style = self._canvas, self.palette.style
        if canvas is None or y >= canvas.height:
            return Strip.blank(self.size.width, style("plain"))
        strip = Strip([Segment(text, style(role)) for text, role in canvas.runs(y)], canvas.width)
        for one in self.get_line_filters():
            strip = strip.apply_filter(one, self.background_colors[1])
        return strip


class Panel(Drawn):
    """Draws with a function of picture, width and height."""

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
        self._picture: Picture | None = None
        self._room = Size(0, 0)

    def place(self, region: Region | None) -> None:
        """Puts the panel at a region of the screen, or takes it away."""
        self.display = region is not None
        if region is None:
            self._room = Size(0, 0)
            return
        self.styles.offset = (region.x, region.y)
        self.styles.width = region.width
        self.styles.height = region.height
        self._room = region.size

    def show(self, picture: Picture, now_s: float | None = None, *, at_once: bool = False) -> None:
        """Draws the picture and repaints the pieces of rows that differ from the one before.

        A panel that may be drawn less often (`every_s`) leaves pictures out, unless it has to be `at_once` or no time
        is given.
        """
        self._picture = picture
        if not self._room.area:
            return
        if now_s is not None:
            if not at_once and now_s - self._drawn_at < self._every_s:
                return
            self._drawn_at = now_s
        self.put_up(self._draw(picture, self._room.width, self._room.height))

    def on_resize(self, event: events.Resize) -> None:
        """Draws anew for the new size."""
        if self._picture is not None:
            self.show(self._picture)

"""Line-drawn widgets: a canvas is compared with the one before, and what changed is repainted."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, runtime_checkable

from rich.segment import Segment
from textual import events
from textual.app import ScreenStackError
from textual.geometry import Region, Size
from textual.strip import Strip
from textual.widget import Widget

from monitor.screens.drawing.canvas import Canvas
from monitor.screens.drawing.marks import PALETTES, WITHOUT_COLOUR, Palette
from monitor.screens.drawing.picture import Picture
from monitor.screens.mouse import RowClicked, key_at

Draw = Callable[[Picture, int, int], Canvas]


@runtime_checkable
class Covering(Protocol):
    """A screen above another one that hides its rows from one on."""

    @property
    def covers_from(self) -> int:
        """The first row that it hides."""
        ...


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
        if self.app.theme == "sixteen" and self.app.no_color:
            return WITHOUT_COLOUR
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
            self._repaint([Region(0, y, end, 1) for y, end in rows])

    def _repaint(self, regions: list[Region]) -> None:
        """Repaints these regions. Below a sheet only what it leaves in sight, and by the sheet's screen: the toolkit's
        own way then repaints again and again for as long as the sheet is there (70 KiB/s at 200 × 60)."""
        try:
            top = self.app.screen
        except ScreenStackError:  # not on the screen yet
            return
        if top is self.screen:
            self.refresh(*regions)
            return
        covers_from = top.covers_from if isinstance(top, Covering) else top.size.height
        left, above = self.region.offset
        seen = [region.translate((left, above)) for region in regions if above + region.y < covers_from]
        if seen:
            top.refresh(*seen)

    def on_click(self, event: events.Click) -> None:
        """A key that is shown there is pressed; else the screen is told the row."""
        event.stop()
        pressed = key_at(self._canvas, event.x, event.y) if self._canvas is not None else None
        if pressed is not None:
            self.app.post_message(pressed)
        else:
            self.post_message(RowClicked(self.id or "", event.y))

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

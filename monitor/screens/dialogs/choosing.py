"""A sheet on which one of several things is chosen with ↑ and ↓, and a key does something with it."""

from __future__ import annotations

from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.drawing.canvas import Canvas
from monitor.screens.mouse import RowClicked

CHOSEN, NOT_CHOSEN = "▌ ", "  "


class ChoosingSheet(Sheet[None]):
    """`head`, one block of rows for each choice, `tail`; the chosen block is always in sight."""

    at = 0
    _moved = False

    def head(self, width: int) -> list[Row]:
        """Rows above the choices."""
        raise NotImplementedError

    def blocks(self, width: int) -> list[list[Row]]:
        """The rows of each choice, two cells narrower than the sheet."""
        raise NotImplementedError

    def tail(self, width: int) -> list[Row]:
        """Rows below the choices."""
        raise NotImplementedError

    def rows(self, width: int) -> list[Row]:
        """All of them, the chosen one with a bar at its left."""
        return [row for _, part in self._parts(width) for row in part]

    def _parts(self, width: int) -> list[tuple[int, list[Row]]]:
        blocks = self.blocks(width - len(CHOSEN))
        self.at = max(0, min(self.at, len(blocks) - 1))
        parts = [(-1, self.head(width))]
        for number, block in enumerate(blocks):
            bar = CHOSEN if number == self.at else NOT_CHOSEN
            parts.append((number, [[(bar, "strong"), *row] for row in block]))
        return [*parts, (-1, self.tail(width))]

    def draw(self, width: int, height: int) -> Canvas:
        """Scrolls to the choice that the arrows went to."""
        if self._moved:
            self._moved = False
            room = max(1, height - 2 - (1 if self.with_input else 0))
            first = 0
            for number, part in self._parts(width - 4):
                if number == self.at:
                    top = 0 if number == 0 else first  # the head is shown with the first choice
                    self.scrolled = min(max(self.scrolled, first + len(part) - room), top)
                    break
                first += len(part)
        return super().draw(width, height)

    def scroll_rows(self, rows: int) -> None:
        """The arrows choose; beyond the last choice they scroll to what stands below it."""
        before = self.at
        self.at += rows
        self._parts(self.size.width - 4)
        self._moved = self.at != before
        if self._moved:
            self.redraw()
        else:
            super().scroll_rows(rows)

    def on_row_clicked(self, event: RowClicked) -> None:
        """A click on a choice chooses it."""
        event.stop()
        row = event.y - 1 + self.scrolled
        for number, part in self._parts(self.size.width - 4):
            if row < len(part):
                if number >= 0:
                    self.at = number
                    self.redraw()
                return
            row -= len(part)

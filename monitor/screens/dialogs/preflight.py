"""Preflight: GO or NOT YET in large letters, and what is needed against what is there."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from textual.binding import Binding

from monitor.following.view import PreflightLine, PreflightView
from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.drawing.canvas import clean, fit
from monitor.screens.drawing.marks import RESULT_MARKS, RESULT_TONES
from monitor.screens.drawing.picture import Heading
from monitor.screens.keymap import KEYS
from monitor.screens.panels.slab import draw_heading

RESULT_WORDS = {"met": "met", "not met": "not met", "undecided": "look"}


class PreflightSheet(Sheet[None]):
    """Every key of the screen below closes the sheet and does what it does there: `act` runs that action.

    One that opened by itself also closes itself when a trigger is near, so that nothing covers the outlook then.
    """

    # With priority, as on the screen below: of a burst ("n", then words) no letter is taken for another key.
    BINDINGS = [  # noqa: RUF012 (Textual's own way)
        Binding(key.key, f"pass_on('{key.action}')", show=False, priority=True)
        for key in KEYS
        if not key.replay and key.action != "before"
    ]

    least_rows = 20
    heading = "PREFLIGHT"
    foot = "Esc closes, so does any key of the screen   b shows it again"

    def __init__(
        self,
        preflight: Callable[[], PreflightView | None],
        act: Callable[[str], Awaitable[object]],
        *,
        closes_itself: bool,
    ) -> None:
        super().__init__()
        self._preflight = preflight
        self._act = act
        self._closes_itself = closes_itself

    async def action_pass_on(self, action: str) -> None:
        """Closes the sheet, and then does on the screen below what the key does there."""
        self.dismiss(None)
        await self._act(action)

    def redraw(self) -> None:
        """Draws it anew, or closes it when its time is over."""
        found = self._preflight()
        if self._closes_itself and found is not None and found.over and self.is_current:
            self.dismiss(None)
            return
        super().redraw()

    def rows(self, width: int) -> list[Row]:
        """The large word and why; then what is not met, what cannot be told, what is met."""
        found = self._preflight()
        if found is None:
            return []
        head = Heading("good" if found.heading == "GO" else "bad", found.heading, sentences=(clean(found.why),))
        canvas = draw_heading(head, width, 3)
        order = ("not met", "undecided", "met")
        lines = sorted(found.lines, key=lambda line: order.index(line.result))
        return [*(canvas.runs(y) for y in range(3)), *(_line(line, width) for line in lines)]

    def press(self, key: str, character: str | None) -> bool:
        """Its own key closes it, too."""
        if key in ("b", "enter"):
            self.dismiss(None)
            return True
        return False


def _line(line: PreflightLine, width: int) -> Row:
    """Mark, word, what, given, needed; words that are too long for their column take that of the need, too."""
    mark = f"{RESULT_MARKS[line.result]} {RESULT_WORDS[line.result]:<8}"
    what = fit(clean(line.what), 14) + " "
    room = width - len(mark) - len(what)
    given, column = clean(line.given), room // 2
    head: Row = [(mark, RESULT_TONES[line.result]), (what, "strong")]
    if len(given) > column - 1:
        return [*head, (fit(given, room).rstrip(), "plain")]
    return [*head, (fit(given, column), "plain"), (fit(f"needs {clean(line.needed)}", room - column).rstrip(), "dim")]

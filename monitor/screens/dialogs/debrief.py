"""The debrief: what the participant is asked after the drive, on one page, before anything of a trial is shown."""

from __future__ import annotations

from collections.abc import Callable

from textual.widgets import Input

from monitor.following.around import DebriefLine
from monitor.screens.dialogs.choosing import ChoosingSheet
from monitor.screens.dialogs.sheet import Row
from monitor.screens.drawing.canvas import clean, wrap
from monitor.screens.drawing.marks import MET, OPEN

Answer = Callable[[DebriefLine, str, str], None]


class DebriefSheet(ChoosingSheet):
    """A digit answers the chosen question and goes on to the next one; where words are wanted Enter begins them.
    `answer` is None on a screen that only reads."""

    least_rows = 20
    with_input = True
    input_label = "Words: "
    types_at_once = False

    def __init__(self, lines: Callable[[], tuple[DebriefLine, ...]], answer: Answer | None) -> None:
        super().__init__()
        self._lines = lines
        self._answer = answer
        self._given: dict[str, str] = {}
        """What was answered here, until the view says so."""
        self._choose_next()

    @property
    def heading(self) -> str:
        """How many are answered."""
        lines = self._lines()
        return f"DEBRIEF   {sum(self._said(one) is not None for one in lines)} of {len(lines)} answered"

    @property
    def foot(self) -> str:
        """The keys that do something here."""
        if self._answer is None:
            return "Esc closes"
        if isinstance(self.focused, Input):
            return "Enter enters the words   Esc drops them"
        if not self._lines()[self.at].answers:
            return "↑↓ choose   Enter begins the words   Esc closes"
        return "↑↓ choose   1–9 answer   Esc closes"

    def _said(self, line: DebriefLine) -> str | None:
        return self._given.get(line.name, line.answered)

    def _choose_next(self) -> None:
        lines = self._lines()
        order = [*range(self.at, len(lines)), *range(self.at)]
        open_ones = [at for at in order if self._said(lines[at]) is None]
        self.at = open_ones[0] if open_ones else self.at
        self._moved = True

    def head(self, width: int) -> list[Row]:
        """How it is asked."""
        words = (
            "Ask as it stands here, before anybody has said how it went. A later answer takes the earlier one's place."
        )
        return [[(line, "dim")] for line in wrap(words, width, 2)]

    def blocks(self, width: int) -> list[list[Row]]:
        """Mark, question, and below it the answers with their digits; the given one is marked."""
        return [self._block(line, width) for line in self._lines()]

    def _block(self, line: DebriefLine, width: int) -> list[Row]:
        said = self._said(line)
        mark, role = (OPEN, "wait") if said is None else (MET, "good")
        asked = wrap(clean(line.ask), max(10, width - 2), 3)
        rows: list[Row] = [
            [(mark if y == 0 else " ", role), (f" {text}", "plain" if said else "strong")]
            for y, text in enumerate(asked)
        ]
        if not line.answers:
            words = f'"{said}"' if said is not None else "in the participant's own words"
            return [*rows, *([("  ", "plain"), (text, "dim")] for text in wrap(clean(words), max(10, width - 2), 3))]
        row: Row = [("  ", "plain")]
        used = 2
        for number, answer in enumerate(line.answers, start=1):
            text = f"{number} {clean(answer)}"
            if used + len(text) + 3 > width and used > 2:
                rows.append(row)
                row, used = [("  ", "plain")], 2
            row.append((text, "good" if answer == said else "plain" if said is None else "dim"))
            row.append(("   ", "plain"))
            used += len(text) + 3
        return [*rows, row]

    def tail(self, width: int) -> list[Row]:
        """Nothing."""
        return []

    def press(self, key: str, character: str | None) -> bool:
        """A digit answers; Enter begins the words."""
        if self._answer is None:
            return False
        line = self._lines()[self.at]
        if character is not None and character.isdecimal() and 1 <= int(character) <= len(line.answers):
            self._give(line, line.answers[int(character) - 1], "")
            return True
        if key == "enter" and not line.answers:
            self.set_focus(self.query_one(Input))
            self.redraw()
            return True
        return False

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """The words of a question without answers to choose from."""
        event.stop()
        words, typed = event.value.strip(), self.query_one(Input)
        typed.value = ""
        self.set_focus(None)
        if words and self._answer is not None:
            self._give(self._lines()[self.at], "", words)
        self.redraw()

    def give_up(self, key: str) -> None:
        """Esc drops words that are being typed; else it closes the page."""
        if isinstance(self.focused, Input):
            self.focused.value = ""
            self.set_focus(None)
            self.redraw()
            return
        super().give_up(key)

    def _give(self, line: DebriefLine, answer: str, words: str) -> None:
        assert self._answer is not None
        self._given[line.name] = answer or words
        self._answer(line, answer, words)
        self._choose_next()
        self.redraw()

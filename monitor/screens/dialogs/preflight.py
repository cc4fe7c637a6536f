"""Preflight: GO or NOT YET in large letters, and what is needed against what is there, until it is answered."""

from __future__ import annotations

from collections.abc import Callable

from monitor.following.heading.model import Heading
from monitor.following.view import PreflightLine, PreflightView, Question
from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.drawing.canvas import clean, fit
from monitor.screens.drawing.marks import RESULT_MARKS, RESULT_TONES
from monitor.screens.panels.slab import Slab, draw_heading

RESULT_WORDS = {"met": "met", "not met": "not met", "undecided": "look"}

ANSWER_KEYS = {"1": "simulator", "2": "ours", "3": "unknown"}

Answer = Callable[[Question, str], None]


class PreflightSheet(Sheet[None]):
    """Stays until somebody answers it; one that opened by itself goes when the first trigger is near: from then on the
    heading carries what is not met. `answer` is None on a screen that only reads."""

    least_rows = 20
    heading = "PREFLIGHT"
    takes_notes = True

    def __init__(
        self,
        preflight: Callable[[], PreflightView | None],
        questions: Callable[[], tuple[Question, ...]],
        answer: Answer | None,
        *,
        closes_itself: bool,
    ) -> None:
        super().__init__()
        self._preflight = preflight
        self._questions = questions
        self._answer = answer
        self._closes_itself = closes_itself
        self._answered: set[str] = set()
        """What was answered here, until the view says so."""

    @property
    def _open(self) -> Question | None:
        found = [one for one in self._questions() if not one.answer and one.about not in self._answered]
        return found[0] if found and self._answer is not None else None

    @property
    def foot(self) -> str:
        """The keys that do something now."""
        if self._open is not None:
            return f"1 simulator's {self._open.about} is right   2 ours   3 unknown   Enter goes on"
        return "Enter goes on   b shows it again"

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
        head = Heading("good" if found.heading == "GO" else "bad", found.heading, sentence=found.why)
        canvas = draw_heading(Slab(head), width, 3)
        order = ("not met", "undecided", "met")
        lines = sorted(found.lines, key=lambda line: order.index(line.result))
        return [*(canvas.runs(y) for y in range(3)), *(_line(line, width) for line in lines)]

    def press(self, key: str, character: str | None) -> bool:
        """One key answers the first open question; Enter and its own key close it."""
        if key in ("b", "enter"):
            self.dismiss(None)
            return True
        question = self._open
        if question is not None and self._answer is not None and character in ANSWER_KEYS:
            self._answered.add(question.about)
            self._answer(question, ANSWER_KEYS[character])
            self.redraw()
            return True
        return False


def _line(line: PreflightLine, width: int) -> Row:
    """Mark, word, what, given, needed; words that are too long for their column take that of the need, too."""
    mark = f"{RESULT_MARKS[line.result]} {RESULT_WORDS[line.result]:<8}"
    what = fit(clean(line.what), 17) + " "
    room = width - len(mark) - len(what)
    given, column = clean(line.given), room // 2
    head: Row = [(mark, RESULT_TONES[line.result]), (what, "strong")]
    if len(given) > column - 1:
        return [*head, (fit(given, room).rstrip(), "plain")]
    return [*head, (fit(given, column), "plain"), (fit(f"needs {clean(line.needed)}", room - column).rstrip(), "dim")]

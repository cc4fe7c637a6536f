"""The sickness questionnaire: sixteen items, one key each, before or after the drive."""

from __future__ import annotations

from collections.abc import Callable

from monitor.judging.symptoms import ANSWERS, ITEMS, score_symptoms
from monitor.screens.dialogs.choosing import ChoosingSheet
from monitor.screens.dialogs.sheet import Row
from monitor.screens.drawing.canvas import fit
from monitor.screens.drawing.marks import MET, OPEN
from monitor.study.day.model import AskedWhen


class SymptomsSheet(ChoosingSheet):
    """0 to 3 answers the chosen item and goes on to the next one; Enter enters it when all are answered."""

    least_rows = 20

    def __init__(self, when: AskedWhen, enter: Callable[[AskedWhen, list[int]], None]) -> None:
        super().__init__()
        self.when = when
        self._enter = enter
        self._answers: list[int | None] = [None] * len(ITEMS)

    @property
    def heading(self) -> str:
        """Before or after, and how many are answered."""
        done = sum(one is not None for one in self._answers)
        return f"SYMPTOMS {self.when.upper()} THE DRIVE   {done} of {len(ITEMS)} answered"

    @property
    def foot(self) -> str:
        """The keys that do something now."""
        other = "after" if self.when == "before" else "before"
        enter = None not in self._answers
        digits = "0 none   1 slight   2 moderate   3 severe"
        return f"0–3   Enter enters it   b {other}   Esc drops it" if enter else f"{digits}   b {other}   Esc drops it"

    def head(self, width: int) -> list[Row]:
        """How it is asked, and that it decides nothing."""
        said = "How do you feel now? Ask before and after. It decides nothing."
        return [[(fit(said, width).rstrip(), "dim")]]

    def blocks(self, width: int) -> list[list[Row]]:
        """Number, item, answer."""
        rows: list[list[Row]] = []
        for number, (item, answer) in enumerate(zip(ITEMS, self._answers, strict=True), start=1):
            said, role = ("", "wait") if answer is None else (f"{answer} {ANSWERS[answer]}", "strong")
            mark = OPEN if answer is None else MET
            rows.append([[(f"{mark} {number:>2} ", role), (f"{item:<26}", "plain"), (said, role)]])
        return rows

    def tail(self, width: int) -> list[Row]:
        """The scores, when all are answered."""
        answers = [one for one in self._answers if one is not None]
        if len(answers) < len(ITEMS):
            return []
        return [[(fit(score_symptoms(answers).words(), width).rstrip(), "strong")]]

    def press(self, key: str, character: str | None) -> bool:
        """A digit answers, b changes when it is asked, Enter enters."""
        if character is not None and character in "0123":
            self._answers[self.at] = int(character)
            open_ones = [at for at, one in enumerate(self._answers) if one is None]
            later = [at for at in open_ones if at > self.at]
            self.at = (later or open_ones or [len(ITEMS) - 1])[0]
            self._moved = True
        elif character == "b":
            self.when = "after" if self.when == "before" else "before"
        elif key == "enter" and None not in self._answers:
            self._enter(self.when, [one for one in self._answers if one is not None])
            self.dismiss(None)
            return True
        else:
            return False
        self.redraw()
        return True

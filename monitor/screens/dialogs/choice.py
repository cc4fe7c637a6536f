"""A sheet at the foot that is answered in two steps: one key chooses, then words say more."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Generic, TypeVar

from textual.widgets import Input

from monitor.screens.dialogs.sheet import Sheet

Choice = TypeVar("Choice")
Result = TypeVar("Result")


class ChoiceSheet(Sheet[Result], Generic[Choice, Result]):
    """Base of such sheets: `choices` has what each key chooses, `lacking` and `answer` what becomes of the words."""

    least_rows = 6
    at_foot = True
    with_input = True
    types_at_once = False
    choices: Mapping[str, Choice]
    asks_for_words = ""
    """What is said where words are lacking."""

    def __init__(self) -> None:
        super().__init__()
        self.chosen: Choice | None = None
        self.fault = ""

    def lacking(self, choice: Choice, words: str) -> bool:
        """Whether more words are needed than these."""
        return not words

    def answer(self, choice: Choice, words: str) -> Result:
        """What the sheet gives."""
        raise NotImplementedError

    def press(self, key: str, character: str | None) -> bool:
        """First which, then words."""
        if self.chosen is None and character is not None and character in self.choices:
            self.chosen = self.choices[character]
            self.set_focus(self.query_one(Input))
            self.redraw()
            return True
        return False

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Gives the answer, or says what it lacks."""
        event.stop()
        words = event.value.strip()
        if self.chosen is None or self.lacking(self.chosen, words):
            self.fault = self.asks_for_words
            self.redraw()
            return
        self.dismiss(self.answer(self.chosen, words))

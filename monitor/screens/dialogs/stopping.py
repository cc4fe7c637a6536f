"""What stopped the participant is lifted, or was entered by mistake; and what else was entered by mistake."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from textual.widgets import Input

from monitor.following.view import StopView
from monitor.following.words import clock
from monitor.judging.case.trial import Note
from monitor.screens.dialogs.choice import ChoiceSheet
from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.drawing.canvas import clean

How = Literal["lift", "retract"]


@dataclass(frozen=True, slots=True)
class StopAnswered:
    """What is said of a stop, and why."""

    how: How
    words: str


class StopSheet(ChoiceSheet[How, StopAnswered]):
    """Two ways back, each with words: the participant goes on, or nobody had been unwell."""

    heading = "STOP"
    input_label = "Why: "
    choices: Mapping[str, How] = {"l": "lift", "m": "retract"}
    asks_for_words = "Not entered yet: say why, in a few words"

    def __init__(self, stop: StopView) -> None:
        super().__init__()
        self.stop = stop

    @property
    def foot(self) -> str:
        """What comes next."""
        if self.fault:
            return self.fault
        return (
            "l lift it   m entered by mistake   Esc leaves it"
            if self.chosen is None
            else "Enter enters it   Esc leaves it"
        )

    def rows(self, width: int) -> list[Row]:
        """What was entered, and what each answer means."""
        said = f"{self.stop.words}, entered at {clock(self.stop.at)}"
        meant = {"lift": "Lifted: later trials count again.", "retract": "By mistake: no trial is void by it."}
        words = "Lifted, later trials count again; by mistake, none is void by it."
        words = words if self.chosen is None else meant[self.chosen]
        return [[(clean(said), "strong")], [(words, "plain")], [("Both stay in every report, with your words.", "dim")]]

    def answer(self, choice: How, words: str) -> StopAnswered:
        """The way back, and why."""
        return StopAnswered(choice, words)


class RetractSheet(Sheet[str]):
    """Takes back a note, a mark or a rating; gives the words, which may be empty where nothing depends on it."""

    least_rows = 5
    at_foot = True
    with_input = True
    input_label = "Why: "
    heading = "TAKE BACK"
    foot = "Enter takes it back   Esc leaves it"

    def __init__(self, note: Note) -> None:
        super().__init__()
        self.note = note
        self.fault = ""

    def rows(self, width: int) -> list[Row]:
        """What is taken back; it is never deleted."""
        what = f"{clock(self.note.at)} {self.note.text}"
        said = self.fault or "It stays in the record and in every report, marked as taken back."
        return [[(clean(what), "strong")], [(said, "bad" if self.fault else "dim")]]

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """How somebody felt is taken back with words only."""
        event.stop()
        words = event.value.strip()
        if self.note.must_say_why and not words:
            self.fault = "Not taken back yet: say why, in a few words."
            self.redraw()
        else:
            self.dismiss(words)

"""The safety page: how the participant is, what stopped, what deviated; and the boxes in which that is entered."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from textual.widgets import Input

from monitor.following.around import DayView
from monitor.judging.day.log import Event, FilledIn, Fitness
from monitor.screens.dialogs.choice import ChoiceSheet
from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.drawing.canvas import clean, wrap
from monitor.screens.drawing.marks import MET, NOT_MET, OPEN, UNDECIDED

CAUTION = "It reminds and decides nothing: the facility's stop rule, its emergency plan and its people come first."
WISHES = {"a": "adverse", "d": "deviation", "s": "symptoms", "f": "fit"}


class SafetySheet(Sheet[str]):
    """Gives what is to be entered next, else None. Nothing of a trial stands on it."""

    least_rows = 20
    takes_notes = True

    def __init__(self, day: Callable[[], DayView], stop: Callable[[], str], *, may_enter: bool) -> None:
        super().__init__()
        self._day = day
        self._stop = stop
        self._may_enter = may_enter

    @property
    def heading(self) -> str:
        """How much there is."""
        day = self._day()
        events = [one for one in day.log.events if one.retracted is None]
        adverse = sum(one.kind == "adverse" for one in events)
        counted = [(len(day.stops), "stop"), (adverse, "adverse event"), (len(events) - adverse, "deviation")]
        return f"SAFETY   {', '.join(f'{number} {noun}' + ('' if number == 1 else 's') for number, noun in counted)}"

    @property
    def foot(self) -> str:
        """The keys that do something here."""
        keys = "a adverse   d deviation   s symptoms   f fit to leave   " if self._may_enter else ""
        return f"{keys}Esc closes"

    def rows(self, width: int) -> list[Row]:
        """Stops first, then what was entered, then what is still asked."""
        day = self._day()
        rows: list[Row] = []
        stands = self._stop()
        if stands:
            rows += _rows(NOT_MET, f"STOP stands: {stands}", "alarm", width)
        for stop in day.stops:
            lifted = f"; lifted by {stop.lifted.by}: {stop.why_lifted}" if stop.lifted is not None else ""
            said = f"{_hour(stop.entered.wall)} {stop.words}, by {stop.entered.by}{lifted}"
            rows += _rows(NOT_MET if stop.lifted is None else MET, said, "plain" if lifted else "bad", width)
        for event in day.log.events:
            rows += _rows(NOT_MET if event.kind == "adverse" else UNDECIDED, _event(event), _role(event), width)
        for filled in day.log.symptoms:
            said = f"{_hour(filled.entered.wall)} symptoms {filled.when} the drive: {filled.scores.words()}"
            rows += _rows("·", said + _back(filled), "dim" if filled.retracted else "plain", width)
        for when in day.questionnaire:
            if day.log.filled_in(when) is None:
                rows += _rows(OPEN, f"symptoms {when} the drive: not asked yet", "wait", width)
        if day.comfort:
            rated = ", ".join(f"{one.rating:g}" for one in day.comfort)
            rows += _rows("·", f"comfort ratings: {rated}", "plain", width)
        if day.driven:
            rows += _rows("·", day.driven, "plain", width)
        if day.limit is not None:
            rows += _rows(UNDECIDED, day.limit.sentence, "bad" if day.limit.over else "wait", width)
        fit = day.log.fit
        if fit is not None:
            said = f"{_hour(fit.entered.wall)} {fit.said}"
            rows += _rows(MET if fit.fit else NOT_MET, said, "good" if fit.fit else "bad", width)
        elif day.asks_fit:
            rows += _rows(OPEN, "fit to leave: nobody has said yet", "wait", width)
        if not rows:
            rows.append([("nothing was entered", "dim")])
        return [*rows, [], *([(line, "dim")] for line in wrap(CAUTION, width, 3))]

    def press(self, key: str, character: str | None) -> bool:
        """What is to be entered."""
        wish = WISHES.get(character or "")
        if wish is None or not self._may_enter:
            return False
        self.dismiss(wish)
        return True


def _rows(mark: str, text: str, role: str, width: int) -> list[Row]:
    lines = wrap(clean(text), max(10, width - 2), 4)
    return [[(f"{mark} " if y == 0 else "  ", role), (line, role)] for y, line in enumerate(lines)]


def _hour(wall: float) -> str:
    """The time of day where the screen stands."""
    return datetime.fromtimestamp(wall, UTC).astimezone().strftime("%H:%M") if wall else "–:––"


def _event(event: Event) -> str:
    return f"{event.name} {_hour(event.entered.wall)} {event.text}, by {event.entered.by}{_back(event)}"


def _role(event: Event) -> str:
    return "dim" if event.retracted is not None else "bad" if event.kind == "adverse" else "plain"


def _back(one: Event | FilledIn | Fitness) -> str:
    return "" if one.retracted is None else f" (taken back by {one.retracted.by}: {one.retracted.words})"


class WordsSheet(Sheet[str]):
    """A line of words, which are needed."""

    least_rows = 5
    at_foot = True
    with_input = True
    input_label = "Words: "
    heading = ""
    foot = "Enter enters it   Esc drops it"

    def __init__(self, heading: str, said: str) -> None:
        super().__init__()
        self.heading = heading
        self._said = said
        self.fault = ""

    def rows(self, width: int) -> list[Row]:
        """What it is, or what was wrong."""
        return [[(line, "bad" if self.fault else "plain")] for line in wrap(self.fault or self._said, width, 2)]

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Words are needed."""
        event.stop()
        words = event.value.strip()
        if words:
            self.dismiss(words)
            return
        self.fault = "Not entered yet: say it in a few words."
        self.redraw()


@dataclass(frozen=True, slots=True)
class FitSaid:
    """Whether the participant is fit to leave, and words."""

    fit: bool
    words: str


class FitSheet(ChoiceSheet[bool, FitSaid]):
    """Somebody says whether the participant is fit to leave; who is not needs words."""

    heading = "FIT TO LEAVE"
    input_label = "Words: "
    choices: Mapping[str, bool] = {"y": True, "x": False}
    asks_for_words = "Not entered yet: say in a few words what is being done."

    @property
    def foot(self) -> str:
        """What comes next."""
        if self.chosen is None:
            return "y fit to leave   x not fit   Esc leaves it"
        return "Enter enters it   Esc leaves it"

    def rows(self, width: int) -> list[Row]:
        """The question, what was chosen, and who decides."""
        meant = {True: "Fit to leave; words may follow.", False: "NOT fit to leave: say what is being done."}
        said = self.fault or (meant[self.chosen] if self.chosen is not None else "By the person who looks after them.")
        return [
            [("Is the participant fit to leave, and to drive home where that is meant?", "strong")],
            [(said, "bad" if self.fault else "plain")],
            [("You say it, not the monitor: the facility's rule for leaving comes first.", "dim")],
        ]

    def lacking(self, choice: bool, words: str) -> bool:
        """Who is not fit needs words."""
        return not choice and not words

    def answer(self, choice: bool, words: str) -> FitSaid:
        """Whether they are, and the words."""
        return FitSaid(choice, words)

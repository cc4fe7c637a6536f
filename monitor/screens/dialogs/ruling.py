"""Ruling on a trial: one key confirms; else a verdict by one key, a reason by typing or choosing it, and words."""

from __future__ import annotations

from typing import Literal

from textual.widgets import Input

from monitor.following.view import ReasonView
from monitor.following.words import trial_time, verdict_sentences
from monitor.judging.case.trial import Trial, Verdict
from monitor.judging.entered.rulings import ACCEPTING, CONFIRMED, fitting, refused
from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.drawing.canvas import Canvas, clean, fit
from monitor.screens.drawing.marks import VERDICT_MARKS, VERDICT_TONES
from monitor.screens.messages import RulingGiven
from monitor.screens.mouse import RowClicked

VERDICT_KEYS: dict[str, Verdict] = {"v": "valid", "i": "invalid", "u": "undecided"}

HEAD_ROWS = 2
"""Computed verdict and the three to choose from, above the reasons."""

Step = Literal["verdict", "reason", "words"]


class RulingSheet(Sheet[RulingGiven]):
    """Gives the ruling, or None. Confirming is one key; a ruling that overrules or loses a trial needs a reason."""

    least_rows = 20
    with_input = True
    types_at_once = False

    def __init__(self, trials: tuple[Trial, ...], reasons: tuple[ReasonView, ...]) -> None:
        super().__init__()
        self.trials = trials
        self.at = len(trials) - 1
        self.verdict: Verdict | None = None
        self.reason = ""
        self.step: Step = "verdict"
        self.fault = ""
        self._reasons = reasons
        self._chosen = 0

    @property
    def trial(self) -> Trial:
        """The trial that is ruled on."""
        return self.trials[self.at]

    @property
    def input_label(self) -> str:
        """What is typed now."""
        return {"verdict": "", "reason": "Reason: ", "words": "Words: "}[self.step]

    @property
    def heading(self) -> str:
        """Which trial it is."""
        more = f"   ← → trial {self.at + 1} of {len(self.trials)}" if len(self.trials) > 1 else ""
        return f"RULE on {clean(self.trial.id)}, fired {trial_time(self.trial)}{more}"

    @property
    def foot(self) -> str:
        """What comes next."""
        if self.fault:
            return self.fault
        if self.step == "verdict":
            return f"c confirms {self.trial.verdict}   v valid   i invalid   u undecided   Esc drops it"
        if self.step == "reason":
            return "↑↓ choose   type letters to find   Enter takes it   Esc drops it"
        return "Enter enters it, words if any   Esc drops it"

    @property
    def found(self) -> list[ReasonView]:
        """The reasons with which the ruling would be taken and that fit what was typed."""
        typed = self.query_one(Input).value.casefold().split() if self.is_mounted and self.step == "reason" else []
        fit_it = self._reasons if self.verdict is None else fitting(self.trial, self.verdict, self._reasons)
        return [
            one
            for one in fit_it
            if one.code != CONFIRMED and all(word in f"{one.code} {one.words}".casefold() for word in typed)
        ]

    def rows(self, width: int) -> list[Row]:
        """Computed verdict, the three verdicts, and the reasons with the chosen one marked."""
        trial = self.trial
        computed: Row = [
            ("computed ", "dim"),
            (f"{VERDICT_MARKS[trial.verdict]} {trial.verdict}", VERDICT_TONES[trial.verdict]),
            ("  " + fit(clean(verdict_sentences(trial)[0]), max(0, width - 24)).rstrip(), "plain"),
        ]
        choice: Row = []
        for key, verdict in VERDICT_KEYS.items():
            chosen = verdict == self.verdict
            text = f" {VERDICT_MARKS[verdict]} {verdict} {'← ruled' if chosen else ''}".rstrip()
            choice += [(key, "key"), (f"{text}", VERDICT_TONES[verdict] if chosen else "plain"), ("     ", "plain")]
        if self.step == "words":
            return [computed, choice, [("reason ", "dim"), (self.reason, "strong")]]
        found = self.found
        self._chosen = max(0, min(self._chosen, len(found) - 1))
        reasons = [self._reason(one, width, chosen=place == self._chosen) for place, one in enumerate(found)]
        return [computed, choice, *(reasons or [[("no reason with these letters", "wait")]])]

    def _reason(self, one: ReasonView, width: int, *, chosen: bool) -> Row:
        bar = "▌ " if chosen and self.step == "reason" else "  "
        role = "strong" if chosen and self.step == "reason" else "plain"
        return [(bar, "strong"), (fit(f"{clean(one.code)}: {clean(one.words)}", width - 2).rstrip(), role)]

    def draw(self, width: int, height: int) -> Canvas:
        """With the chosen reason in sight."""
        room = max(1, height - 3)
        if self.step == "reason":
            self.scrolled = max(min(self.scrolled, self._chosen), self._chosen + HEAD_ROWS + 1 - room, 0)
        else:
            self.scrolled = 0
        return super().draw(width, height)

    def scroll_rows(self, rows: int) -> None:
        """The arrows choose a reason."""
        self._chosen = max(0, min(self._chosen + rows, len(self.found) - 1))
        self.redraw()

    def on_row_clicked(self, event: RowClicked) -> None:
        """A click on a reason takes it."""
        event.stop()
        place = event.y - 1 + self.scrolled - HEAD_ROWS
        if self.step == "reason" and 0 <= place < len(self.found):
            self._chosen = place
            self._take_reason()

    def press(self, key: str, character: str | None) -> bool:
        """The verdict; left and right choose the trial."""
        self.fault = ""
        if self.step != "verdict":
            return False
        if character == "c":
            self.dismiss(RulingGiven(self.trial.id, self.trial.verdict, CONFIRMED, ""))
        elif character in VERDICT_KEYS:
            self._take_verdict(VERDICT_KEYS[character])
        elif key in ("left", "right"):
            self.at = (self.at + (1 if key == "right" else -1)) % len(self.trials)
            self.redraw()
        elif key == "enter":
            self.fault = "Not entered yet: c confirms, or choose v, i or u"
            self.redraw()
        else:
            return False
        return True

    def _take_verdict(self, verdict: Verdict) -> None:
        self.verdict = verdict
        if self.found:
            self._type_in("reason")
            return
        known = {one.code: one for one in self._reasons}
        self.verdict, self.fault = None, refused(self.trial, verdict, ACCEPTING[0], known) or ""
        self.redraw()

    def _type_in(self, step: Step) -> None:
        self.step = step
        line = self.query_one(Input)
        line.value = ""
        self.set_focus(line)
        self.place()

    def _take_reason(self) -> None:
        found = self.found
        if not found:
            self.fault = "Not entered yet: choose a reason"
            self.redraw()
            return
        self.reason = found[self._chosen].code
        self._type_in("words")

    def on_input_changed(self, event: Input.Changed) -> None:
        """What is typed finds reasons."""
        event.stop()
        if self.step == "reason":
            self._chosen = 0
            self.redraw()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter takes the reason, then the words."""
        event.stop()
        if self.step == "reason":
            self._take_reason()
        elif self.verdict is not None:
            self.dismiss(RulingGiven(self.trial.id, self.verdict, self.reason, event.value.strip()))

"""Ruling on a trial: verdict by one key, reason code by one key, words, Enter."""

from __future__ import annotations

from textual.widgets import Input

from monitor.judging.case.trial import Trial, Verdict
from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.drawing.canvas import clean, fit
from monitor.screens.drawing.marks import VERDICT_MARKS, VERDICT_TONES
from monitor.screens.drawing.words import trial_time, verdict_sentences
from monitor.screens.messages import RulingGiven

REASON_KEYS = "1234567890abcdefghjklmnopqrstwxyz"
"""One key a reason in the study's order; without v, i and u, which are the verdicts."""

VERDICT_KEYS: dict[str, Verdict] = {"v": "valid", "i": "invalid", "u": "undecided"}


class RulingSheet(Sheet[RulingGiven]):
    """Gives the ruling, or None. An overruling needs a reason code; a confirmation may go without."""

    least_rows = 15
    with_input = True
    input_label = "Words: "
    types_at_once = False

    def __init__(self, trials: tuple[Trial, ...], reasons: tuple[tuple[str, str], ...]) -> None:
        super().__init__()
        self.trials = trials
        self.at = len(trials) - 1
        self.reasons = reasons[: len(REASON_KEYS)]
        self.verdict: Verdict | None = None
        self.reason: str = ""
        self.fault = ""

    @property
    def trial(self) -> Trial:
        """The trial that is ruled on."""
        return self.trials[self.at]

    @property
    def heading(self) -> str:  # type: ignore[override]
        """Which trial it is."""
        more = f"   ← → trial {self.at + 1} of {len(self.trials)}" if len(self.trials) > 1 else ""
        return f"RULE on {clean(self.trial.id)}, fired {trial_time(self.trial)}{more}"

    @property
    def foot(self) -> str:  # type: ignore[override]
        """What comes next."""
        if self.fault:
            return self.fault
        if self.verdict is None:
            return "step 1 of 3: verdict by v, i or u   Esc drops it"
        if not self.reason and not isinstance(self.focused, Input):
            return "step 2 of 3: reason by its key   Tab goes on to the words   Esc drops it"
        return "step 3 of 3: words if any   Enter enters it   Esc drops it"

    def rows(self, width: int) -> list[Row]:
        """Computed verdict, the three verdicts, and the reasons with their keys (in two columns where they fit)."""
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
        out: list[Row] = [computed, choice, []]
        column = width // 2 if width >= 100 else width
        pieces = [self._reason(place, code, words, column) for place, (code, words) in enumerate(self.reasons)]
        if column == width:
            return out + pieces
        half = (len(pieces) + 1) // 2
        return out + [pieces[y] + (pieces[y + half] if y + half < len(pieces) else []) for y in range(half)]

    def _reason(self, place: int, code: str, words: str, width: int) -> Row:
        chosen = code == self.reason
        said = f" {clean(code)}: {clean(words)}{' ← reason' if chosen else ''}"
        return [(REASON_KEYS[place], "key"), (fit(said, width - 2) + " ", "strong" if chosen else "plain")]

    def press(self, key: str, character: str | None) -> bool:
        """Verdict, then reason; left and right choose the trial."""
        self.fault = ""
        if character in VERDICT_KEYS:
            self.verdict = VERDICT_KEYS[character]
        elif character and character in REASON_KEYS[: len(self.reasons)]:
            if self.verdict is None:
                self.fault = "First the verdict: v, i or u"
            else:
                self.reason = self.reasons[REASON_KEYS.index(character)][0]
                self.set_focus(self.query_one(Input))
        elif key in ("left", "right"):
            self.at = (self.at + (1 if key == "right" else -1)) % len(self.trials)
        elif key == "tab":
            self.set_focus(self.query_one(Input))
        elif key == "enter":
            self._give("")
        else:
            return False
        self.redraw()
        return True

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter in the words ends it."""
        event.stop()
        self._give(event.value.strip())

    def _give(self, words: str) -> None:
        if self.verdict is None:
            self.fault = "Not entered yet: choose the verdict with v, i or u"
        elif self.verdict != self.trial.verdict and not self.reason:
            self.fault = "Not entered yet: to overrule, choose a reason by its key"
        else:
            self.dismiss(RulingGiven(self.trial.id, self.verdict, self.reason, words))
            return
        self.set_focus(None)
        self.redraw()

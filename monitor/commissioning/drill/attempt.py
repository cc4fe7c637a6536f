"""One drive of an exercise: what the screen showed and what the operator did, and what follows from both.

Told is what heads the screen; nothing is judged a second time. Times are of one clock, in seconds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from monitor.commissioning.drill.cases import Case
from monitor.following.heading.table import headings
from monitor.following.view import LiveView
from monitor.following.words import verdict_word
from monitor.judging.case.trial import Trial, Verdict

HELD_BACK = "held-back"
"""Code of the operator's mark: the simulator's desk was asked to hold the trigger back."""

TOO_LATE = "LET IT RUN"
"""The word with which the screen says that nobody can do anything any more."""

LOST_ROWS = ("losing", "not yet")
"""Rows of the heading that say that the coming trial is being lost."""

RIGHT: Mapping[Verdict, tuple[Verdict, ...]] = {
    "valid": ("valid",),
    "invalid": ("invalid",),
    "undecided": ("undecided", "invalid"),
}
"""What may be ruled on a trial that was judged so: in none of the undecided cases can anybody know that it counts."""

Outcome = Literal["saved", "right", "good one stopped", "could have been saved", "ruled wrongly", "not ruled on"]


@dataclass(frozen=True, slots=True)
class CaseResult:
    """How one drive went."""

    number: int
    case: str
    verdict: str
    """What it comes to when nobody does anything."""
    outcome: Outcome
    to_be_seen: str
    told: str = ""
    """The word that said first that it is being lost; empty where none did before the fire."""
    told_before_s: float | None = None
    """Seconds of the drive from then to the fire; None where it was not told, or did not fire."""
    stop_s: float | None = None
    """Seconds from then until it was held back."""
    rule_s: float | None = None
    """Seconds from the first verdict on the screen until it was ruled on."""
    ruled: tuple[str, ...] = ()
    """Verdicts that were ruled, in the order of the trials."""
    wrong: int = 0
    """Rulings that no record of such a drive bears out."""
    unruled: int = 0
    noted: bool = False

    def as_json(self) -> dict[str, Any]:
        """For keeping and for scripts."""
        return asdict(self)


@dataclass(slots=True)
class Attempt:
    """Takes what was shown (`see`) and what was entered (`enter`). `action_takes_s` is the study's."""

    case: Case
    number: int
    trigger: str
    action_takes_s: float
    heads: str = ""
    """The word that heads the screen now."""
    told: str = ""
    told_at: float | None = None
    held_at: float | None = None
    trials: tuple[Trial, ...] = ()
    """Of the trigger, those that have something to say."""
    shown_at: dict[str, float] = field(default_factory=dict)
    """Trial → when its verdict was first on the screen."""
    ruled: dict[str, tuple[str, float]] = field(default_factory=dict)
    noted: bool = False
    _told_t: float | None = None

    @property
    def has_fired(self) -> bool:
        """Whether there is nothing to hold back any more."""
        return any(one.fired_at is not None or one.timing.result == "missed" for one in self.trials)

    @property
    def unruled(self) -> tuple[Trial, ...]:
        """Trials whose verdict is on the screen and on which nobody has ruled; none where it was held back."""
        if self.held_at is not None:
            return ()
        return tuple(one for one in self.trials if one.id in self.shown_at and one.id not in self.ruled)

    def see(self, view: LiveView, now_s: float) -> None:
        """What is on the screen at this moment."""
        self.trials = tuple(one for one in view.trials if one.trigger == self.trigger and _speaks(one))
        for one in self.trials:
            if verdict_word(one) != "FIRED":
                self.shown_at.setdefault(one.id, now_s)
        name, first = headings(view)[0]
        self.heads = first.word
        if name in LOST_ROWS and self.told_at is None and self.held_at is None and not self.has_fired:
            self.told, self.told_at, self._told_t = first.word, now_s, view.t

    def enter(self, fields: Mapping[str, Any], now_s: float) -> None:
        """What the operator entered at this moment."""
        match fields.get("type"):
            case "mark" if fields.get("code") == HELD_BACK and self.held_at is None and not self.has_fired:
                self.held_at = now_s
            case "note":
                self.noted = True
            case "ruling":
                self.ruled[str(fields.get("trial"))] = (str(fields.get("verdict")), now_s)

    def result(self) -> CaseResult:
        """How it went."""
        stop_s = None if self.held_at is None or self.told_at is None else self.held_at - self.told_at
        judged = [] if self.held_at is not None else [one for one in self.trials if one.id in self.shown_at]
        ruled = [self.ruled[one.id][0] for one in judged if one.id in self.ruled]
        wrong = sum(one.id in self.ruled and self.ruled[one.id][0] not in RIGHT[one.verdict] for one in judged)
        unruled = len(judged) - len(ruled)
        times = [self.ruled[one.id][1] - self.shown_at[one.id] for one in judged if one.id in self.ruled]
        fired_t = next((one.fired_at for one in self.trials if one.fired_at is not None), None)
        told_before_s = None if fired_t is None or self._told_t is None else fired_t - self._told_t
        return CaseResult(
            number=self.number,
            case=self.case.name,
            verdict=self.case.verdict,
            outcome=self._outcome(told_before_s, wrong, unruled),
            to_be_seen=self.case.to_be_seen,
            told=self.told,
            told_before_s=told_before_s,
            stop_s=stop_s,
            rule_s=times[0] if times else None,
            ruled=tuple(ruled),
            wrong=wrong,
            unruled=unruled,
            noted=self.noted,
        )

    def _outcome(self, told_before_s: float | None, wrong: int, unruled: int) -> Outcome:
        counts = self.case.verdict == "valid"
        if self.held_at is not None:
            return "good one stopped" if counts else "saved"
        if not counts and told_before_s is not None and told_before_s >= self.action_takes_s:
            return "could have been saved"
        if wrong:
            return "ruled wrongly"
        return "not ruled on" if unruled or not self.trials else "right"


def _speaks(trial: Trial) -> bool:
    return trial.stage != "armed" or trial.verdict == "invalid"

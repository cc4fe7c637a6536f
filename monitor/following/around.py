"""What a screen shows of the day around the drive; a part of the frozen view."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.judging.day.log import DayLog
from monitor.judging.entered.companions import CompanionState
from monitor.judging.entered.operator import ComfortRating
from monitor.judging.rules.stopped import Stop
from monitor.study.day.model import AskedWhen


@dataclass(frozen=True, slots=True)
class LimitView:
    """A limit of driving that is near or passed, in short for the state line and as a sentence."""

    short: str
    sentence: str
    over: bool


@dataclass(frozen=True, slots=True)
class DebriefLine:
    """A question after the drive. `answers` is empty where words are typed."""

    name: str
    ask: str
    answers: tuple[str, ...]
    answered: str | None
    """What was answered last; None while it is open."""


@dataclass(frozen=True, slots=True)
class DayView:
    """Empty for a study that asks for none of it."""

    asked: frozenset[str] = frozenset()
    """Pages that the study asks for: "safety", "debrief"."""
    limit: LimitView | None = None
    driven: str = ""
    """Minutes so far, in words; empty where the study has no limits."""
    debrief: tuple[DebriefLine, ...] = ()
    hides_trials: bool = False
    """Whether nothing of a trial is shown for now."""
    asks_debrief: bool = False
    """Whether a trigger has fired in this drive, so that there is something to ask of."""
    asks_first: bool = False
    """Whether the drive is over and the debrief is open: until it is answered nothing of a trial is shown."""
    log: DayLog = field(default_factory=DayLog)
    stops: tuple[Stop, ...] = ()
    comfort: tuple[ComfortRating, ...] = ()
    questionnaire: tuple[AskedWhen, ...] = ()
    """When it is still to be asked, or was asked in this run; without what was asked in an earlier run today."""
    asks_fit: bool = False
    companions: tuple[CompanionState, ...] = ()

    @property
    def open(self) -> tuple[str, ...]:
        """What the study asks for at the end of a session and nobody has entered, a sentence each."""
        said = [f"Debrief: {one.ask} Not answered." for one in self.debrief if self.asks_debrief and not one.answered]
        said += [
            f"Symptoms {when} the drive were not asked." for when in self.questionnaire if not self.log.filled_in(when)
        ]
        said += (
            ["Nobody has said whether the participant is fit to leave."] if self.asks_fit and not self.log.fit else []
        )
        return (*said, *(f"{one.name}: {one.words}." for one in self.companions if one.is_there is False))

"""What a screen shows of the day around the drive; a part of the frozen view."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.judging.day.log import DayLog
from monitor.judging.operator import ComfortRating
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
    asks_first: bool = False
    """Whether the drive is over and the debrief is open: until it is answered nothing of a trial is shown."""
    log: DayLog = field(default_factory=DayLog)
    stops: tuple[Stop, ...] = ()
    comfort: tuple[ComfortRating, ...] = ()
    questionnaire: tuple[AskedWhen, ...] = ()
    asks_fit: bool = False

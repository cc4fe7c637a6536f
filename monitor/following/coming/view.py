"""What a screen draws of the coming trial: its conditions as they stand, what will be of them, what would spoil it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from monitor.judging.case.trial import ConditionResult
from monitor.study.model import Severity
from monitor.study.rules import ActionRule

Foreseen = Literal["holds", "fails", "lost", "to come"]
"""What will be of a condition at the fire. "fails": it is out of its band, or going out, and may come right. "lost": it
cannot come right any more. "to come": it need not hold yet, or nothing can foresee it."""


@dataclass(frozen=True, slots=True)
class OutlookRow:
    """One condition of the next trigger, now. `trend` is −1 (leaving the band), 0, or +1 (coming towards it)."""

    condition: ConditionResult
    trend: int
    words: str
    """Such as "0.4 s too long, closing in"."""
    foreseen: Foreseen = "holds"
    why: str = ""
    """What is wrong with it, for the heading; empty where nothing is."""
    persists: bool = True
    """Whether that has been so for a second: what passes sooner is no news."""
    by_driving: bool = False
    """Whether own driving decides it: inside another trial's horizon that is the response to it."""
    lost_in_s: float | None = None
    """The warning horizon: seconds from now after which it cannot hold at the fire any more, by what a driver can do.
    None where that is not known, or where the fire is not."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """What would make the coming trial anything but valid, known before its fire: a reason code, a sentence, and the
    conditions that it leaves open (none: the trial as a whole)."""

    code: str
    sentence: str
    conditions: tuple[str, ...]
    severity: Severity
    at_once: bool = False
    """Whether it is told however far away the fire is: another person, group or scenario than planned."""
    answered: str = ""
    """What the operator said of it; empty where nobody was asked, or nobody answered."""
    by_driving: bool = False


@dataclass(frozen=True, slots=True)
class OutlookView:
    """The next trigger, and all that is known of its trial before it fires."""

    trigger: str
    seconds_left: float | None
    rows: tuple[OutlookRow, ...]
    doubts: tuple[Doubt, ...] = ()
    action: ActionRule | None = None
    action_takes_s: float = 4.0
    in_horizon: bool = False
    """Whether another trial is still being answered: own driving says nothing of this one yet."""
    as_it_comes: bool = False
    """Whether it is one of many events that surprise nobody: nobody acts on the next one, and none is replaced."""
    hidden: bool = False
    """Whether a blind study hides what would tell of another trial's response."""
    to_come: tuple[str, ...] = ()
    """What else must still come before the fire, such as the visual task."""
    which: str = ""
    """Which of several it is: "3 of 20", "3 of any number"; empty for a trigger that fires once."""

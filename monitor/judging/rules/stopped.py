"""Why a participant drives no more: unwell, a comfort rating at the facility's stop rule, the emergency stop.

It voids the trial that runs when it is entered and those that fire after it, until somebody lifts it; an earlier trial
was driven by somebody who was well (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from monitor.judging.case.case import make_finding, trial_window
from monitor.judging.case.trial import Finding, Trial
from monitor.study.model import Study, Trigger

STOP_MARKS = {"unwell": "participant-unwell", "emergency-stop": "emergency-stop"}
"""Code of an operator's mark → reason code."""

COMFORT = "comfort-high"


@dataclass(frozen=True, slots=True)
class Instant:
    """When something was entered: drive, seconds of the drive, seconds since 1970, and by whom."""

    drive: int | None
    at: float | None
    wall: float
    by: str

    def is_before(self, drive: int, t: float) -> bool:
        """Whether it was entered before a time of a drive; one without a drive's time was entered before any frame."""
        return (self.drive or 0, self.at or 0.0) <= (drive, t)


@dataclass(frozen=True, slots=True)
class Stop:
    """An entry that stops the participant's drives. `key` is that of the entry, `code` a reason code."""

    key: str
    code: str
    entered: Instant
    words: str
    """Such as "unwell" or "comfort rating 14, the facility's stop rule is 12 or more"."""
    lifted: Instant | None = None
    why_lifted: str = ""


def judge_stops(trial: Trial, trigger: Trigger, study: Study, stops: Iterable[Stop]) -> list[Finding]:
    """A finding for the first stop that stood while the trial ran, or when it fired."""
    if trial.fired_at is None:
        return []
    horizon_s = trigger.response.horizon_s if trigger.response is not None else 0.0
    over_t = trial.fired_at + max(trial_window(trigger)[1], horizon_s)
    for stop in stops:
        before_fire = stop.lifted is not None and stop.lifted.is_before(trial.drive, trial.fired_at)
        if before_fire or not stop.entered.is_before(trial.drive, over_t):
            continue
        at = stop.entered.at
        when = "before any frame" if at is None else f"at {at:.2f} s"
        when += f" of drive {stop.entered.drive}" if stop.entered.drive not in (None, trial.drive) else ""
        sentence = f"{stop.words[:1].upper()}{stop.words[1:]}: entered {when} by {stop.entered.by}."
        return [make_finding(study, stop.code, sentence, at if stop.entered.drive == trial.drive else None)]
    return []

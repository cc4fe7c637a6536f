"""What is doubted of the channels that a coming trial will look at: the trial's own rules, as if it had just fired.

For the heading before the fire, and for preflight. It decides nothing: at the fire the trial is judged by its frames.
What is wrong in the run-up goes on, as far as anybody can tell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.judging.case.case import Case
from monitor.judging.case.conditions import window_of
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import ReceivedMarker
from monitor.judging.case.trial import ConditionResult, Finding
from monitor.judging.firing import FireWatch
from monitor.judging.judge import SEEN_PERIODS, Plan, Settled, leave_open, make_case
from monitor.judging.rules.before import judge_before
from monitor.judging.rules.disagreement import judge_disagreement
from monitor.judging.rules.signals import judge_signals


@dataclass(frozen=True, slots=True)
class Ahead:
    """A coming trial's channels as they stand now."""

    doubts: tuple[Finding, ...]
    """What would not leave the trial valid."""
    changed: tuple[str, ...]
    """Conditions that come out otherwise by what is doubted."""
    unbelieved: frozenset[str]
    """Channels of own car that no rule should believe."""
    conditions: tuple[ConditionResult, ...]
    """The conditions that look at the time before the fire, with what each can be checked by."""

    @property
    def unchecked(self) -> tuple[str, ...]:
        """The conditions that nothing else in the feed can check."""
        return tuple(one.name for one in self.conditions if one.evidence is not None and not one.evidence.by)


def case_at(plan: Plan, drive: DriveLog, watch: FireWatch, number: int, ahead_s: float, occurrence: int = 1) -> Case:
    """The trial as of an entry, as if its marker stood so many seconds ahead of the newest frame."""
    fire_t = float(drive.newest_t) + ahead_s
    marker = ReceivedMarker(0, fire_t, "trigger", watch.trigger.name, {}, number, fire_t, math.nan, recovered=False)
    return make_case(plan, drive, watch, marker, occurrence, number)


def look_ahead(plan: Plan, drive: DriveLog, watch: FireWatch, number: int, back_s: float = 0.0) -> Ahead | None:
    """The channels that a trigger's conditions look at, as of an entry and of an instant `back_s` before its newest
    frame; None before there are frames to look at."""
    ahead_s = -max(back_s, SEEN_PERIODS * drive.period_s)
    if not drive.blocks or not drive.newest_t + ahead_s > drive.first_t:
        return None
    case = case_at(plan, drive, watch, number, ahead_s)
    settled = Settled()
    bodies = settled.bodies_of(case, watch.trigger.role, case.fired_at)
    if bodies is None:
        return None
    weighed = [
        one
        for condition, one in zip(watch.trigger.conditions, settled.weighed_of(case), strict=True)
        if window_of(condition)[1] <= 0.0 and not one.condition.open
    ]
    told = judge_disagreement(case, bodies.own, bodies.other, weighed)
    signals = judge_signals(case)
    now = tuple(one.condition for one in weighed)
    then = leave_open(now, told.own | {each.signal for each in signals})
    changed = tuple(
        one.condition.name
        for one, before, after in zip(weighed, now, then, strict=True)
        if one.changes or before is not after
    )
    findings = [*told.findings, *(one.finding for one in signals)]
    findings += [one for one in judge_before(case, bodies.stretch, told.own) if one.code == "pedals-not-measured"]
    doubts = tuple(one for one in findings if one.severity != "note")
    return Ahead(doubts, changed, told.own, now)

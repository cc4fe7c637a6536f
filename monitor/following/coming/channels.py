"""Channels, signals and pedals that are not believed before the fire: the rules that a trial's verdict has, asked as if
the fire had come now. What is wrong in the run-up goes on, as far as anybody can tell.

Holding all channels against each other costs as much as drawing several screens, so what was found stands for a while.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from monitor.following.coming.view import Doubt
from monitor.judging.case.case import Case, trial_window
from monitor.judging.case.conditions import judge_condition, window_of
from monitor.judging.case.received import ReceivedMarker
from monitor.judging.case.trial import Finding
from monitor.judging.evidence.weighing import Weighed, weigh
from monitor.judging.occasion import Occasion
from monitor.judging.rules.before import judge_before
from monitor.judging.rules.disagreement import judge_disagreement
from monitor.judging.rules.feedhealth import judge_feed
from monitor.judging.rules.signals import judge_signals
from monitor.judging.settled import Settled
from monitor.judging.verdict import leave_open
from monitor.study.terms import Condition

EVERY_S, NEAR_S, FAR_EVERY_S = 1.0, 15.0, 2.0
"""Channels are looked at once a second in the last seconds before a fire, and half as often before: what is wrong then
is told in time all the same."""


@dataclass(frozen=True, slots=True)
class ChannelDoubts:
    """What was found of the channels, and those of own car that no rule should believe."""

    doubts: tuple[Doubt, ...] = ()
    unbelieved: frozenset[str] = frozenset()
    unchecked: tuple[str, ...] = ()
    """Conditions on the time before the fire that nothing else in the feed can check."""
    is_checked: bool = False
    """Whether any condition could be looked at."""
    pace: tuple[Finding, ...] = ()
    """That simulated time runs too slow or too fast."""


def _go_on() -> None:
    """Nothing else waits for whoever looks."""


class ChannelWatch:
    """Looks at the channels of coming trials, and remembers what it found.

    `pause` is called between the parts of a look, each of which takes some milliseconds: it may raise, and then the
    look is done anew at the next call.
    """

    def __init__(self, pause: Callable[[], None] = _go_on) -> None:
        self.pause = pause
        self._found: dict[str, tuple[str, float, ChannelDoubts]] = {}
        """By trigger: of which trial, as of when, and what."""

    def look(self, occasion: Occasion, every_s: float) -> ChannelDoubts:
        """What is known of the channels before a trial, as of the drive's last whole `every_s` or later; 0: as of the
        newest frame."""
        newest_t = float(occasion.drive.newest_t)
        t = newest_t - (newest_t % every_s if every_s else 0.0)
        known = self._found.get(occasion.trigger.name)
        if known is not None and known[0] == occasion.id and t <= known[1] <= newest_t:
            return known[2]
        found = replace(_look(case_at(occasion, t - newest_t), self.pause), pace=_about_the_pace(occasion))
        self._found[occasion.trigger.name] = occasion.id, t, found
        return found


def pace_of(seconds_left: float | None) -> float:
    """How often the channels of a trial are looked at that fires in so many seconds; None: nobody knows."""
    return FAR_EVERY_S if seconds_left is not None and seconds_left > NEAR_S else EVERY_S


def case_at(occasion: Occasion, ahead_s: float) -> Case:
    """The trial as if its marker stood so many seconds ahead of the newest frame."""
    fire_t, name, number = float(occasion.drive.newest_t) + ahead_s, occasion.trigger.name, occasion.number
    return occasion.case(ReceivedMarker(0, fire_t, "trigger", name, {}, number, fire_t, math.nan, recovered=False))


def as_doubt(finding: Finding, conditions: tuple[str, ...], *, at_once: bool = False, answered: str = "") -> Doubt:
    """A finding that the coming trial will have."""
    return Doubt(finding.code, finding.sentence, conditions, finding.severity, at_once, answered)


def _about_the_pace(coming: Occasion) -> tuple[Finding, ...]:
    """Whether simulated time would have run too slow or too fast for a trial that was over now: who does nothing about
    it will have the next one at that pace as well. Asked before the trial's own window has begun."""
    case = case_at(coming, -trial_window(coming.trigger)[1])
    if case.stretch is None:
        return ()
    return tuple(one for one in judge_feed(case, hazard_came=True) if one.code == "slow-motion")


def _look(case: Case, pause: Callable[[], None]) -> ChannelDoubts:
    settled = Settled()
    bodies = settled.bodies_of(case, case.trigger.role, case.fired_at)
    if bodies is None:
        return ChannelDoubts()
    found = []
    for condition in case.trigger.conditions:
        if window_of(condition)[1] <= 0.0:
            pause()
            found.append(_weigh(case, settled, condition))
    weighed = tuple(found)
    pause()
    doubts = judge_disagreement(case, bodies, weighed)
    pause()
    signals = judge_signals(case)
    now = tuple(one.condition for one in weighed)
    then = leave_open(now, doubts.own | {each.signal for each in signals})
    changed = tuple(
        one.condition.name
        for one, before, after in zip(weighed, now, then, strict=True)
        if one.changes or before is not after
    )
    findings = [*doubts.findings, *(one.finding for one in signals)]
    findings += [one for one in judge_before(case, bodies.stretch, doubts.own) if one.code == "pedals-not-measured"]
    told = tuple(as_doubt(one, changed) for one in findings if one.severity != "note")
    unchecked = tuple(one.name for one in now if one.evidence is not None and not one.evidence.by)
    return ChannelDoubts(told, doubts.own, unchecked, is_checked=any(one.evidence is not None for one in now))


def _weigh(case: Case, settled: Settled, condition: Condition) -> Weighed:
    result = judge_condition(condition, case.stretch, case.fired_at, case.cast)
    bodies = settled.bodies_of(case, condition.measure.role or case.trigger.role, case.fired_at)
    return Weighed(result) if bodies is None else weigh(condition, result, bodies, case.fired_at)

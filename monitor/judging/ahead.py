"""What is doubted of the channels that a coming trial will look at: the trial's own tests, as if it had just fired.

For the screen before the fire, and for preflight. It decides nothing: at the fire the trial is judged by its frames.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.judging.case.conditions import window_of
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import ReceivedMarker
from monitor.judging.case.trial import ConditionResult, Finding
from monitor.judging.firing import FireWatch
from monitor.judging.judge import SEEN_PERIODS, Plan, Settled, make_case
from monitor.judging.rules.disagreement import judge_disagreement

AGAIN_AFTER_S = 0.25
"""A doubt that can be known before the fire is looked for this often: it costs some milliseconds."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """The coming trial's channels at frame time `t`: doubts that would not leave it valid, and the conditions that look
    at the time before the fire, with what each can be checked by."""

    trigger: str
    t: float
    doubts: tuple[Finding, ...]
    conditions: tuple[ConditionResult, ...]

    @property
    def unchecked(self) -> tuple[str, ...]:
        """The conditions that nothing else in the feed can check."""
        return tuple(one.name for one in self.conditions if one.evidence is not None and not one.evidence.by)


def look_ahead(plan: Plan, drive: DriveLog, watch: FireWatch, number: int) -> Ahead | None:
    """The channels that a trigger's conditions look at, as of an entry; None before there are frames to look at."""
    now_t = float(drive.newest_t)
    fired_at = now_t - SEEN_PERIODS * drive.period_s
    if not drive.blocks or not math.isfinite(fired_at) or fired_at <= drive.first_t:
        return None
    stand_in = ReceivedMarker(0, fired_at, "trigger", watch.trigger.name, {}, number, fired_at, math.nan, False)
    case = make_case(plan, drive, watch, stand_in, 1, number)
    settled = Settled()
    weighed = [
        one
        for condition, one in zip(watch.trigger.conditions, settled.weighed_of(case), strict=True)
        if window_of(condition)[1] <= 0.0 and not one.condition.open
    ]
    bodies = settled.bodies_of(case, watch.trigger.role, fired_at)
    if bodies is None:
        return None
    found = judge_disagreement(case, bodies.own, bodies.other, weighed)
    doubts = tuple(one for one in found.findings if one.severity != "note")
    return Ahead(watch.trigger.name, now_t, doubts, tuple(one.condition for one in weighed))

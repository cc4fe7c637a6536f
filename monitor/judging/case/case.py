"""One trial as it is being judged: everything that its rules may look at, as of one entry of the record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.judging.case.conditions import window_of
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import MARKER_DELAY_S, CountStep, ReceivedMarker
from monitor.judging.case.sources import Family
from monitor.judging.case.stretch import Stretch
from monitor.judging.case.trial import Finding
from monitor.judging.case.values import Cast
from monitor.study.model import Role, Study, Trigger

ALERT_SEARCH_S = 1.0
"""Alerts are looked for this much before the earliest and after the latest permitted instant."""

RUN_UP_S = 15.0
"""Own channels are held against each other over this much of the drive before the fire, never after it: there they are
the response, which has no part in validity."""


def trial_window(trigger: Trigger) -> tuple[float, float]:
    """First and last instant that a trial's validity looks at, in seconds from the fire.

    The response has no part in it: validity is decided from what happened before and around the trigger.
    """
    windows = [(window_of(one), one.looks_back_s) for one in trigger.conditions]
    spans = [(start_s - looks_back_s, end_s) for (start_s, end_s), looks_back_s in windows]
    if trigger.alert is not None:
        spans.append((min(trigger.alert.earliest_s - ALERT_SEARCH_S, 0.0), trigger.alert.latest_s + ALERT_SEARCH_S))
    if trigger.before is not None:
        spans.append((-trigger.before.look_back_s, 0.0))
    if trigger.task is not None:
        spans.append((-trigger.task.begins_at_most_s, max(trigger.task.lasts_s - trigger.task.begins_at_least_s, 0.0)))
    if trigger.hazard is not None:
        spans.append((0.0, trigger.hazard.within_s))
    return min((start for start, _ in spans), default=0.0), max((end for _, end in spans), default=0.0)


def needed_from_s(trigger: Trigger) -> float:
    """From when on, in seconds from the fire, the conditions and the pedals before it need frames."""
    starts = [window_of(condition)[0] - condition.looks_back_s for condition in trigger.conditions]
    if trigger.before is not None:
        starts.append(-trigger.before.look_back_s)
    return min(starts, default=0.0)


def final_frame_after_s(trigger: Trigger) -> float:
    """Seconds from the fire after which a frame makes the trial final: every window plus the marker delay."""
    return trial_window(trigger)[1] + MARKER_DELAY_S


def needed_until_s(trigger: Trigger, *, hazard_came: bool) -> float:
    """Until when, in seconds from the fire, a trial must be seen: the search for a hazard that came is over."""
    ends = [window_of(condition)[1] for condition in trigger.conditions]
    if trigger.alert is not None:
        ends.append(trigger.alert.latest_s)
    if trigger.hazard is not None and not hazard_came:
        ends.append(trigger.hazard.within_s)
    return max(ends, default=0.0)


@dataclass(frozen=True, slots=True)
class Case:
    """A fired trial as of entry `number`; `now_t` is the time of the newest frame known by then.

    `stretch` spans the trial's window; None before the first judged frame. `over`: the drive has ended by then.
    """

    study: Study
    trigger: Trigger
    drive: DriveLog
    group: str | None
    number: int
    occurrence: int
    marker: ReceivedMarker
    stretch: Stretch | None
    start_t: float
    end_t: float
    now_t: float
    over: bool
    held_id: int
    role: Role | None
    markers: tuple[ReceivedMarker, ...]
    lost: tuple[CountStep, ...]
    unheard: Mapping[Family, str] = field(default_factory=dict)
    """What markers of the kinds "alert" or "task" a further source may have given without our knowing, and why."""

    @property
    def fired_at(self) -> float:
        """Fire time: the marker's own."""
        return self.marker.t

    def name_of(self, vehicle: int) -> str:
        """A vehicle's name as the simulator gives it, else its number."""
        others = self.stretch.frames.others if self.stretch else None
        if others is not None and others.label is not None:
            named = others.label[(others.id == vehicle) & (others.label >= 0)]
            if len(named):
                return others.labels[int(named[0])]
        return f"vehicle {vehicle}"

    @property
    def treatment(self) -> str | None:
        """What the participant's order gives here; None in a study between participants, or where it is not known."""
        group = self.study.groups.get(self.group or "")
        return None if group is None else group.treatment_of(self.occurrence)

    @property
    def cast(self) -> Cast:
        """Who plays which part."""
        return Cast(self.study.roles, self.trigger.role, self.held_id)

    @property
    def run_up_t(self) -> float:
        """Where the run-up begins."""
        return self.marker.t - RUN_UP_S

    @property
    def is_fire_seen(self) -> bool:
        """Whether it is known when the trigger fired: its sender saw the frames about it."""
        return self.fired_at - self.marker.not_before <= 1.5 * self.drive.period_s

    def passed(self, after_fire_s: float, marker_delay_s: float = 0.0) -> bool:
        """Whether nothing about that instant after the fire can still come in."""
        return self.over or self.now_t >= self.fired_at + after_fire_s + marker_delay_s

    def of_kind(self, *kinds: str) -> list[ReceivedMarker]:
        """Known markers of these kinds, by time."""
        return sorted(
            (marker for marker in self.markers if marker.kind in kinds), key=lambda marker: (marker.t, marker.n)
        )

    def may_be_lost(self, start_t: float, end_t: float) -> bool:
        """Whether a marker that never arrived may have been sent in this time, or one been lost with a frame."""
        if any(not step.before_t < start_t and not step.after_t > end_t for step in self.lost):
            return True
        return self.drive.unseen_in(start_t, end_t, self.number) is not None

    def finding(self, code: str, sentence: str, at: float | None) -> Finding:
        """A finding with the severity that the study gives its code."""
        return make_finding(self.study, code, sentence, at)


def make_finding(study: Study, code: str, sentence: str, at: float | None) -> Finding:
    """A finding with the severity that the study gives its code; a code without one is doubtful."""
    reason = study.reasons.get(code)
    return Finding(code, reason.severity if reason else "doubtful", sentence, at)

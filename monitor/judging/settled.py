"""What nothing can change any more about one fired trial, so that it is not looked at again with each frame."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from monitor.judging.case.case import Case, needed_until_s
from monitor.judging.case.conditions import judge_condition, seen_after_s, window_of
from monitor.judging.case.received import MARKER_DELAY_S
from monitor.judging.case.stretch import Stretch, cut_stretch
from monitor.judging.case.trial import Finding, Timing
from monitor.judging.evidence.ahead import OtherLead, lead_otherwise
from monitor.judging.evidence.causes import turned_channels
from monitor.judging.evidence.cutting import own_body, role_body
from monitor.judging.evidence.inputs import Bodies
from monitor.judging.evidence.weighing import Weighed, weigh
from monitor.judging.rules.before import judge_before
from monitor.judging.rules.disagreement import Doubts, judge_disagreement
from monitor.judging.rules.lead import judge_bend, judge_lead
from monitor.judging.rules.signals import SignalDoubt, judge_signals
from monitor.judging.rules.timing_evidence import is_alone, timing_contradicted
from monitor.study.terms import Condition

SEEN_PERIODS = 5.0
"""Frames after the fire from which on nothing about the time before it can still come in."""


@dataclass(slots=True)
class Settled:
    """What nothing can change any more about one fired trial: kept, and not judged again with each frame."""

    doubts: Doubts | None = None
    signals: list[SignalDoubt] | None = None
    contradicted: list[Finding] | None = None
    alone: bool = False
    """Whether a wrong timing rests on the own station alone."""
    weighed: dict[str, Weighed] = field(default_factory=dict)
    lead_kept_to: float = -math.inf
    """Up to when nothing had become of the lead after the fire: of those frames nothing can become of it any more."""
    _bend: list[Finding] | None = None
    _before: dict[frozenset[str], list[Finding]] = field(default_factory=dict)
    _bodies: dict[tuple[str, float], Bodies | None] = field(default_factory=dict)
    wrong_units: frozenset[str] = frozenset()
    """Channels of own car that are in another unit than they should be."""

    def emptied(self) -> Settled:
        """What a final trial's response still asks for. The rest, some hundred kilobytes a trial, is not kept."""
        known = self._cut_before()
        turned = () if known is None else turned_channels(known.own)
        return Settled(wrong_units=frozenset(cause.channel for cause in turned if cause.kind == "unit"))

    def fork(self) -> Settled:
        """The same, to go on from alone."""
        return replace(
            self,
            signals=None if self.signals is None else [*self.signals],
            contradicted=None if self.contradicted is None else [*self.contradicted],
            weighed=dict(self.weighed),
            _before=dict(self._before),
            _bodies=dict(self._bodies),
        )

    def weighed_of(self, case: Case) -> tuple[Weighed, ...]:
        """All conditions of the trigger as of the case's entry, with their evidence where their window has been
        seen."""
        return tuple(self._weighed(case, condition) for condition in case.trigger.conditions)

    def _weighed(self, case: Case, condition: Condition) -> Weighed:
        known = self.weighed.get(condition.name)
        if known is not None:
            return known
        result = judge_condition(condition, case.stretch, case.fired_at, case.cast)
        comes_late = any(one.measure.kind in ("signal", "event") for one in condition.alternatives)
        if case.drive.aligned is not None and comes_late:
            # samples and sync marks of a further source come later than the frames that they belong to
            seen = case.passed(window_of(condition)[1], MARKER_DELAY_S)
        else:
            seen = case.over or case.now_t >= case.fired_at + seen_after_s(condition, case.drive.period_s)
        # a marker may come before its frames, and what a value is held against goes up to the fire
        if not (seen and self.has_seen(case)):
            # no word that evidence may take back
            return Weighed(replace(result, open=True))
        until_t = case.fired_at + max(window_of(condition)[1], 0.0)
        bodies = self.bodies_of(case, condition.measure.role or case.trigger.role, until_t)
        weighed = Weighed(result) if bodies is None else weigh(condition, result, bodies, case.fired_at)
        self.weighed[condition.name] = weighed
        return weighed

    def bodies_of(self, case: Case, role_name: str, until_t: float) -> Bodies | None:
        """Own car up to the fire and the vehicle in a role up to `until_t`, with the run-up; None without frames."""
        key = role_name, until_t
        if key not in self._bodies:
            self._bodies[key] = cut_bodies(case, role_name, until_t, self._cut_before(role_name))
        return self._bodies[key]

    def _cut_before(self, role_name: str | None = None) -> Bodies | None:
        """Bodies of this trial that were cut out already, those with the same role first."""
        known = [one for one in self._bodies.values() if one is not None]
        return min(known, key=lambda one: one.role_name != role_name, default=None)

    def has_seen(self, case: Case) -> bool:
        """Whether all frames about the fire have come in, so that what was before it can be held against each other."""
        return case.passed(SEEN_PERIODS * case.drive.period_s)

    def signals_of(self, case: Case) -> list[SignalDoubt]:
        """Doubts about signals, once all frames about the fire have come in."""
        if self.signals is None and self.has_seen(case):
            self.signals = judge_signals(case)
        return self.signals or []

    def timing_of(self, case: Case, timing: Timing) -> tuple[Timing, list[Finding]]:
        """The timing, not stated where another telling of what the rule looks at says otherwise."""
        if not self.has_seen(case):
            return timing, []
        if self.contradicted is None:
            bodies = self.bodies_of(case, case.trigger.role, case.fired_at)
            found = None if bodies is None else timing_contradicted(case, timing, bodies)
            self.contradicted = [] if found is None else [found]
            self.alone = timing.result in ("early", "late") and bodies is not None and is_alone(case, bodies)
        if not self.contradicted:
            return timing, []
        return Timing(timing.expected_at, None, None, "not stated"), self.contradicted

    def before_of(self, case: Case, doubted: frozenset[str]) -> list[Finding]:
        """What the driver did before the fire, once that has been seen."""
        run_up = self.run_up_of(case)
        if run_up is None:
            return []
        if doubted not in self._before:
            self._before[doubted] = judge_before(case, run_up, doubted)
        return self._before[doubted]

    def lead_of(self, case: Case) -> list[Finding]:
        """What has become of the lead. Each frame after the fire is looked at once."""
        found = judge_lead(case, self.lead_kept_to)
        if not found and self.has_seen(case):
            self.lead_kept_to = case.now_t
        return found

    def bend_of(self, case: Case) -> list[Finding]:
        """Whether the way to the lead bends at the fire, once that has been seen: a note that no verdict waits for."""
        if not self.has_seen(case):
            return []
        if self._bend is None:
            self._bend = judge_bend(case)
        return self._bend

    def run_up_of(self, case: Case) -> Stretch | None:
        """The run-up to the fire, once it has been seen; None before."""
        if not self.has_seen(case):
            return None
        bodies = self.bodies_of(case, case.trigger.role, case.fired_at)
        return None if bodies is None else bodies.stretch

    def doubts_of(self, case: Case, weighed: tuple[Weighed, ...]) -> Doubts:
        """What is doubted about the channels, once all that a condition looks at has been seen."""
        if self.doubts is not None:
            return self.doubts
        if any(one.condition.open for one in weighed) or not (
            case.over or case.passed(SEEN_PERIODS * case.drive.period_s)
        ):
            return Doubts()
        until_t = case.fired_at + max(needed_until_s(case.trigger, hazard_came=True), 0.0)
        bodies = self.bodies_of(case, case.trigger.role, max(until_t, case.fired_at))
        doubts = Doubts() if bodies is None else judge_disagreement(case, bodies, weighed)
        self.doubts = doubts
        return doubts


def cut_bodies(case: Case, role_name: str, until_t: float, before: Bodies | None = None) -> Bodies | None:
    """Own car up to the fire and the vehicle in a role up to `until_t`, from the run-up on. Own car, and who is the
    lead at the fire, are those of bodies of the trial that were cut out `before`."""
    stretch = cut_stretch(case.drive, case.run_up_t, until_t, case.number)
    if stretch is None or stretch.last_at(case.fired_at) < 1:
        return None
    rows = case.cast.rows_in(stretch)(role_name)
    at = stretch.last_at(until_t)
    named = case.name_of(int(stretch.frames.others.id[rows[at]])) if at >= 0 and rows[at] >= 0 else role_name
    accepted = case.study.accepted
    if before is not None and before.role_name == role_name:
        other_lead = before.other_lead
    else:
        other_lead = _other_lead(case, role_name, stretch)
    return Bodies(
        stretch=stretch,
        rows=rows,
        own=own_body(stretch, case.fired_at, accepted) if before is None else before.own,
        other=role_body(stretch, rows, named, until_t, accepted),
        role_name=role_name,
        until_t=until_t,
        cast=case.cast,
        other_lead=other_lead,
    )


def _other_lead(case: Case, role_name: str, stretch: Stretch) -> OtherLead | None:
    """Whether boxes tell of another lead; no question where the study names the vehicle."""
    role = case.study.roles.get(role_name)
    is_named = role is not None and (role.vehicle is not None or role.id is not None)
    return None if is_named or case.held_id < 0 else lead_otherwise(stretch, case.held_id, case.fired_at)

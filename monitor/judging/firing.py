"""When a trigger should have fired by its own rule, and how the marker compares.

Edges and delays mean what the open scenario standard says of a condition (ASAM OpenSCENARIO XML, conditionEdge and
delay): at the first evaluation there is no previous value, so an edge is false; with a delay the result at t is the
(edge-)result at t − delay, and false before that much time has passed.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from monitor.judging.case.blocks import MeasuredBlock
from monitor.judging.case.case import make_finding
from monitor.judging.case.trial import Finding, Timing, TimingResult
from monitor.judging.case.values import IN, channel_values, stand_in_band
from monitor.measures.columns import BoolArray, FloatArray
from monitor.measures.lead import rows_named, rows_of
from monitor.measures.measured import Measured
from monitor.study.model import Edge, FireTerm, MissingMeans, Role, Study, Trigger

ROUNDING_S = 1e-9
"""Frame times are sums of decimal steps; 0.4 − 0.2 must still meet 0.2."""


@dataclass(frozen=True, slots=True)
class Expected:
    """The rule of a trigger began to hold at frame time `t` (entry `number`); `after_t` is the frame before it."""

    t: float
    after_t: float
    number: int


@dataclass(slots=True)
class TermMemory:
    """What a term carries from block to block: its last logical value and the edge-results still to be delayed."""

    last: bool | None = None
    first_t: float = float("nan")
    t: FloatArray = field(default_factory=lambda: np.empty(0))
    result: BoolArray = field(default_factory=lambda: np.empty(0, dtype=np.bool_))


def edge_result(holds: BoolArray, last: bool | None, edge: Edge) -> BoolArray:
    """The (edge-)result at each evaluation; `last` is the logical value at the evaluation before, None at the first."""
    if edge == "none" or len(holds) == 0:
        return holds.copy()
    before = np.concatenate([[holds[0] if last is None else last], holds[:-1]])
    rising: BoolArray = holds & ~before
    falling: BoolArray = ~holds & before
    if edge == "rising":
        return rising
    return falling if edge == "falling" else rising | falling


def delayed_result(memory: TermMemory, t: FloatArray, result: BoolArray, delay_s: float) -> BoolArray:
    """The result `delay_s` earlier, at the last evaluation not after that; keeps in `memory` what later blocks need."""
    if delay_s <= 0.0 or len(t) == 0:
        return result
    all_t, all_result = np.concatenate([memory.t, t]), np.concatenate([memory.result, result])
    place = np.searchsorted(all_t, t - delay_s + ROUNDING_S, side="right") - 1
    keep = max(int(np.searchsorted(all_t, t[-1] - delay_s, side="left")) - 1, 0)
    memory.t, memory.result = all_t[keep:], all_result[keep:]
    return np.where(place >= 0, all_result[np.maximum(place, 0)], False)


@dataclass(slots=True)
class FireWatch:
    """Follows one trigger's `armed_when` and `fires_when` over the frames of one drive."""

    trigger: Trigger
    roles: dict[str, Role]
    expected: list[Expected] = field(default_factory=list)
    missing: MissingMeans = "not met"
    """What a term counts as in a frame in which its measure is not known."""
    hopeful: FireWatch | None = None
    """Where the rule looks at what a further source tells: the same with what is not known taken as met."""
    _memories: list[TermMemory] = field(default_factory=list)
    _armed: bool = False
    _held: bool = False
    _last_t: float = float("nan")

    def fork(self) -> FireWatch:
        """The rule as it stands, to be followed further alone."""
        return replace(
            self,
            expected=[*self.expected],
            hopeful=None if self.hopeful is None else self.hopeful.fork(),
            _memories=[replace(memory) for memory in self._memories],
        )

    @property
    def armed(self) -> bool:
        """Whether the rule counts by now: `armed_when` has held, or there is none."""
        return self._armed or not self.trigger.armed_when

    def take(self, block: MeasuredBlock) -> None:
        """The next frames of the drive."""
        terms = (*self.trigger.armed_when, *self.trigger.fires_when)
        if not self.trigger.fires_when:
            return
        if not self._memories:
            self._memories = [TermMemory() for _ in terms]
        t = block.frames.t
        results = [self._term(term, memory, block) for term, memory in zip(terms, self._memories, strict=True)]
        arming = len(self.trigger.armed_when)
        fires = np.logical_and.reduce(results[arming:])
        armed = np.logical_or.accumulate(np.logical_and.reduce(results[:arming])) if arming else np.ones(len(t), bool)
        holds = fires & (armed | self._armed)
        begins = holds & ~np.concatenate([[self._held], holds[:-1]])
        for index in np.flatnonzero(begins):
            before = float(t[index - 1]) if index else self._last_t
            self.expected.append(Expected(float(t[index]), before, int(block.frames.number[index])))
        self._armed = bool(armed[-1] or self._armed)
        self._held, self._last_t = bool(holds[-1]), float(t[-1])

    def _term(self, term: FireTerm, memory: TermMemory, block: MeasuredBlock) -> BoolArray:
        t = block.frames.t
        standing = stand_in_band(t, self._values(term, block), term.band, term.measure, self.missing)
        holds = standing.inside == IN
        result = edge_result(holds, memory.last, term.edge)
        memory.last = bool(holds[-1])
        return delayed_result(memory, t, result, term.delay_s)

    def _values(self, term: FireTerm, block: MeasuredBlock) -> Measured:
        measure, frames = term.measure, block.frames
        role = self.roles.get(measure.role or "")
        if role is not None and role.vehicle is not None:
            rows = rows_named(frames, role.vehicle)
        elif role is not None and role.id is not None:
            rows = rows_of(frames, role.id)
        else:
            rows = block.lead_row
        if measure.kind == "pair":
            return block.lead[measure.name] if rows is block.lead_row else block.pair_with(rows)[measure.name]
        if measure.kind == "lateral":
            return block.lateral[measure.name]
        return channel_values(frames, measure, rows)


def judge_timing(
    trigger: Trigger,
    expected: list[Expected],
    occurrence: int,
    fired_at: float | None,
    *,
    wanted: int,
    period_s: float,
    now_t: float,
    over: bool,
    seen: bool = True,
) -> Timing:
    """The timing of one occurrence (1, 2 …) as of the frame time `now_t`; `over` when the drive has ended, `seen` when
    all frames about the fire are there.

    On time: not more than one frame before and at most `late_after_frames` after the first frame at which the rule
    holds (one frame of sampling and one network hop by default). A loss just before that frame widens the early side.
    """
    rule = expected[occurrence - 1] if occurrence <= len(expected) else None
    if fired_at is None:
        if rule is not None and (over or now_t > rule.t + trigger.grace_s + 2.0):
            return Timing(rule.t, None, None, "missed")
        if over and rule is None and trigger.fires_when:
            return Timing(None, None, None, "not reached")
        return Timing(rule.t if rule else None, None, None, "not stated")
    if rule is None:
        if occurrence > wanted and wanted > 0:
            return Timing(None, None, None, "double")
        # the marker comes before the frame at which the rule holds: not early until frames past it have been seen
        return Timing(None, None, None, "early" if trigger.fires_when and seen else "not stated")
    delay_s = fired_at - rule.t
    frames = delay_s / period_s
    slack = 0.1 * period_s
    earliest = rule.after_t if np.isfinite(rule.after_t) else rule.t
    result: TimingResult
    if occurrence > wanted > 0:
        result = "double"
    elif fired_at < min(earliest, rule.t - period_s) - slack:
        result = "early"
    elif delay_s > trigger.late_after_frames * period_s + slack:
        result = "late"
    else:
        result = "on time"
    return Timing(rule.t, delay_s, frames, result)


def judge_timing_surely(
    study: Study,
    watch: FireWatch,
    number: int,
    occurrence: int,
    fired_at: float | None,
    *,
    wanted: int,
    period_s: float,
    now_t: float,
    over: bool,
    seen: bool = True,
    settled: bool = True,
) -> tuple[Timing, list[Finding]]:
    """The timing as of an entry. Where the rule looks at what a further source tells, it is stated only if it is the
    same whatever that told, and once that is `settled`; else a finding says so."""

    def judged(one: FireWatch) -> Timing:
        expected = [rule for rule in one.expected if rule.number <= number]
        return judge_timing(
            one.trigger,
            expected,
            occurrence,
            fired_at,
            wanted=wanted,
            period_s=period_s,
            now_t=now_t,
            over=over,
            seen=seen and settled,
        )

    timing = judged(watch)
    if watch.hopeful is None:
        return timing, []
    other = judged(watch.hopeful)
    if other.result == timing.result:
        return timing, []
    rule_t = timing.expected_at if timing.expected_at is not None else other.expected_at
    if not settled:
        return Timing(rule_t, None, None, "not stated"), []
    about = "" if rule_t is None else f" about {rule_t:.2f} s"
    sentence = (
        f"Whether the rule of {watch.trigger.name} held{about} is not known: it looks at a further source's signal."
    )
    return Timing(rule_t, None, None, "not stated"), [make_finding(study, "clock-unsure", sentence, fired_at)]


def timing_findings(
    study: Study, trigger: Trigger, timing: Timing, fired_at: float | None, *, end_t: float | None, wanted: int
) -> list[Finding]:
    """What is wrong with when it fired."""
    name, expected_at = trigger.name, timing.expected_at
    frames = f"{abs(timing.delay_frames):.1f} frames" if timing.delay_frames is not None else ""
    late_s = f"{abs(timing.delay_s):.2f} s" if timing.delay_s is not None else ""
    code, sentence, at = "", "", fired_at
    if timing.result == "early":
        code = "fired-early"
        sentence = f"{name} fired at {fired_at:.2f} s, before its own rule held."
        if expected_at is not None:
            sentence = f"{name} fired {late_s} ({frames}) before its own rule held, at {expected_at:.2f} s."
    elif timing.result == "late":
        code = "fired-late"
        sentence = f"{name} fired {late_s} ({frames}) after its own rule held at {expected_at:.2f} s."
    elif timing.result == "double":
        code, sentence = "fired-twice", f"{name} fired again at {fired_at:.2f} s; once is expected in this drive."
    elif timing.result == "missed":
        code, at = "trigger-missed", expected_at
        sentence = f"The rule of {name} held from {expected_at:.2f} s, but the trigger did not fire."
    elif timing.result == "not reached":
        code, at = "trigger-not-reached", end_t
        ended = (
            f"The drive ended at {end_t:.2f} s"
            if end_t is not None and np.isfinite(end_t)
            else "The drive ended without a judged frame"
        )
        sentence = f"{ended} before the rule of {name} held."
    elif fired_at is not None and wanted == 0:
        code, sentence = "fired-unexpected", f"{name} fired at {fired_at:.2f} s in a drive that should not fire it."
    return [make_finding(study, code, sentence, at)] if code else []

"""When a trigger should have fired by its own rule.

Edges and delays mean what the open scenario standard says of a condition (ASAM OpenSCENARIO XML, conditionEdge and
delay): at the first evaluation there is no previous value, so an edge is false; with a delay the result at t is the
(edge-)result at t − delay, and false before that much time has passed.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from monitor.judging.case.behind import Behind
from monitor.judging.case.blocks import MeasuredBlock
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.since import MarkersAsTheyCame
from monitor.judging.case.values import IN, channel_values, stand_in_band
from monitor.measures.arrival import point_measures
from monitor.measures.columns import BoolArray, FloatArray, IntArray
from monitor.measures.gap import pair_measures
from monitor.measures.lead import rows_named, rows_of, seen_from
from monitor.measures.measured import Measured, State
from monitor.measures.runs import runs_of
from monitor.study.model import Role, Trigger
from monitor.study.terms import Edge, FireTerm, Measure, MissingMeans

TOLD_BY_CHANNELS = ("own", "lateral", "pair", "role", "point", "signal")
"""Kinds of measures that have a value in each frame of a feed in order."""

ROUNDING_S = 1e-9
"""Frame times are sums of decimal steps; 0.4 − 0.2 must still meet 0.2."""


@dataclass(frozen=True, slots=True)
class Expected:
    """The rule of a trigger began to hold at frame time `t` (entry `number`); `after_t` is the frame before it."""

    t: float
    after_t: float
    number: int


@dataclass(slots=True)
class Untold:
    """From `from_t` (entry `number`) to `to_t` a term's measure had no value, so that the rule may have held unseen."""

    from_t: float
    to_t: float
    number: int


@dataclass(slots=True)
class TermMemory:
    """What a term carries from block to block: its last logical value and the edge-results still to be delayed."""

    last: bool | None = None
    first_t: float = float("nan")
    t: FloatArray = field(default_factory=lambda: np.empty(0))
    result: BoolArray = field(default_factory=lambda: np.empty(0, dtype=np.bool_))
    behind: Behind = field(default_factory=Behind)
    markers: MarkersAsTheyCame | None = None

    def fork(self) -> TermMemory:
        """The same, to go on from alone; columns are never changed in place."""
        markers = None if self.markers is None else self.markers.fork()
        return replace(self, behind=replace(self.behind), markers=markers)


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
    place = all_t.searchsorted(t - delay_s + ROUNDING_S, side="right") - 1
    keep = max(int(all_t.searchsorted(t[-1] - delay_s, side="left")) - 1, 0)
    memory.t, memory.result = all_t[keep:], all_result[keep:]
    return np.where(place >= 0, all_result[np.maximum(place, 0)], False)


@dataclass(slots=True)
class FireWatch:
    """Follows one trigger's `armed_when` and `fires_when` over the frames of one drive."""

    trigger: Trigger
    roles: dict[str, Role]
    log: DriveLog | None = None
    """The drive, for terms that look at its markers."""
    expected: list[Expected] = field(default_factory=list)
    untold: list[Untold] = field(default_factory=list)
    missing: MissingMeans = "not met"
    """What a term counts as in a frame in which its measure is not known."""
    hopeful: FireWatch | None = None
    """Where the rule looks at what a further source tells: the same with what is not known taken as met."""
    memories: list[list[TermMemory]] = field(default_factory=list)
    """What each of its terms, and each alternative of it, carries from block to block."""
    _armed: bool = False
    _held: bool = False
    _last_t: float = float("nan")

    def fork(self, log: DriveLog) -> FireWatch:
        """The rule as it stands, to be followed further alone, over a drive's own `log`."""
        return replace(
            self,
            log=None if self.log is None else log,
            expected=[*self.expected],
            untold=[replace(one) for one in self.untold],
            hopeful=None if self.hopeful is None else self.hopeful.fork(log),
            memories=[[memory.fork() for memory in either] for either in self.memories],
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
        if not self.memories:
            self.memories = [[_memory_of(one) for one in term.alternatives] for term in terms]
        t = block.frames.t
        missing = np.zeros(len(t), dtype=np.bool_)
        results = [
            np.logical_or.reduce(
                [self._term(*one, block, missing) for one in zip(term.alternatives, memories, strict=True)]
            )
            for term, memories in zip(terms, self.memories, strict=True)
        ]
        self._note_untold(t, block.frames.number, missing)
        arming = len(self.trigger.armed_when)
        fires = np.logical_and.reduce(results[arming:])
        armed = np.logical_or.accumulate(np.logical_and.reduce(results[:arming])) if arming else np.ones(len(t), bool)
        holds = fires & (armed | self._armed)
        begins = holds & ~np.concatenate([[self._held], holds[:-1]])
        for index in np.flatnonzero(begins):
            before = float(t[index - 1]) if index else self._last_t
            if self.expected and t[index] - self.expected[-1].t < self.trigger.refractory_s - ROUNDING_S:
                continue
            self.expected.append(Expected(float(t[index]), before, int(block.frames.number[index])))
        self._armed = bool(armed[-1] or self._armed)
        self._held, self._last_t = bool(holds[-1]), float(t[-1])

    def _note_untold(self, t: FloatArray, number: IntArray, missing: BoolArray) -> None:
        """Keeps the times in which a term had no value, as intervals."""
        starts, stops = runs_of(missing)
        for first, stop in zip(starts.tolist(), stops.tolist(), strict=True):
            if first == 0 and self.untold and self.untold[-1].to_t == self._last_t:
                self.untold[-1].to_t = float(t[stop - 1])
            else:
                self.untold.append(Untold(float(t[first]), float(t[stop - 1]), int(number[first])))

    def _term(self, term: FireTerm, memory: TermMemory, block: MeasuredBlock, missing: BoolArray) -> BoolArray:
        """The results of a term in the frames of a block; marks in `missing` where its measure has no value."""
        t = block.frames.t
        values = self._values(term.measure, memory, block)
        if term.measure.kind in TOLD_BY_CHANNELS:
            missing |= (values.state == int(State.NOT_MEASURED)) | (values.state == int(State.NO_LEAD))
        standing = stand_in_band(t, values, term.band, term.measure, self.missing)
        holds = standing.inside == IN
        result = edge_result(holds, memory.last, term.edge)
        memory.last = bool(holds[-1])
        return delayed_result(memory, t, result, term.delay_s)

    def _values(self, measure: Measure, memory: TermMemory, block: MeasuredBlock) -> Measured:
        period_s = self.log.period_s if self.log is not None else 1.0 / 60.0
        if measure.kind == "rolling":
            return memory.behind.rolling(block, measure, period_s)
        values = self._values_now(measure, memory, block)
        if measure.rate_over_s is None:
            return values
        return memory.behind.rate(block, values, measure.rate_over_s, period_s)

    def _values_now(self, measure: Measure, memory: TermMemory, block: MeasuredBlock) -> Measured:
        frames = block.frames
        rows = self._rows(measure.role, block)
        match measure.kind:
            case "pair" if measure.from_role is not None:
                seen = seen_from(frames, self._rows(measure.from_role, block))
                return pair_measures(seen, block.road, rows)[measure.name]
            case "pair":
                return block.lead[measure.name] if rows is block.lead_row else block.pair_with(rows)[measure.name]
            case "lateral":
                return block.lateral[measure.name]
            case "point":
                assert measure.point is not None
                of_role = None if measure.role is None else rows
                return point_measures(frames, block.road, measure.point, of_role)[measure.name]
            case "event":
                assert memory.markers is not None
                return memory.markers.time_since(self.log, frames.t, frames.number)
        return channel_values(frames, measure, rows)

    def _rows(self, name: str | None, block: MeasuredBlock) -> IntArray:
        """The rows of a role's vehicle; those of the lead for any other."""
        role = self.roles.get(name or "")
        if role is not None and role.vehicle is not None:
            return rows_named(block.frames, role.vehicle)
        if role is not None and role.id is not None:
            return rows_of(block.frames, role.id)
        return block.lead_row


def _memory_of(term: FireTerm) -> TermMemory:
    event = term.measure.event
    return TermMemory(markers=None if event is None else MarkersAsTheyCame(event))

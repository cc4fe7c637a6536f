"""Measures between own car and one other vehicle: gap, headway, closing speed, time to contact, decelerations.

Gaps are bumper to bumper, headways front to front (SAE J2944), along the way (see `placement`). Own speed and
acceleration are along own car's direction; of the other's the component along own car's way counts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.measures.columns import BoolArray, FloatArray, FrameBlock, IntArray, OnDemand, Road
from monitor.measures.contact import (
    CLOSING_FLOOR_MPS,
    deceleration_rate_to_avoid_crash,
    required_deceleration,
    time_to_contact,
    time_to_contact_accelerated,
)
from monitor.measures.measured import Measured, State, join_measured, measured
from monitor.measures.placement import BROADEST_M, LONGEST_M, half_extent, in_own_frame, own_way, sized

STANDING_BELOW_MPS = 0.1
"""Own speed below which a time gap or headway is "standing still" (common practice)."""


@dataclass(frozen=True, slots=True)
class PairInputs:
    """What the measures of own car and one other vehicle are made of, shapes (n,). SI units, along own car's way."""

    gap: FloatArray
    """Bumper to bumper; 0 or less where the boxes touch or lie beside each other. NaN where it cannot be told."""
    headway: FloatArray
    """Front to front."""
    speed: FloatArray
    accel: FloatArray
    other_speed: FloatArray
    other_accel: FloatArray
    absent: BoolArray
    """No vehicle, or none that is ahead."""
    contact: BoolArray

    def part(self, first: int, stop: int) -> PairInputs:
        """Frames `first` … `stop` − 1, sharing the memory."""
        return PairInputs(
            gap=self.gap[first:stop],
            headway=self.headway[first:stop],
            speed=self.speed[first:stop],
            accel=self.accel[first:stop],
            other_speed=self.other_speed[first:stop],
            other_accel=self.other_accel[first:stop],
            absent=self.absent[first:stop],
            contact=self.contact[first:stop],
        )

    @staticmethod
    def joined(parts: Sequence[PairInputs]) -> PairInputs:
        """Those of neighbouring frames as one."""
        return PairInputs(
            gap=np.concatenate([one.gap for one in parts]),
            headway=np.concatenate([one.headway for one in parts]),
            speed=np.concatenate([one.speed for one in parts]),
            accel=np.concatenate([one.accel for one in parts]),
            other_speed=np.concatenate([one.other_speed for one in parts]),
            other_accel=np.concatenate([one.other_accel for one in parts]),
            absent=np.concatenate([one.absent for one in parts]),
            contact=np.concatenate([one.contact for one in parts]),
        )


def pair_inputs(block: FrameBlock, road: Road | None, rows: IntArray) -> PairInputs:
    """What the measures to the vehicle in each frame's row (−1: none) are made of.

    A body without a length has no bumpers, and no gap. Of the other's speed and acceleration the component along own
    car's way counts: the gap along the way shrinks by own speed less the other's times the cosine of its angle to it.
    """
    own, others = block.own, block.others.channels
    there = rows >= 0
    frame, row = np.flatnonzero(there), rows[there]
    placed = own_way(block, road).place(frame, row)
    ahead = _spread(there, placed.ahead)
    length = _spread(there, sized(others["length"][row], LONGEST_M))
    own_length = sized(own["length"], LONGEST_M)
    gap = ahead - 0.5 * (own_length + length)
    touching = (gap <= 0.0) & (ahead > 0.0)
    contact = _bodies_overlap(block, touching, rows)
    return PairInputs(
        gap=gap,
        headway=ahead + 0.5 * (length - own_length),
        speed=own["speed"],
        accel=own["accel"],
        other_speed=_spread(there, placed.along * others["speed"][row]),
        other_accel=_spread(there, placed.along * others["accel"][row]),
        absent=(~there & ~_unplaced(block, road)) | (ahead <= 0.0) | (touching & ~contact),
        contact=contact,
    )


def gap_otherwise(block: FrameBlock, road: Road | None, rows: IntArray) -> FloatArray:
    """The gap by the other way to place the pair (see `placement`), shape (n,); NaN where there is only one."""
    there = rows >= 0
    frame, row = np.flatnonzero(there), rows[there]
    length = _spread(there, sized(block.others.channels["length"][row], LONGEST_M)) + sized(
        block.own["length"], LONGEST_M
    )
    return _spread(there, own_way(block, road).ahead_otherwise(frame, row)) - 0.5 * length


class PairMeasures(OnDemand[Measured]):
    """The pair measures of n frames by name: a study looks at two or three of the nine, and a live run measures each
    frame by itself."""

    __slots__ = ("_inputs",)

    def __init__(self, inputs: PairInputs | None, made: Mapping[str, Measured]) -> None:
        """What they are made of; None where all of them are `made` already, as in columns that were kept."""

        def make(name: str) -> Measured:
            assert inputs is not None
            return pair_measure(name, inputs)

        super().__init__(made if inputs is None else PAIR_MEASURES, make)
        self._inputs = inputs
        self._made.update(made)

    def part(self, first: int, stop: int) -> PairMeasures:
        """Those of frames `first` … `stop` − 1, sharing the memory."""
        inputs = None if self._inputs is None else self._inputs.part(first, stop)
        return PairMeasures(inputs, {name: one.part(first, stop) for name, one in self._made.items()})

    @staticmethod
    def joined(parts: Sequence[PairMeasures]) -> PairMeasures:
        """Those of neighbouring frames as one."""
        if len(parts) == 1:
            return parts[0]
        known = [one._inputs for one in parts if one._inputs is not None]
        if len(known) < len(parts):
            return PairMeasures(None, {name: join_measured([one[name] for one in parts]) for name in parts[0]})
        names = [name for name in parts[0]._made if all(name in one._made for one in parts)]
        return PairMeasures(
            PairInputs.joined(known), {name: join_measured([one._made[name] for one in parts]) for name in names}
        )


def pair_measures(block: FrameBlock, road: Road | None, rows: IntArray) -> PairMeasures:
    """The measures of own car and the vehicle in each frame's row (−1: none), each of shape (n,).

    `distance_gap`, `time_gap`, `distance_headway`, `time_headway`, `closing_speed`, `ttc`, `ttc_accel`, `drac`,
    `required_decel`. States, the first that holds: NO_LEAD without a row, or where the vehicle is behind or beside own
    car; CONTACT where the bodies overlap; NOT_MEASURED; STANDING for gap and headway in time, NOT_CLOSING for times to
    contact.
    """
    return PairMeasures(pair_inputs(block, road, rows), {})


def pair_measure(name: str, inputs: PairInputs) -> Measured:
    """One of the pair measures from what it is made of."""
    no_lead, in_contact = (inputs.absent, State.NO_LEAD), (inputs.contact, State.CONTACT)
    return PAIR_MEASURES[name](inputs, no_lead, in_contact)


Reason = tuple[BoolArray, State]


def _distance_gap(one: PairInputs, no_lead: Reason, in_contact: Reason) -> Measured:
    return measured(np.where(one.contact, 0.0, _apart(one)), no_lead, in_contact)


def _time_gap(one: PairInputs, no_lead: Reason, in_contact: Reason) -> Measured:
    standing, rolling_speed = _rolling(one)
    apart = _apart(one)
    value = np.where(one.contact, 0.0, apart / rolling_speed)
    return measured(value, no_lead, in_contact, (standing & ~np.isnan(apart), State.STANDING))


def _distance_headway(one: PairInputs, no_lead: Reason, in_contact: Reason) -> Measured:
    return measured(one.headway, no_lead)


def _time_headway(one: PairInputs, no_lead: Reason, in_contact: Reason) -> Measured:
    standing, rolling_speed = _rolling(one)
    reason = (standing & ~np.isnan(one.headway), State.STANDING)
    return measured(one.headway / rolling_speed, no_lead, reason)


def _closing_speed(one: PairInputs, no_lead: Reason, in_contact: Reason) -> Measured:
    return measured(one.speed - one.other_speed, no_lead)


def _ttc(one: PairInputs, no_lead: Reason, in_contact: Reason) -> Measured:
    apart, closing = _apart(one), one.speed - one.other_speed
    value = np.where(one.contact, 0.0, time_to_contact(apart, closing))
    opening = ((closing < CLOSING_FLOOR_MPS) & ~np.isnan(apart), State.NOT_CLOSING)
    return measured(value, no_lead, in_contact, opening)


def _ttc_accel(one: PairInputs, no_lead: Reason, in_contact: Reason) -> Measured:
    apart = _apart(one)
    time = time_to_contact_accelerated(apart, one.speed, one.other_speed, one.accel, one.other_accel)
    escapes = np.isnan(time) & ~np.isnan(apart + one.speed + one.other_speed + one.accel + one.other_accel)
    return measured(np.where(one.contact, 0.0, time), no_lead, in_contact, (escapes, State.NOT_CLOSING))


def _drac(one: PairInputs, no_lead: Reason, in_contact: Reason) -> Measured:
    return measured(deceleration_rate_to_avoid_crash(_apart(one), one.speed - one.other_speed), no_lead, in_contact)


def _required_decel(one: PairInputs, no_lead: Reason, in_contact: Reason) -> Measured:
    return measured(
        required_deceleration(_apart(one), one.speed, one.other_speed, one.other_accel), no_lead, in_contact
    )


def _apart(one: PairInputs) -> FloatArray:
    return np.where(one.gap > 0.0, one.gap, np.nan)


def _rolling(one: PairInputs) -> tuple[BoolArray, FloatArray]:
    """Where own car stands, and its speed where it does not."""
    standing = one.speed < STANDING_BELOW_MPS
    return standing, np.where(standing, np.nan, one.speed)


PAIR_MEASURES: dict[str, Callable[[PairInputs, Reason, Reason], Measured]] = {
    "distance_gap": _distance_gap,
    "time_gap": _time_gap,
    "distance_headway": _distance_headway,
    "time_headway": _time_headway,
    "closing_speed": _closing_speed,
    "ttc": _ttc,
    "ttc_accel": _ttc_accel,
    "drac": _drac,
    "required_decel": _required_decel,
}
"""The pair measures by name."""


def _unplaced(block: FrameBlock, road: Road | None) -> BoolArray:
    """Where nothing can be said of a lead: own car's place is not measured, or the way ahead of it."""
    own = block.own
    way = own_way(block, road)
    no_way = np.isnan(own["x"] + own["y"] + own["heading"]) | (np.isnan(way.here.s) & np.isnan(way.curvature))
    return np.isnan(own["station"] + own["lane"]) & no_way


def _bodies_overlap(block: FrameBlock, asked: BoolArray, rows: IntArray) -> BoolArray:
    """Of the frames asked for, those where the vehicle is not beside own car. Unknown widths count as overlapping."""
    overlap = asked.copy()
    frame = np.flatnonzero(asked)
    if len(frame):
        own, others, row = block.own, block.others.channels, rows[frame]
        _, left = in_own_frame(block, frame, row)
        turn = others["heading"][row] - own["heading"][frame]
        reach = 0.5 * sized(own["width"], BROADEST_M)[frame] + half_extent(
            others["length"][row], others["width"][row], turn
        )
        overlap[frame] = ~(np.abs(left) >= reach)
    return overlap


def _spread(there: BoolArray, values: FloatArray) -> FloatArray:
    """Values of the frames that have a row, as one of each frame; NaN elsewhere."""
    spread = np.full(len(there), np.nan)
    spread[there] = values
    return spread

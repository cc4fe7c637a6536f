"""What a condition's measure is made of, on the frames of a stretch: each input as published and by every other
telling."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from monitor.judging.case.stretch import Stretch
from monitor.judging.case.values import Cast, role_channel
from monitor.judging.evidence.ahead import OtherLead
from monitor.judging.evidence.bodies import Body, changes, hold_of
from monitor.judging.evidence.closure import close
from monitor.judging.evidence.direct import Means, PlacedPair, Placing, gap_differences, worst_of
from monitor.judging.evidence.pairs import PAIRS, direction_of
from monitor.judging.evidence.smoothing import Estimate, exactly, smoothed
from monitor.judging.evidence.tellings import LIKELY_SIGMAS, Asked, Telling, tellings_of
from monitor.measures.columns import BoolArray, FloatArray, IntArray
from monitor.measures.gap import PairInputs, gap_otherwise, pair_inputs, pair_measure
from monitor.measures.measured import Measured, State
from monitor.study.terms import Measure

PAIR_NEEDS: Mapping[str, tuple[str, ...]] = {
    "distance_gap": ("gap",),
    "time_gap": ("gap", "speed"),
    "distance_headway": ("gap",),
    "time_headway": ("gap", "speed"),
    "closing_speed": ("speed", "other_speed"),
    "ttc": ("gap", "speed", "other_speed"),
    "ttc_accel": ("gap", "speed", "other_speed", "accel", "other_accel"),
    "drac": ("gap", "speed", "other_speed"),
    "required_decel": ("gap", "speed", "other_speed", "other_accel"),
}
"""What each pair measure is made of."""

CHECKED_OWN = ("speed", "accel", "yaw_rate", "station", "heading", "lane_offset")
CHECKED_ROLE = ("speed", "accel", "station")


@dataclass(frozen=True, slots=True)
class Bodies:
    """Own car and the vehicle in a condition's role, by the same stretch; `role_name` as the study says it."""

    stretch: Stretch
    rows: IntArray
    own: Body
    other: Body | None
    role_name: str
    until_t: float
    cast: Cast
    other_lead: OtherLead | None = None
    """Where the role is the lead: that boxes tell of another one."""
    memo: dict[str, Any] = field(default_factory=dict, repr=False)

    @property
    def pair(self) -> PairInputs:
        """What the pair measures are made of, as published; computed once."""
        known: PairInputs | None = self.memo.get("pair")
        if known is None:
            known = self.memo["pair"] = pair_inputs(self.stretch.frames, self.stretch.road, self.rows)
        return known

    @property
    def gap_otherwise(self) -> FloatArray:
        """The gap by the other way to place the pair; computed once."""
        known: FloatArray | None = self.memo.get("otherwise")
        if known is None:
            known = self.memo["otherwise"] = gap_otherwise(self.stretch.frames, self.stretch.road, self.rows)
        return known


@dataclass(frozen=True, slots=True)
class Account:
    """One telling of an input on the stretch's frames. `telling`: where it comes from; None for what is published."""

    estimate: Estimate
    telling: Telling | None
    by: str
    whose: str

    @property
    def disagrees(self) -> bool:
        """Whether it differs from what is published by more than noise and allowances."""
        return self.telling is not None and self.telling.disagrees


@dataclass(frozen=True, slots=True)
class Inputs:
    """The inputs of a measure: published, and other accounts of each. `of` gives the measure's least and greatest value
    from one estimate for each input, shapes (n,)."""

    published: dict[str, Estimate]
    others: dict[str, tuple[Account, ...]]
    of: Callable[[Mapping[str, Estimate]], tuple[FloatArray, FloatArray]]


def inputs_of(measure: Measure, bodies: Bodies, from_t: float, to_t: float) -> Inputs | None:
    """The inputs of a measure about the time from `from_t` to `to_t`; None for a measure that nothing is held against,
    such as a signal."""
    if measure.rate_over_s is not None or measure.from_role is not None:
        return None
    if measure.kind == "pair":
        return _pair_inputs(measure.name, bodies, from_t, to_t)
    if measure.kind == "role":
        column = role_channel(bodies.stretch.frames, measure.name, bodies.rows).value
        body = bodies.other
        checked = measure.name in CHECKED_ROLE
    elif measure.kind == "own" or measure.name == "lane_offset":
        lateral = bodies.stretch.lateral.get(measure.name)
        own = bodies.stretch.frames.own.get(measure.name)
        column = lateral.value if lateral is not None else own if own is not None else bodies.stretch.t * np.nan
        body = bodies.own
        checked = measure.name in CHECKED_OWN and measure.name in body.channels
    elif measure.name in ("distance_to_line", "sdlp", "lane_departures", "time_to_line"):
        return _lateral_inputs(measure, bodies, from_t, to_t)
    else:
        return None
    published = {measure.name: _noisy(bodies, column, own=body is bodies.own)}
    accounts = _accounts(bodies, body, measure.name, from_t, to_t) if checked and body is not None else ()
    return Inputs(published, {measure.name: accounts}, lambda given: _ends(given[measure.name]))


def _ends(one: Estimate) -> tuple[FloatArray, FloatArray]:
    return one.value - one.off, one.value + one.off


def _noisy(bodies: Bodies, column: FloatArray, *, own: bool) -> Estimate:
    fresh = None if own else _fresh(bodies)
    return smoothed(bodies.stretch.t, column, bodies.until_t, bodies.own.sampling.period_s, fresh)


def _fresh(bodies: Bodies) -> BoolArray | None:
    """The frames in which the other vehicle was sent anew; None where it is with each frame."""
    if bodies.other is None:
        return None
    x, y = (role_channel(bodies.stretch.frames, name, bodies.rows).value for name in ("x", "y"))
    changed = changes(x) | changes(y)
    if hold_of(changed, bodies.own.sampling.period_s) <= 1.0:
        return None
    changed[0] = False
    return changed


def _accounts(bodies: Bodies, body: Body, channel: str, from_t: float, to_t: float) -> tuple[Account, ...]:
    """Other accounts of a body's channel, carried over to the stretch's frames."""
    at = np.clip(body.t.searchsorted(bodies.stretch.t, side="right") - 1, 0, len(body) - 1)
    whose = "" if body is bodies.own else bodies.role_name
    return tuple(
        Account(Estimate(one.value[at], one.off[at]), one, f"{whose} {one.by}".strip(), whose)
        for one in tellings_of(body, channel, Asked(from_t, to_t, bodies.until_t))
    )


def _pair_inputs(name: str, bodies: Bodies, from_t: float, to_t: float) -> Inputs | None:
    stretch, raw = bodies.stretch, bodies.pair
    other_speed = role_channel(stretch.frames, "speed", bodies.rows).value
    with np.errstate(divide="ignore", invalid="ignore"):
        along = np.where(np.abs(other_speed) > 0.5, raw.other_speed / other_speed, 1.0)
    published, others = {}, {}
    for need in PAIR_NEEDS[name]:
        own = need in ("speed", "accel")
        published[need] = _noisy(bodies, getattr(raw, need), own=own)
        if need == "gap":
            others[need] = _gap_accounts(bodies, from_t, to_t)
        elif own:
            others[need] = _accounts(bodies, bodies.own, need, from_t, to_t)
        elif bodies.other is not None:
            found = _accounts(bodies, bodies.other, need.removeprefix("other_"), from_t, to_t)
            others[need] = (
                *(
                    replace(one, estimate=Estimate(along * one.estimate.value, np.abs(along) * one.estimate.off))
                    for one in found
                ),
                *_by_way_moved(bodies, getattr(raw, need), along, from_t, to_t),
            )
        else:
            others[need] = ()
    return Inputs(published, others, lambda given: _pair_range(name, raw, given))


def _by_way_moved(
    bodies: Bodies, published: FloatArray, along: FloatArray, from_t: float, to_t: float
) -> tuple[Account, ...]:
    """What of another vehicle's speed or acceleration counts along own car's way, where it did not move as it heads: it
    heads as it moved, to the one side or to the other of what is published."""
    other = bodies.other
    if other is None:
        return ()
    at = np.clip(other.t.searchsorted(bodies.stretch.t, side="right") - 1, 0, len(other) - 1)
    found = []
    for one in tellings_of(other, "heading", Asked(from_t, to_t, bodies.until_t)):
        if one.disagrees and one.by == "x, y":
            turned = (one.value - other.channel("heading"))[at]
            angle = np.arccos(np.clip(along, -1.0, 1.0))
            sides = np.stack([np.cos(angle + turned), np.cos(angle - turned)])
            with np.errstate(divide="ignore", invalid="ignore"):
                full = np.where(np.abs(along) > 0.01, published / along, np.nan)
            low, high = full * sides.min(axis=0), full * sides.max(axis=0)
            estimate = Estimate(0.5 * (low + high), 0.5 * np.abs(high - low))
            found.append(Account(estimate, one, f"{bodies.role_name} {one.by}", bodies.role_name))
    return tuple(found)


def _pair_range(name: str, raw: PairInputs, given: Mapping[str, Estimate]) -> tuple[FloatArray, FloatArray]:
    """Least and greatest value of a pair measure over the box of its inputs: it rises or falls with each of them, so
    its ends lie at corners."""
    low = np.full(len(raw.gap), np.inf)
    high = np.full(len(raw.gap), -np.inf)
    loose = [need for need, one in given.items() if one.off.any()]
    for corner in range(1 << len(loose)):
        fields: dict[str, Any] = {need: one.value for need, one in given.items()}
        for place, need in enumerate(loose):
            fields[need] = fields[need] + (1.0 if corner >> place & 1 else -1.0) * given[need].off
        if "gap" in fields:
            fields["headway"] = raw.headway + (fields["gap"] - raw.gap)
        value = _number(pair_measure(name, replace(raw, **fields)), name)
        low, high = np.fmin(low, value), np.fmax(high, value)
    nowhere = low > high
    return np.where(nowhere, np.nan, low), np.where(nowhere, np.nan, high)


def _number(measured: Measured, name: str) -> FloatArray:
    """Values with what is boundless as infinity: times that are infinitely long, decelerations that none is enough."""
    value, state = measured.value.copy(), measured.state
    for boundless in (State.NOT_CLOSING, State.STANDING, State.NOT_DEPARTING):
        value[state == int(boundless)] = np.inf
    value[(state == int(State.CONTACT)) & np.isnan(value)] = np.inf
    return value


def _gap_accounts(bodies: Bodies, from_t: float, to_t: float) -> tuple[Account, ...]:
    """The gap by the other way to place the pair, and as it would be had either body gone where its speed, or its
    station, took it."""
    stretch, own, other = bodies.stretch, bodies.own, bodies.other
    found: list[Account] = []
    if other is None:
        return ()
    directly = gap_directly(bodies, from_t, to_t)
    channel = "station" if _has_stations(bodies) else "place"
    for body, sign in ((own, -1.0), (other, 1.0)):
        for one in _accounts(bodies, body, channel, from_t, to_t):
            base = np.zeros(len(stretch.t)) if channel == "place" else _spread(bodies, body, channel)
            shift = sign * direction_of(body) * (one.estimate.value - base)
            # from where it has been counting is as wrong as how it goes on, and nothing else tells it
            anything = one.disagrees and not directly and is_scaled(one, bodies)
            estimate = Estimate(bodies.pair.gap + shift, one.estimate.off)
            if anything:
                half_m = np.full(len(shift), 0.5 * FURTHEST_M)
                estimate = Estimate(half_m + NEAREST_M, half_m)
            found.append(replace(one, estimate=estimate))
    return (*found, *directly)


NEAREST_M, FURTHEST_M = 0.1, 1e6
"""A gap that may be any is about between these."""

DRIFTED = 0.5
"""A channel that came apart by this share as much just before had been wrong before: a step is over after its frame."""


def is_scaled(one: Account, bodies: Bodies) -> bool:
    """Whether two ways along the road came apart as much just before the window that tells so, or nothing is known of
    that: from where the one of them has been counting is then as wrong as how it goes on."""
    telling, body = one.telling, bodies.other if one.whose else bodies.own
    assert telling is not None
    assert body is not None
    pair = next((each for each in PAIRS if each.name == telling.pair), None)
    closed = None if pair is None else close(body, pair)
    if telling.unit != "m" or closed is None:
        return False
    windows = next(each for each in closed.windows if each.seconds == telling.seconds)
    before = np.flatnonzero(body.t[windows.end] <= telling.from_t)
    if not len(before):
        return True
    return float(windows.change[before[-1]]) / telling.change >= DRIFTED


def _spread(bodies: Bodies, body: Body, channel: str) -> FloatArray:
    at = np.clip(body.t.searchsorted(bodies.stretch.t, side="right") - 1, 0, len(body) - 1)
    return body.channel(channel)[at]


def _has_stations(bodies: Bodies) -> bool:
    """Whether the pair is placed by stations, and by its boxes otherwise."""
    other = bodies.other
    return other is not None and bodies.own.has("station", "lane") and other.has("station", "lane")


def _gap_differences(bodies: Bodies) -> list[Means]:
    """The gap as published against that by the other way to place the pair, in the same frames."""
    stretch, mine, period = bodies.stretch, bodies.stretch.frames.own, bodies.own.sampling.period_s
    x, y, heading = (role_channel(stretch.frames, name, bodies.rows).value for name in ("x", "y", "heading"))
    known = (bodies.rows >= 0) & (stretch.t <= bodies.until_t + 0.1 * period)
    placed = PlacedPair(
        stretch.t,
        Placing(mine["x"], mine["y"], mine["heading"]),
        Placing(x, y, heading),
        stretch.road is not None,
    )
    return gap_differences(placed, np.where(known, bodies.pair.gap, np.nan) - bodies.gap_otherwise, period)


def gap_directly(bodies: Bodies, from_t: float, to_t: float) -> list[Account]:
    """The gap by the other way to place the pair, in the same frames; nothing where there is none."""
    stretch = bodies.stretch
    if bodies.other is None or not np.isfinite(bodies.gap_otherwise).any():
        return []
    otherwise = bodies.gap_otherwise
    by = "x, y" if _has_stations(bodies) else "station"
    differences: list[Means] | None = bodies.memo.get("gap differences")
    if differences is None:
        differences = bodies.memo["gap differences"] = _gap_differences(bodies)
    worst = worst_of(differences, stretch.t, from_t, to_t)
    if worst is None:
        return []
    means, at = worst
    limit = float(means.limit[at])
    telling = Telling(
        channel="gap",
        by=by,
        pair=f"gap ~ {by}",
        unit="m",
        value=otherwise,
        off=np.full(len(otherwise), limit),
        change=float(means.difference[at]),
        limit=limit,
        from_t=float(stretch.t[means.begin[at]]),
        to_t=float(stretch.t[means.end[at]]),
        seconds=means.seconds,
        notices=limit + LIKELY_SIGMAS * float(means.noise[at]),
        direct=True,
    )
    return [Account(Estimate(otherwise, telling.off), telling, f"gap by {by}", "")]


def _lateral_inputs(measure: Measure, bodies: Bodies, from_t: float, to_t: float) -> Inputs | None:
    """Measures made of the lane offset. What depends on how it changes is told by no other account of it: where one
    disagrees, it may be anything."""
    offset = bodies.stretch.lateral["lane_offset"].value
    given = "lane_offset" in bodies.own.channels
    accounts = _accounts(bodies, bodies.own, "lane_offset", from_t, to_t) if given else ()
    if measure.name == "distance_to_line":
        width = bodies.stretch.lateral["lane_width"].value
        room = 0.5 * (width - bodies.stretch.frames.own["width"])

        def to_line(inputs: Mapping[str, Estimate]) -> tuple[FloatArray, FloatArray]:
            one = inputs["lane_offset"]
            return room - (np.abs(one.value) + one.off), room - np.maximum(np.abs(one.value) - one.off, 0.0)

        return Inputs({"lane_offset": _noisy(bodies, offset, own=True)}, {"lane_offset": accounts}, to_line)

    def anything(inputs: Mapping[str, Estimate]) -> tuple[FloatArray, FloatArray]:
        n = len(offset)
        return np.full(n, -math.inf), np.full(n, math.inf)

    return Inputs({"lane_offset": exactly(offset)}, {"lane_offset": accounts}, anything)

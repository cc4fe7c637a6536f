"""A body in the feed as columns, and what its channels are like: how often they change, their noise, their resolution.

Every limit of the tests in this folder comes from here, from the feed's own sampling; nothing is set for a facility.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np

from monitor.measures.columns import BoolArray, FloatArray, IntArray, Road
from monitor.measures.path import Projection, path_of

BREAK_S = 0.5
"""Frames further apart than this are not held against each other."""

LONGEST_HOLD_S = 0.35
"""A channel that changes more rarely than this is taken to stand, and not to be sent slowly."""

MAD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""

DISTINCT = 8
"""A channel with fewer different values than this has steps of its own, and no resolution that they could tell."""


@dataclass(frozen=True, slots=True)
class Way:
    """A body against the road's reference line, shapes (n,): along it, off it (left positive), its heading there.

    `length_m` is that of a closed circuit, else infinite; `lane_width` and `lanes` as the road gives them.
    """

    s: FloatArray
    d: FloatArray
    heading: FloatArray
    length_m: float
    vertex_rad: float
    """The greatest angle between neighbouring segments: `s` steps by it times the offset from the line."""
    sagitta_m: float
    """How far the road itself may lie off its line between two vertices: an eighth of that angle times the segment."""
    lane_width: float
    lanes: int


def way_of(road: Road, place: Projection) -> Way:
    """Places on a road's reference line, with what the line is like."""
    path = path_of(road)
    vertex, sagitta = _bends(road)
    around = path.length_m if path.closed else math.inf
    return Way(place.s, place.d, place.heading, around, vertex, sagitta, road.lane_width, road.lanes)


@lru_cache(maxsize=4)  # roads hash by identity; a drive has one, and each body of each trial asks
def _bends(road: Road) -> tuple[float, float]:
    """The greatest angle between neighbouring segments of a road's line, and how far the road may lie off it."""
    dx, dy = np.diff(road.x), np.diff(road.y)
    length = np.hypot(dx, dy)
    turns = np.abs(turn_of(np.diff(np.arctan2(dy, dx)[length > 0.0])))
    vertex = float(turns.max(initial=0.0))
    sagitta = float((turns * np.maximum(length[length > 0.0][1:], length[length > 0.0][:-1])).max(initial=0.0)) / 8.0
    return vertex, sagitta


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """Own car or another vehicle over n frames of a stretch in which it is there.

    `channels`: one array of shape (n,) by name, NaN where not measured; own car has `yaw_rate`, `lane_offset` and
    pedals besides. `who` stands in sentences: "own car", "delivery-van". `accepted`: differences that a person has
    accepted, by channel: an offset that is taken off, and a step that is let through.
    """

    who: str
    t: FloatArray
    seq: IntArray
    channels: dict[str, FloatArray]
    way: Way | None = None
    offsets: dict[str, float] = field(default_factory=dict)
    steps: dict[str, float] = field(default_factory=dict)
    memo: dict[object, Any] = field(default_factory=dict, repr=False)

    def __len__(self) -> int:
        return len(self.t)

    def channel(self, name: str) -> FloatArray:
        """A channel, NaN throughout where the feed does not have it."""
        column = self.channels.get(name)
        if column is None:
            return np.full(len(self.t), np.nan)
        return column - self.offsets[name] if name in self.offsets else column

    def has(self, *names: str) -> bool:
        """Whether each of these channels is measured in at least half of the frames."""
        return all(
            name in self.channels and 2 * int(np.count_nonzero(np.isfinite(self.channels[name]))) > len(self.t)
            for name in names
        )

    def changed(self, name: str) -> BoolArray:
        """Where a channel differs from the frame before; computed once."""
        known: BoolArray | None = self.memo.get(("changed", name))
        if known is None:
            known = self.memo["changed", name] = changes(self.channel(name))
        return known

    @property
    def sampling(self) -> Sampling:
        """How the frames lie in time."""
        known: Sampling | None = self.memo.get("sampling")
        if known is None:
            known = self.memo["sampling"] = sampling_of(self.t, self.seq)
        return known


@dataclass(frozen=True, slots=True)
class Sampling:
    """`period_s`: mean time between the frames that are there. `clock_s`: how far time stamps are off their numbers
    (the 99 % point), which carries clock ticks and jitter. `number_s`: time of one sequence number."""

    period_s: float
    clock_s: float
    number_s: float


def sampling_of(t: FloatArray, seq: IntArray) -> Sampling:
    """How frames lie in time.

    The period of a sequence number is taken over half of the stretch: a clock that ticks more slowly than the feed
    sends leaves frames out, and between two neighbours it would be a multiple of the tick.
    """
    if len(t) < 3:
        return Sampling(1.0 / 60.0, 0.0, 1.0 / 60.0)
    step, numbers = t[1:] - t[:-1], seq[1:] - seq[:-1]
    half = max(len(t) // 2, 1)
    by_number = middle((t[half:] - t[:-half]) / np.maximum(seq[half:] - seq[:-half], 1))
    usual = step <= BREAK_S
    if not usual.any():
        return Sampling(by_number, 0.0, by_number)
    off = np.abs(step - by_number * numbers)[usual]
    return Sampling(float(step[usual].mean()), upper(off, 0.99), by_number)


@dataclass(frozen=True, slots=True)
class Grain:
    """What a column is like: `hold` frames between changes (median, 1 where it changes with each), noise `sigma`
    (standard deviation from one change to the next) and `resolution` (0 where none shows), both in its unit."""

    hold: float
    sigma: float
    resolution: float


def grain_of(body: Body, name: str) -> Grain:
    """What a channel of a body is like; computed once."""
    known: Grain | None = body.memo.get(("grain", name))
    if known is None:
        known = body.memo["grain", name] = grain(body.channel(name), body.sampling.period_s)
    return known


def grain(column: FloatArray, period_s: float) -> Grain:
    """Hold, noise and resolution of a column; NaN is passed over."""
    column = column[np.isfinite(column)]
    changed = changes(column)
    held = hold_of(changed, period_s)
    resolution = resolution_of(column)
    sigma = max(third_difference_noise(column[changed]), resolution / math.sqrt(12.0))
    return Grain(held, sigma, resolution)


def changes(column: FloatArray) -> BoolArray:
    """Where a column differs from the frame before; the first frame counts."""
    changed = np.ones(len(column), dtype=np.bool_)
    changed[1:] = np.diff(column) != 0.0
    return changed


def cut(t: FloatArray, piece_s: float) -> IntArray:
    """The first frame of each piece of so many seconds, shape (m,); of fewer and longer pieces where there would be
    more of them than frames, as with a time that leaps by years."""
    longest_s = max(piece_s, float(t[-1] - t[0]) / len(t))
    if not math.isfinite(longest_s):
        return np.zeros(0, np.int64)
    begins_t: FloatArray = np.arange(t[0], t[-1], longest_s)
    begins_t = begins_t[begins_t < t[-1]]  # the last one, rounded, may lie beyond the end
    return t.searchsorted(begins_t).astype(np.int64)


def hold_of(changed: BoolArray, period_s: float) -> float:
    """Median number of frames from one change to the next; 1 for a column that hardly ever changes, because it then
    says nothing of how often it is sent."""
    places = np.flatnonzero(changed)
    if len(places) < 4:
        return 1.0
    hold = middle(np.diff(places))
    return hold if hold * period_s <= LONGEST_HOLD_S else 1.0


def third_difference_noise(column: FloatArray) -> float:
    """Standard deviation of white noise on a smooth course: third differences have 1 + 9 + 9 + 1 = 20 times its
    variance, and the course cancels out of them."""
    return float(third_difference_noises(column))


def third_difference_noises(rows: FloatArray) -> FloatArray:
    """The same of each row."""
    if rows.shape[-1] < 8:
        return np.zeros(rows.shape[:-1])
    for _ in range(3):
        rows = rows[..., 1:] - rows[..., :-1]
    return MAD * middles(np.abs(rows)) / math.sqrt(20.0)


def resolution_of(column: FloatArray) -> float:
    """The least step between values that lie on a grid; 0 where they do not, or there are too few to tell."""
    values = np.unique(column)
    if len(values) < DISTINCT or len(values) > len(column) // 3:
        return 0.0
    steps = np.diff(values)
    least = float(steps.min())
    multiples = steps / least
    return least if bool((np.abs(multiples - np.round(multiples)) < 0.05).all()) else 0.0


def middle(values: FloatArray | IntArray) -> float:
    """The median of at least one number: what numpy gives, for a third of its time over the some hundred numbers that
    are asked for here."""
    return float(middles(values))


def middles(rows: FloatArray | IntArray) -> FloatArray:
    """The median of each row of at least one number."""
    half, is_odd = divmod(rows.shape[-1], 2)
    ordered = np.partition(rows, (half, -1) if is_odd else (half - 1, half, -1), axis=-1)
    found = ordered[..., half] if is_odd else (ordered[..., half - 1] + ordered[..., half]) / 2.0
    last = ordered[..., -1]
    return np.where(last == last, found, math.nan)  # numpy puts what is not measured last


def upper(values: FloatArray, share: float) -> float:
    """The number that this share of them, a half and more, lies below: what numpy's quantile gives, for a fifth of its
    time."""
    place = (len(values) - 1) * share
    low = int(place)
    high = min(low + 1, len(values) - 1)
    ordered = np.partition(values, (low, high, -1))
    if ordered[-1] != ordered[-1]:
        return math.nan  # which numpy puts last
    between = float(ordered[high] - ordered[low])
    part = place - low
    if part < 0.5:
        return float(ordered[low]) + between * part
    return float(ordered[high]) - between * (1.0 - part)


def cumulated(steps: FloatArray) -> FloatArray:
    """Sums up to each frame, 0 at the first one; one longer than the steps, along the last axis."""
    total = np.zeros((*steps.shape[:-1], steps.shape[-1] + 1))
    np.cumsum(steps, axis=-1, out=total[..., 1:])
    return total


def turn_of(angle: FloatArray) -> FloatArray:
    """An angle brought into −π … π."""
    return np.remainder(angle + np.pi, 2.0 * np.pi) - np.pi

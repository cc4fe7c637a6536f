"""Faults put into frames: one channel, or one marker, made untrue by a size. The given frames stay as they are.

What a simulator's interface does wrong: another scale, an offset, a delay, a sign, a channel that stands, a loss,
noise, another vehicle under the id, a marker too early or too late.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from monitor.measures.columns import BoolArray, FloatArray, FrameBlock, IntArray, OtherRows

SEED = 1

Sizes = tuple[float, ...]
Spoil = Callable[["Place", FloatArray, float], FloatArray]

SHARES: Sizes = (0.01, 0.02, 0.03, 0.05, 0.1, 0.2, 0.5)
METRES: Sizes = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
SPEEDS: Sizes = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
ANGLES: Sizes = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5)
TIMES: Sizes = (0.05, 0.1, 0.2, 0.3, 0.5, 1.0, 2.0)
PLAIN: Sizes = (0.05, 0.1, 0.2, 0.3, 0.5)
WHOLE: Sizes = (1.0,)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a fault comes in: times of the rows of a body, seconds from the fire; `ends_s`: the last of them that a
    channel of the body is believed for."""

    from_fire: FloatArray
    ends_s: float

    def last(self, seconds: float) -> BoolArray:
        """The rows of the last so many seconds that count."""
        return (self.from_fire >= self.ends_s - seconds) & (self.from_fire <= self.ends_s)


@dataclass(frozen=True, slots=True)
class Fault:
    """One kind of fault of a body's channel. `sizes` in `unit`, both ways where it is `both`."""

    kind: str
    unit: str
    sizes: Sizes
    spoil: Spoil
    both: bool = False


def _scale(place: Place, column: FloatArray, size: float) -> FloatArray:
    return column * (1.0 + size)


def _offset(place: Place, column: FloatArray, size: float) -> FloatArray:
    return column + size


def _step(place: Place, column: FloatArray, size: float) -> FloatArray:
    return column + np.where(place.from_fire >= -1.0, size, 0.0)


def _sign(place: Place, column: FloatArray, size: float) -> FloatArray:
    return -column


def _delay(place: Place, column: FloatArray, size: float) -> FloatArray:
    known = np.isfinite(column)
    if not known.any():
        return column
    then = np.interp(place.from_fire - size, place.from_fire[known], column[known])
    return np.where(known, then, np.nan)


def _freeze(place: Place, column: FloatArray, size: float) -> FloatArray:
    standing = np.flatnonzero(place.last(size))
    spoilt = column.copy()
    if len(standing):
        spoilt[standing] = column[standing[0]]
    return spoilt


def _loss(place: Place, column: FloatArray, size: float) -> FloatArray:
    return np.where(place.last(size), np.nan, column)


def _noise(place: Place, column: FloatArray, size: float) -> FloatArray:
    return np.asarray(column + size * np.random.default_rng(SEED).standard_normal(len(column)))


def _turn(place: Place, column: FloatArray, size: float) -> FloatArray:
    return np.where(place.last(size), 0.0, column)


FREEZE = Fault("freeze", "s", TIMES, _freeze)
LOSS = Fault("loss", "s", TIMES, _loss)
DELAY = Fault("delay", "s", TIMES, _delay)
SCALE = Fault("scale", "%", SHARES, _scale, both=True)
SIGN = Fault("sign", "", WHOLE, _sign)


def _sized(unit: str, sizes: Sizes) -> tuple[Fault, ...]:
    offset = Fault("offset", unit, sizes, _offset, both=True)
    return offset, Fault("step", unit, sizes, _step, both=True), Fault("noise", unit, sizes, _noise)


CHANNELS: dict[str, tuple[Fault, ...]] = {
    "speed": (SCALE, *_sized("m/s", SPEEDS), SIGN, DELAY, FREEZE, LOSS),
    "accel": (SCALE, *_sized("m/s²", SPEEDS), SIGN, DELAY, FREEZE, LOSS),
    "yaw_rate": (SCALE, *_sized("rad/s", ANGLES), SIGN, DELAY, FREEZE, LOSS),
    "heading": (*_sized("rad", ANGLES), SIGN, DELAY, FREEZE, LOSS),
    "station": (*_sized("m", METRES), DELAY, FREEZE, LOSS),
    "x": (*_sized("m", METRES), DELAY, FREEZE, LOSS),
    "lane_offset": (SCALE, *_sized("m", METRES), SIGN, DELAY, FREEZE, LOSS),
    "length": (SCALE, Fault("none", "", WHOLE, lambda _, column, __: np.zeros_like(column)), LOSS),
    "brake": (Fault("offset", "", PLAIN, _offset), FREEZE, LOSS),
    "accelerator": (Fault("offset", "", PLAIN, _offset), FREEZE, LOSS),
}
"""`x` stands for the place: both coordinates are spoilt, an offset or a step along the way."""

SIGNAL = (Fault("drops to 0", "s", TIMES, _turn), FREEZE, LOSS)
LOST_FRAMES = Fault("loss", "s", TIMES, _loss)
MOVED = Fault("moved", "s", TIMES, _offset, both=True)
"""A marker that is later, or earlier, than it was."""

WHOLE_BODY = (
    Fault("another vehicle", "m", METRES, _step, both=True),
    Fault("delay", "s", TIMES, _delay),
)
"""Faults of all of a vehicle's channels together; another one under the id is so much further ahead."""


@dataclass(frozen=True, slots=True)
class Body:
    """A body in frames: own car, or the vehicle with an id. `who` in words."""

    who: str
    id: int | None = None

    def rows(self, frames: FrameBlock) -> IntArray:
        """Its rows: frames of own car, rows of `others` else."""
        return np.arange(len(frames)) if self.id is None else np.flatnonzero(frames.others.id == self.id)

    def times(self, frames: FrameBlock) -> FloatArray:
        """The time of each of its rows."""
        return frames.t if self.id is None else frames.t[frames.others.frame_of_row()[self.rows(frames)]]

    def channel(self, frames: FrameBlock, name: str) -> FloatArray:
        """One of its channels, NaN where it is not given."""
        if self.id is None:
            return frames.own.get(name, np.full(len(frames), np.nan))
        column = frames.others.channels.get(name)
        rows = self.rows(frames)
        return np.full(len(rows), np.nan) if column is None else column[rows]

    def with_channels(self, frames: FrameBlock, spoilt: dict[str, FloatArray]) -> FrameBlock:
        """The frames with other values of some of its channels."""
        if self.id is None:
            return replace(frames, own={**frames.own, **spoilt})
        rows, channels = self.rows(frames), dict(frames.others.channels)
        for name, values in spoilt.items():
            channels[name] = channels[name].copy()
            channels[name][rows] = values
        return replace(frames, others=_with(frames.others, channels))


def _with(others: OtherRows, channels: dict[str, FloatArray]) -> OtherRows:
    return OtherRows(others.start, others.id, channels, others.names, others.label, others.labels)


@dataclass(frozen=True, slots=True)
class Spoiling:
    """A fault of one size at its place."""

    fault: Fault
    place: Place
    size: float

    def of(self, column: FloatArray) -> FloatArray:
        """A column as the fault makes it."""
        return self.fault.spoil(self.place, column, self.size)

    def along(self) -> FloatArray:
        """How far each row is moved along the way, in m."""
        return self.of(np.zeros(len(self.place.from_fire)))


def spoil_channel(frames: FrameBlock, body: Body, name: str, spoiling: Spoiling) -> FrameBlock:
    """The frames with one channel of a body spoilt."""
    if name != "x":
        return body.with_channels(frames, {name: spoiling.of(body.channel(frames, name))})
    x, y = body.channel(frames, "x"), body.channel(frames, "y")
    if spoiling.fault.kind in ("offset", "step"):
        along = spoiling.along()
        heading = _heading(body, frames)
        return body.with_channels(frames, {"x": x + along * np.cos(heading), "y": y + along * np.sin(heading)})
    return body.with_channels(frames, {"x": spoiling.of(x), "y": spoiling.of(y)})


def spoil_body(frames: FrameBlock, body: Body, spoiling: Spoiling) -> FrameBlock:
    """The frames with all channels of a body spoilt as one: late, or those of another vehicle so far ahead of it."""
    names = ("x", "y", "heading", "speed", "accel", "yaw_rate", "station", "lane_offset")
    known = {name: column for name in names if np.isfinite(column := body.channel(frames, name)).any()}
    if spoiling.fault.kind == "delay":
        return body.with_channels(frames, {name: spoiling.of(column) for name, column in known.items()})
    along = spoiling.along()
    heading = _heading(body, frames)
    moved = {"x": along * np.cos(heading), "y": along * np.sin(heading), "station": along}
    return body.with_channels(frames, {name: known[name] + by for name, by in moved.items() if name in known})


def _heading(body: Body, frames: FrameBlock) -> FloatArray:
    heading = body.channel(frames, "heading")
    return np.where(np.isfinite(heading), heading, 0.0)


def both_ways(fault: Fault, size: float) -> Iterator[float]:
    """A size, and its opposite where the fault has one."""
    yield size
    if fault.both:
        yield -size

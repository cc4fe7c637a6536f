"""Whether channels fit together: what a unit or a sign looks like, told from how the car moves.

Each doubt names the channel, what it looks like and by which comparison, and what to change in the channel map. What
cannot be told (a straight drive says nothing of a heading's sign) gives no doubt, and is not counted as told.
"""

from __future__ import annotations

import math

import numpy as np

from monitor.commissioning.check.doubts import CLOSE, CLOSE_LENGTHS, Kind, Sanity
from monitor.connect.channel_map.units import UNITS
from monitor.measures.columns import FloatArray, FrameBlock, Road
from monitor.measures.path import path_of

MOVING_MPS = 2.0
"""Below this the distance between two frames says too little of a speed."""
LEAST_FRAMES = 20
AGREE = 0.9
"""Correlation from which on two channels are taken to tell of the same movement."""
LEAST_ASIDE_MPS = 0.01
LEAST_ACCEL_MPS2 = 0.1
LEAST_YAW_RAD_PER_S = 0.002
OVER_S = 0.25
"""Rates of change are taken over this long, so that the rounding of a channel does not hide the movement."""
WHEEL_AT_MOST_RAD = 15.0
"""2.4 turns to a side, more than the wheel of a car has (common practice, no source)."""

FASTEST_MPS = 70.0
"""252 km/h: nobody drives an experiment faster, so positions and speed are both in another unit."""

SPEED_UNITS = ("km/h", "mph", "ft/s", "kn", "cm/s")
ACCEL_UNITS = ("g", "ft/s²")
LENGTH_UNITS = ("ft", "cm", "mm", "in", "km")


class Motion:
    """What the own car's position says of its movement. Arrays of shape (n − 1,), frame to frame."""

    def __init__(self, block: FrameBlock) -> None:
        own = block.own
        self.dt = np.diff(block.t)
        self.over = max(1, round(OVER_S / float(np.median(self.dt)))) if len(self.dt) else 1
        self.dx, self.dy = np.diff(own["x"]), np.diff(own["y"])
        with np.errstate(invalid="ignore", divide="ignore"):
            self.speed = np.hypot(self.dx, self.dy) / self.dt
        self.moving = np.isfinite(self.speed) & (self.dt > 0) & (self.speed > MOVING_MPS)
        self.way = np.arctan2(self.dy, self.dx)

    def rate(self, column: FloatArray, t: FloatArray) -> FloatArray:
        """The rate of change over `OVER_S`; shorter than the column by so many frames."""
        over = self.over
        with np.errstate(invalid="ignore", divide="ignore"):
            return (column[over:] - column[:-over]) / (t[over:] - t[:-over])

    def mean(self, column: FloatArray) -> FloatArray:
        """The mean over the same frames as `rate`."""
        return np.convolve(column, np.full(self.over + 1, 1.0 / (self.over + 1)), mode="valid")

    def longest_way(self) -> slice:
        """The longest stretch of steps in which the car moves all the time."""
        edges = np.flatnonzero(np.diff(np.concatenate([[0], self.moving.astype(np.int8), [0]])))
        if not len(edges):
            return slice(0, 0)
        begins, ends = edges[::2], edges[1::2]
        longest = int(np.argmax(ends - begins))
        return slice(int(begins[longest]), int(ends[longest]))


def judge_sanity(block: FrameBlock, road: Road | None) -> Sanity:
    """All that can be told of the channels of a block."""
    out = Sanity()
    if len(block) >= LEAST_FRAMES:
        motion = Motion(block)
        _speed(block, motion, out)
        _accel(block, motion, out)
        _heading(block, motion, out)
        _turns(block, motion, out)
        _station(block, motion, out)
        _lane_offset(block, motion, road, out)
        _pedals(block, out)
        _sizes(block, out)
        _others(block, out)
    return out


def _speed(block: FrameBlock, motion: Motion, out: Sanity) -> None:
    ratio = _ratio(_between(block.own["speed"]), motion.speed, motion.moving)
    if ratio is None:
        return
    against = "the distance that the car moves in a second"
    for text in ("m/s", *SPEED_UNITS):
        if text != "ft/s" and abs(ratio * UNITS[text].factor / UNITS["ft"].factor - 1.0) < CLOSE:
            _in_feet(ratio, text, against, out)
            return
    out.by_factor("speed", ratio, SPEED_UNITS, against)
    known = block.own["speed"][np.isfinite(block.own["speed"])]
    if out.verdict("speed", "unit") == "plausible" and float(np.median(known)) > FASTEST_MPS:
        why = f"{float(np.median(known)):.0f} m/s is no speed of a car"
        out.doubt("speed", "unit", "another unit, as x and y do", why, advice="give speed, x and y their units")


def _in_feet(ratio: float, unit: str, against: str, out: Sanity) -> None:
    """Speed and position fit together with positions in feet only."""
    why = f"speed is {ratio:.3g} times {against}"
    if unit == "m/s":
        out.told.add(("speed", "unit"))
    else:
        out.doubt("speed", "unit", f"{unit} where x and y are in ft", why, unit=unit)
    for name in ("x", "y"):
        out.doubt(name, "unit", "ft", why, unit="ft")


def _accel(block: FrameBlock, motion: Motion, out: Sanity) -> None:
    changes = motion.rate(block.own["speed"], block.t)
    slope = _slope(changes, motion.mean(block.own["accel"]), LEAST_ACCEL_MPS2)
    if slope is None:
        return
    out.told.add(("accel", "sign"))
    if slope < 0:
        why = "it is positive while the car slows down"
        out.doubt("accel", "sign", "braking counted as positive", why, scale=-1.0)
    speed = out.verdict("speed", "unit")
    if speed == "plausible":  # else the change of speed is in another unit itself
        out.by_factor("accel", abs(slope), ACCEL_UNITS, "the change of speed in a second")


def _heading(block: FrameBlock, motion: Motion, out: Sanity) -> None:
    heading = _between(block.own["heading"])
    use = motion.moving & np.isfinite(heading)
    if use.sum() < LEAST_FRAMES:
        return
    way, heading = motion.way[use], heading[use]
    if _apart(way, heading) < 0.1:
        if np.ptp(np.unwrap(way)) > 0.2:
            out.told |= {("heading", "unit"), ("heading", "sign")}
        return
    turned, north = "clockwise from x", "clockwise from north"
    guesses: tuple[tuple[FloatArray, Kind, str, str | None, str | None], ...] = (
        (np.radians(heading), "unit", "degrees", "deg", None),
        (-heading, "sign", "clockwise angles", None, turned),
        (math.pi / 2 - heading, "sign", "angles clockwise from north", None, north),
        (-np.radians(heading), "unit", "clockwise angles in degrees", "deg", turned),
        (math.pi / 2 - np.radians(heading), "unit", "degrees clockwise from north", "deg", north),
        (heading + math.pi / 2, "sign", "angles from y", None, "counter-clockwise from y"),
    )
    for guess, kind, looks_like, unit, axes in guesses:
        if _apart(way, guess) < 0.1:
            why = "only so it is the way in which the car moves"
            out.doubt("heading", kind, looks_like, why, unit=unit, axes=axes)
            return
    why = f"the car moves {math.degrees(_apart(way, heading)):.0f}° off the way that it points"
    out.doubt("heading", "sign", "another convention", why, advice="see y and heading in [axes]")


def _turns(block: FrameBlock, motion: Motion, out: Sanity) -> None:
    """Yaw rate and steering wheel against the turn of the car's way."""
    angle = block.own["steering_angle"]
    known = np.abs(angle[np.isfinite(angle)])
    if len(known) and known.max() > WHEEL_AT_MOST_RAD:
        why = f"it reaches {known.max():.0f}, and no wheel turns by that many radians"
        out.doubt("steering_angle", "unit", "degrees", why, unit="deg")
    part = motion.longest_way()
    if part.stop - part.start < LEAST_FRAMES + motion.over:
        return
    turning = motion.rate(np.unwrap(motion.way[part]), _between(block.t)[part])
    for name, agree in (("yaw_rate", AGREE), ("steering_angle", 0.6)):
        slope = _slope(turning, motion.mean(_between(block.own[name])[part]), LEAST_YAW_RAD_PER_S, agree)
        if slope is None:
            continue
        out.told.add((name, "sign"))
        if slope < 0:
            why = "it is negative while the car turns left"
            out.doubt(name, "sign", "right-positive", why, axes="right")
        if name == "yaw_rate":
            out.by_factor(name, abs(slope), ("deg/s",), "the turn that the car makes in a second")


def _station(block: FrameBlock, motion: Motion, out: Sanity) -> None:
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = np.diff(block.own["station"]) / motion.dt
    ratio = _ratio(rate, motion.speed, motion.moving)
    if ratio is None:
        return
    out.told.add(("station", "sign"))
    if ratio < -CLOSE:
        out.doubt("station", "sign", "a distance that counts down", "it falls while the car moves", scale=-1.0)
    out.by_factor("station", abs(ratio), LENGTH_UNITS, "the distance that the car moves", CLOSE_LENGTHS)


def _lane_offset(block: FrameBlock, motion: Motion, road: Road | None, out: Sanity) -> None:
    """Against the sideways movement about the road's line; without one, about the straight line of the whole drive."""
    x, y = block.own["x"], block.own["y"]
    known = np.isfinite(x) & np.isfinite(y)
    if known.sum() < LEAST_FRAMES or motion.moving.sum() < LEAST_FRAMES:
        return
    first, last = np.flatnonzero(known)[[0, -1]]
    chord = math.atan2(y[last] - y[first], x[last] - x[first])
    aside = (y - y[first]) * math.cos(chord) - (x - x[first]) * math.sin(chord)
    if road is not None:
        place = path_of(road).project(x, y)
        with_it = np.cos(place.heading - chord) >= 0
        aside = np.where(with_it, place.d, -place.d)
    given = motion.rate(block.own["lane_offset"], block.t)
    slope = _slope(motion.rate(aside, block.t), given, LEAST_ASIDE_MPS)
    if slope is None:
        return
    out.told.add(("lane_offset", "sign"))
    if slope < 0:
        why = "it falls while the car moves to the left"
        out.doubt("lane_offset", "sign", "right-positive", why, axes="right")
    out.by_factor("lane_offset", abs(slope), LENGTH_UNITS, "the way that the car moves sideways", CLOSE_LENGTHS)


def _pedals(block: FrameBlock, out: Sanity) -> None:
    for name in ("accelerator", "brake"):
        known = block.own[name][np.isfinite(block.own[name])]
        if not len(known):
            continue
        if known.max() > 0.0:
            out.told.add((name, "unit"))
        least, most = float(known.min()), float(known.max())
        if 1.05 < most <= 105.0:
            out.doubt(name, "unit", "percent", f"it reaches {most:g}, and a pedal goes from 0 to 1", unit="%")
        elif most > 105.0 or least < -0.05:
            why = f"it goes from {least:g} to {most:g}, and a pedal from 0 to 1"
            advice = f'{name} = {{ from = "…", scale = …, offset = … }}'
            out.doubt(name, "unit", "a force or a raw count", why, advice=advice)


def _sizes(block: FrameBlock, out: Sanity) -> None:
    for name, least, most in (("length", 2.0, 25.0), ("width", 1.0, 3.5)):
        known = block.own[name][np.isfinite(block.own[name])]
        if not len(known):
            continue
        out.told.add((name, "unit"))
        middle = float(np.median(known))
        if not least <= middle <= most:
            unit = next((one for one in LENGTH_UNITS if least <= middle * UNITS[one].factor <= most), None)
            why, advice = f"a car of {middle:g} m is hardly meant", f"{name} = {{ constant = … }}"
            out.doubt(name, "unit", unit or "no size of a car", why, unit=unit, advice=advice)


def _others(block: FrameBlock, out: Sanity) -> None:
    """The speed of the vehicle that is there longest, as for the own car."""
    others = block.others
    if not len(others.id):
        return
    numbers, counts = np.unique(others.id, return_counts=True)
    rows = np.flatnonzero(others.id == numbers[int(np.argmax(counts))])
    frame = others.frame_of_row()[rows]
    x, y = others.channels["x"][rows], others.channels["y"][rows]
    with np.errstate(invalid="ignore", divide="ignore"):
        moved = np.hypot(np.diff(x), np.diff(y)) / np.diff(block.t[frame])
    use = (np.diff(frame) == 1) & np.isfinite(moved) & (moved > MOVING_MPS)
    ratio = _ratio(_between(others.channels["speed"][rows]), moved, use)
    if ratio is not None:
        out.by_factor("others.speed", ratio, SPEED_UNITS, "the distance that the vehicle moves in a second")


def _ratio(given: FloatArray, truth: FloatArray, use: np.typing.NDArray[np.bool_]) -> float | None:
    """The median ratio of two columns; None where there are too few numbers."""
    use = use & np.isfinite(given)
    if use.sum() < LEAST_FRAMES:
        return None
    return float(np.median(given[use] / truth[use]))


def _between(column: FloatArray) -> FloatArray:
    """The mean of each two neighbours: what holds over the step between two frames."""
    return (column[1:] + column[:-1]) / 2


def _slope(truth: FloatArray, given: FloatArray, least_spread: float, agree: float = AGREE) -> float | None:
    """How much of `given` goes with one of `truth`; None where there is too little movement, or the two disagree."""
    count = min(len(truth), len(given))
    truth, given = truth[:count], given[:count]
    use = np.isfinite(truth) & np.isfinite(given)
    if use.sum() < LEAST_FRAMES:
        return None
    a, b = truth[use] - truth[use].mean(), given[use] - given[use].mean()
    if a.std() < least_spread or not b.any():
        return None
    together = float((a * b).sum())
    if abs(together) < agree * math.sqrt(float((a * a).sum()) * float((b * b).sum())):
        return None
    return float((b * b).sum()) / together


def _apart(one: FloatArray, other: FloatArray) -> float:
    """The median angle between two directions, in rad."""
    return float(np.median(np.abs(np.angle(np.exp(1j * (one - other))))))

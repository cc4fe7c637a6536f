"""Drives whose truth is known, as a simulator would send them: sampled, stamped, noisy, lossy. The monitor sees no
truth.

The truth is a body on a road: its distance along the line and its offset from it as smooth functions of time. Place,
heading, speed, acceleration and turn follow from these by calculus on a fine grid. What a feed says of it is drawn
afterwards: the clock, the noise of each channel, traffic that is sent more slowly, frames that are lost, channels that
are not there.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

GRID_HZ = 480.0
OWN_LENGTH, OWN_WIDTH = 4.6, 1.84
VAN_LENGTH, VAN_WIDTH = 5.9, 2.0
LANE_M = 3.5


@dataclass(frozen=True)
class Room:
    """A facility: how its feed is sampled and what it sends. Noise is one standard deviation."""

    rate_hz: float = 60.0
    tick_s: float = 0.0
    """The simulator's clock goes on in steps of this; 0: exact."""
    jitter_s: float = 0.0
    loss: float = 0.0
    hold: int = 1
    """Traffic is sent anew every so many frames."""
    speed_noise: float = 0.0
    place_noise: float = 0.0
    accel_noise: float | None = None
    """m/s²; as large as the speed's number where None."""
    slow_s: float = 0.0
    """Time constant of the noise; 0: white."""
    resolution: float = 0.0
    """Speeds are rounded to this."""
    road: bool = True
    lanes: bool = True
    """`station`, `lane`, `lane_offset` and `lane_width` are sent."""
    yaw_rate: bool = True
    pedals: bool = True
    packed: bool = True
    """Columns as bytes, else as arrays."""
    single: bool = False
    """Numbers are sent as float32."""
    seam_m: float = 0.0
    """Stations of road sections that are stitched with a step."""


@dataclass(frozen=True)
class Course:
    """A road as curvature along its line: straight, a bend of `radius_m` over `bend_m`, straight again."""

    radius_m: float = math.inf
    begins_m: float = 150.0
    bend_m: float = 200.0
    left: bool = True

    def curvature(self, s: Array) -> Array:
        """1/m at places along the line; the bend begins and ends over 30 m."""
        if not math.isfinite(self.radius_m):
            return np.zeros(len(s))
        rise = np.clip((s - self.begins_m) / 30.0, 0.0, 1.0) - np.clip(
            (s - self.begins_m - self.bend_m) / 30.0, 0.0, 1.0
        )
        return np.asarray((1.0 if self.left else -1.0) / self.radius_m * rise * rise * (3.0 - 2.0 * rise))


@dataclass(frozen=True)
class Motion:
    """A body's truth on the fine grid: time, place, heading, speed along it, their rates, distance and offset."""

    t: Array
    x: Array
    y: Array
    heading: Array
    speed: Array
    accel: Array
    yaw_rate: Array
    s: Array
    d: Array


@dataclass
class Told:
    """What a feed tells of one body: columns over the frames that arrive."""

    t: Array
    seq: npt.NDArray[np.int64]
    true_t: Array
    channels: dict[str, Array] = field(default_factory=dict)


def move(
    course: Course,
    t: Array,
    speed_along: Array,
    offset: Callable[[Array], Array],
    s0: float,
    slide: Array | None = None,
) -> Motion:
    """The motion of a body that goes along the line with `speed_along` and is `offset(s)` left of it.

    `slide`: sideways displacement that does not turn the body, as by a gust.
    """
    dt = t[1] - t[0]
    s = s0 + np.concatenate([[0.0], np.cumsum(0.5 * (speed_along[1:] + speed_along[:-1]) * dt)])
    grid = np.arange(min(s.min(), 0.0) - 5.0, s.max() + 5.0, 0.1)
    bend = course.curvature(grid)
    course_heading = np.concatenate([[0.0], np.cumsum(0.5 * (bend[1:] + bend[:-1]) * 0.1)])
    course_heading = course_heading - np.interp(0.0, grid, course_heading)
    line_heading = np.interp(s, grid, course_heading)
    d = offset(s)
    aside = (offset(s + 0.05) - offset(s - 0.05)) / 0.1
    along = 1.0 - course.curvature(s) * d
    heading = line_heading + np.arctan2(aside, along)
    speed = speed_along * np.hypot(along, aside)
    x0, y0 = line_place(course, np.array([s0]), d[:1])
    vx, vy = speed * np.cos(heading), speed * np.sin(heading)
    x = x0 + np.concatenate([[0.0], np.cumsum(0.5 * (vx[1:] + vx[:-1]) * dt)])
    y = y0 + np.concatenate([[0.0], np.cumsum(0.5 * (vy[1:] + vy[:-1]) * dt)])
    if slide is not None:
        x, y = x - slide * np.sin(line_heading), y + slide * np.cos(line_heading)
        d = d + slide
    return Motion(t, x, y, heading, speed, np.gradient(speed, dt), np.gradient(heading, dt), s, d)


def line_place(course: Course, s: Array, d: Array) -> tuple[Array, Array]:
    """Places in the plane of points at `s` along the line and `d` left of it."""
    grid = np.arange(min(float(s.min()), 0.0) - 10.0, float(s.max()) + 10.0, 0.1)
    bend = course.curvature(grid)
    heading = np.concatenate([[0.0], np.cumsum(0.5 * (bend[1:] + bend[:-1]) * 0.1)])
    heading = heading - np.interp(0.0, grid, heading)
    x = np.concatenate([[0.0], np.cumsum(0.05 * (np.cos(heading[1:]) + np.cos(heading[:-1])))])
    y = np.concatenate([[0.0], np.cumsum(0.05 * (np.sin(heading[1:]) + np.sin(heading[:-1])))])
    x, y = x - np.interp(0.0, grid, x), y - np.interp(0.0, grid, y)
    at = np.interp(s, grid, heading)
    return np.interp(s, grid, x) - d * np.sin(at), np.interp(s, grid, y) + d * np.cos(at)


def road_line(course: Course, length_m: float, step_m: float = 5.0) -> tuple[list[float], list[float]]:
    """Vertices of the reference line as a hello gives them."""
    s = np.arange(-100.0, length_m + step_m, step_m)
    x, y = line_place(course, s, np.zeros(len(s)))
    return x.tolist(), y.tolist()


def stamps(
    room: Room, seconds: float, rng: np.random.Generator, *, rising: bool = True
) -> tuple[Array, Array, npt.NDArray[np.int64]]:
    """Time stamps, true times and numbers of the frames that arrive; with `rising`, of those that are judged."""
    count = int(seconds * room.rate_hz)
    seq = np.arange(count, dtype=np.int64)
    true_t = seq / room.rate_hz
    t = true_t.copy()
    if room.tick_s:
        t = np.floor(t / room.tick_s + 1e-9) * room.tick_s
    if room.jitter_s:
        t = t + rng.normal(0.0, room.jitter_s, count)
    kept = rng.random(count) >= room.loss
    kept[0] = True
    t, true_t, seq = t[kept], true_t[kept], seq[kept]
    if rising:
        later = np.concatenate([[True], t[1:] > np.maximum.accumulate(t)[:-1]])
        t, true_t, seq = t[later], true_t[later], seq[later]
    return t, true_t, seq


def noise(rng: np.random.Generator, n: int, sigma: float, slow_s: float, rate_hz: float) -> Array:
    """White noise, or noise that wanders with a time constant (Ornstein–Uhlenbeck, exactly stepped)."""
    white = rng.normal(0.0, 1.0, n) * sigma
    if not slow_s or not sigma:
        return white
    keep = math.exp(-1.0 / (slow_s * rate_hz))
    new = math.sqrt(1.0 - keep * keep)
    out = np.empty(n)
    value = white[0] if n else 0.0
    for i in range(n):
        value = keep * value + new * white[i]
        out[i] = value
    return out


def tell(
    motion: Motion,
    room: Room,
    frames: tuple[Array, Array, npt.NDArray[np.int64]],
    rng: np.random.Generator,
    *,
    own: bool,
) -> Told:
    """What the feed says of a body."""
    t, true_t, seq = frames
    seen_t = true_t
    if not own and room.hold > 1:
        seen_t = (seq // room.hold) * room.hold / room.rate_hz
    n = len(t)

    def at(column: Array, sigma: float, rounded: float = 0.0) -> Array:
        values = np.interp(seen_t, motion.t, column)
        if sigma:
            every = noise(rng, int(seq[-1]) + 1, sigma, room.slow_s, room.rate_hz)
            values = (
                values + every[np.searchsorted(np.arange(int(seq[-1]) + 1), (seen_t * room.rate_hz + 0.5).astype(int))]
            )
        return np.round(values / rounded) * rounded if rounded else values

    accel_noise = room.speed_noise if room.accel_noise is None else room.accel_noise
    told = Told(t, seq, true_t)
    turn_noise = 0.02 * room.speed_noise
    told.channels = {
        "x": at(motion.x, room.place_noise),
        "y": at(motion.y, room.place_noise),
        "heading": at(motion.heading, turn_noise),
        "speed": at(motion.speed, room.speed_noise, room.resolution),
        "accel": at(motion.accel, accel_noise),
        "length": np.full(n, OWN_LENGTH if own else VAN_LENGTH),
        "width": np.full(n, OWN_WIDTH if own else VAN_WIDTH),
    }
    lane = np.floor(motion.d / LANE_M + 1.0)
    if room.lanes:
        seams = room.seam_m * np.floor(motion.s / 97.0) if room.seam_m else 0.0
        told.channels["station"] = at(motion.s + seams, room.place_noise)
        nearest = np.clip(np.searchsorted(motion.t, seen_t), 0, len(motion.t) - 1)
        told.channels["lane"] = lane[nearest]
        if own:
            centre = (lane[nearest] - 0.5) * LANE_M
            told.channels["lane_offset"] = at(motion.d, room.place_noise) - centre
            told.channels["lane_width"] = np.full(n, LANE_M)
    if own and room.yaw_rate:
        told.channels["yaw_rate"] = at(motion.yaw_rate, 2.0 * turn_noise)
    if own and room.pedals:
        told.channels["accelerator"] = np.clip(0.25 + 0.1 * np.interp(seen_t, motion.t, motion.accel), 0.0, 1.0)
        told.channels["brake"] = np.clip(-0.12 * np.interp(seen_t, motion.t, motion.accel) - 0.1, 0.0, 1.0)
    if room.single:
        told.channels = {name: column.astype(np.float32).astype(np.float64) for name, column in told.channels.items()}
    return told

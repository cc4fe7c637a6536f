"""How people and scripts drive, at random: cruising, braking, standing, backing up, changing lanes, bends, a gust."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from monitor.judging.evidence.bodies import Body, way_of
from monitor.measures.columns import Road
from monitor.measures.path import path_of
from tests.evidence.drives import GRID_HZ, LANE_M, Array, Course, Motion, Room, Told, move, road_line, stamps, tell


def smooth(t: Array, begin: float, lasting: float) -> Array:
    """0 before, 1 after, with no kink."""
    share = np.clip((t - begin) / lasting, 0.0, 1.0)
    return np.asarray(share * share * (3.0 - 2.0 * share))


def any_course(rng: np.random.Generator) -> Course:
    """Straight, or a bend of 50 to 500 m."""
    if rng.random() < 0.4:
        return Course()
    radius = float(rng.uniform(50.0, 500.0))
    # half a circle at most: a road may cross itself and does not lie upon itself
    bend = float(rng.uniform(60.0, min(300.0, 3.0 * radius)))
    return Course(radius, float(rng.uniform(80.0, 250.0)), bend, bool(rng.random() < 0.5))


def any_motion(rng: np.random.Generator, course: Course, seconds: float, s0: float = 0.0) -> Motion:
    """A drive with something of everything."""
    t = np.arange(0.0, seconds + 1.0, 1.0 / GRID_HZ)
    fastest = 24.0 if not math.isfinite(course.radius_m) else min(24.0, math.sqrt(4.0 * course.radius_m))
    cruise = float(rng.uniform(0.6, 1.0)) * fastest
    speed = cruise + rng.uniform(0.0, 0.04) * cruise * np.sin(
        2.0 * math.pi * t / rng.uniform(8.0, 25.0) + rng.uniform(0, 6)
    )
    kind = rng.choice(["cruise", "brake", "stand", "reverse", "start"], p=[0.35, 0.35, 0.15, 0.07, 0.08])
    if kind in ("brake", "stand", "reverse"):
        begin, decel = rng.uniform(5.0, seconds - 12.0), rng.uniform(6.0, 9.0)
        ramp = rng.uniform(0.1, 0.5)
        rate = decel * smooth(t, begin, ramp)
        floor = {"brake": rng.uniform(0.2, 0.7) * cruise, "stand": 0.0, "reverse": 0.0}[str(kind)]
        lost = np.concatenate([[0.0], np.cumsum(rate[1:] / GRID_HZ)])
        slowed = np.maximum(speed - lost, floor)
        again = begin + cruise / decel + rng.uniform(2.0, 4.0)
        speed = np.minimum(slowed + 2.5 * np.maximum(t - again, 0.0) * smooth(t, again, 1.0), speed)
        if kind == "reverse":
            speed = np.where(t > again, 0.0, slowed)
            speed = speed - 2.0 * smooth(t, again, 2.0) + 2.0 * smooth(t, again + 4.0, 1.5)
    elif kind == "start":
        speed = speed * smooth(t, rng.uniform(2.0, 5.0), 8.0)
    # nobody jerks without end
    window = np.hanning(25)
    speed = np.convolve(np.pad(speed, 12, mode="edge"), window / window.sum(), mode="valid")
    weave, wave_m = rng.uniform(0.0, 0.2), rng.uniform(90.0, 250.0)
    change_at = s0 + rng.uniform(60.0, 400.0) if rng.random() < 0.35 else math.inf
    change_m = rng.uniform(60.0, 120.0)

    def offset(s: Array) -> Array:
        moved = LANE_M * smooth(s, change_at, change_m) if math.isfinite(change_at) else 0.0
        return np.asarray(-0.5 * LANE_M + weave * np.sin(2.0 * math.pi * s / wave_m) + moved)

    slide = None
    if rng.random() < 0.15:
        slide = rng.uniform(-0.6, 0.6) * (smooth(t, seconds / 2, 1.0) - smooth(t, seconds / 2 + 2.0, 2.0))
    return move(course, t, speed, offset, s0, slide)


def any_room(rng: np.random.Generator, *, level: int, **fixed: Any) -> Room:
    """A facility; `level` 0, 1, 2: no noise, 0.05 m/s and 3 cm, 0.1 m/s and 10 cm."""
    rate = float(rng.choice([10.0, 20.0, 30.0, 60.0, 100.0, 120.0, 240.0]))
    clock = rng.choice(["exact", "jitter", "10", "15.6", "16"], p=[0.3, 0.3, 0.14, 0.13, 0.13])
    speed_noise, place_noise = ((0.0, 0.0), (0.05, 0.03), (0.1, 0.1))[level]
    values: dict[str, Any] = {
        "rate_hz": rate,
        "tick_s": {"10": 0.01, "15.6": 0.0156, "16": 0.016}.get(str(clock), 0.0),
        "jitter_s": (0.002 if rate <= 100.0 else 0.001) if clock == "jitter" else 0.0,
        "loss": 0.01 if rng.random() < 0.3 else 0.0,
        "hold": int(rng.integers(1, 4)),
        "speed_noise": speed_noise,
        "place_noise": place_noise,
    }
    return Room(**{**values, **fixed})


@dataclass(frozen=True)
class Seen:
    """Own car and van as the evidence tests take them, and the road."""

    own: Body
    van: Body
    road: Road


def seen(room: Room, course: Course, own: Motion, van: Motion, seconds: float, rng: np.random.Generator) -> Seen:
    """Both bodies by the same frames."""
    frames = stamps(room, seconds, rng)
    x, y = road_line(course, float(max(own.s.max(), van.s.max())) + 50.0)
    road = Road(np.array(x), np.array(y), LANE_M, 2)
    return Seen(
        body_of("own car", tell(own, room, frames, rng, own=True), road if room.road else None),
        body_of("the van", tell(van, room, frames, rng, own=False), road if room.road else None),
        road,
    )


def body_of(who: str, told: Told, road: Road | None) -> Body:
    """A body as judging would cut it out of the feed."""
    way = None if road is None else way_of(road, path_of(road).project(told.channels["x"], told.channels["y"]))
    return Body(who, told.t, told.seq, dict(told.channels), way)

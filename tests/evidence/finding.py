"""What the evidence tests say of whole drives, without judging: how often they are wrong, and from what size they
find."""

from __future__ import annotations

import numpy as np

from monitor.judging.evidence.bodies import Body
from monitor.judging.evidence.closure import close
from monitor.judging.evidence.continuity import breaks
from monitor.judging.evidence.direct import heading_differences, offset_differences
from monitor.judging.evidence.pairs import OF_OTHERS, PAIRS
from monitor.judging.evidence.standing import stands
from monitor.measures.columns import Road
from tests.evidence.drives import GRID_HZ, LANE_M, Course, Motion, Room, move, road_line, stamps, tell
from tests.evidence.faults import Fault
from tests.evidence.manoeuvres import any_course, any_motion, any_room, body_of, seen, smooth

NOISES = ((0.0, 0.0), (0.05, 0.03), (0.1, 0.1))
STRAIGHT_S = 25.0
FAULT_T = 12.0


def found_in(body: Body) -> set[str]:
    """The names of the tests that speak up about a body."""
    names = set()
    for pair in PAIRS if body.who == "own car" else OF_OTHERS:
        closed = close(body, pair)
        if closed is not None and any(bool((np.abs(one.change) > one.limit).any()) for one in closed.windows):
            names.add(pair.name)
    names |= {f"{one.channel} stands" for one in stands(body)} | {f"{one.what} breaks" for one in breaks(body)}
    for one in (*offset_differences(body), *heading_differences(body)):
        if bool((np.abs(one.difference) > one.limit).any()):
            names.add(one.what)
    return names


def false_alarm(seed: int, level: int, slow_s: float = 0.0) -> set[str]:
    """What is said of a clean drive with something of everything."""
    rng = np.random.default_rng([seed, level])
    course = any_course(rng)
    room = any_room(rng, level=level, slow_s=slow_s)
    own, van = any_motion(rng, course, 40.0), any_motion(rng, course, 40.0, 40.0)
    both = seen(room, course, own, van, 40.0, rng)
    return found_in(both.own) | found_in(both.van)


def plain_motion(rng: np.random.Generator, course: Course, *, brakes: bool, s0: float) -> Motion:
    """22 m/s with the small waves of a driver; a van brakes with 5 to 8 m/s² at the fault's time."""
    t = np.arange(0.0, STRAIGHT_S + 1.0, 1.0 / GRID_HZ)
    speed = 22.0 + 0.3 * np.sin(2.0 * np.pi * t / rng.uniform(8.0, 20.0) + rng.uniform(0.0, 6.0))
    if brakes:
        decel = rng.uniform(5.0, 8.0) * smooth(t, FAULT_T, rng.uniform(0.2, 0.5))
        speed = np.maximum(speed - np.concatenate([[0.0], np.cumsum(decel[1:] / GRID_HZ)]), 6.0)
        window = np.hanning(25)
        speed = np.convolve(np.pad(speed, 12, mode="edge"), window / window.sum(), mode="valid")
    wave_m = rng.uniform(120.0, 250.0)
    return move(course, t, speed, lambda s: -0.5 * LANE_M + 0.1 * np.sin(2.0 * np.pi * s / wave_m), s0)


def is_found(fault: Fault, size: float, room: Room, seed: int, course: Course = Course()) -> bool:  # noqa: B008
    """Whether a fault of a size shows in a drive."""
    rng = np.random.default_rng([seed, 7])
    motion = plain_motion(rng, course, brakes=fault.whose == "van", s0=0.0 if fault.whose == "own" else 40.0)
    frames = stamps(room, STRAIGHT_S, rng)
    told = tell(motion, room, frames, rng, own=fault.whose == "own")
    fault.spoil(told, size, FAULT_T)
    road = None
    if room.road:
        x, y = road_line(course, float(motion.s.max()) + 50.0)
        road = Road(np.array(x), np.array(y), LANE_M, 2)
    return bool(found_in(body_of("own car" if fault.whose == "own" else "the van", told, road)))


def found_from(fault: Fault, room: Room, start: float, course: Course = Course(), drives: int = 10) -> float:  # noqa: B008
    """The least size, on a grid of tenths, that is found in at least nine of ten drives; NaN where none is."""
    size = start
    for _ in range(60):
        hits = 0
        for seed in range(drives):
            hits += is_found(fault, size, room, seed, course)
            if seed - hits + 1 > drives // 10:
                break
        if hits >= 0.9 * drives:
            return size
        size *= 1.1
    return float("nan")


STARTS = {
    "speed scale": 1.0, "speed offset": 0.2, "lead's speed late": 0.03, "lead's speed stands": 0.03,
    "station scale": 1.0, "station stands": 0.03, "station steps": 0.2, "body swapped": 0.2, "accel scale": 2.0,
    "accel offset": 0.03, "accel late": 0.03, "yaw rate offset": 0.002, "heading offset": 0.03, "lane offset": 0.03,
}  # fmt: skip

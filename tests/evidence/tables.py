"""How often the evidence tests are wrong, and from what size they find: `python tests/evidence/tables.py [NAME …]`.

Prints tables in Markdown; the newest stand in `FOUND.md` beside this file. Everything is seeded.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np

from monitor.judging.evidence.tellings import Asked, tellings_of
from monitor.measures.columns import Road
from tests.evidence.drives import LANE_M, Course, Room, road_line, stamps, tell
from tests.evidence.faults import KINDS, Fault
from tests.evidence.finding import (
    FAULT_T,
    NOISES,
    STARTS,
    STRAIGHT_S,
    false_alarm,
    found_from,
    is_found,
    plain_motion,
)
from tests.evidence.manoeuvres import body_of

RATES = (30.0, 60.0, 120.0)


def false_alarms(drives: int) -> None:
    """Clean drives with something of everything, white noise and noise that wanders."""
    print("| noise | wanders over | drives | flagged | 95 % bound |\n|---|---|---|---|---|")
    for level, slow_s in ((0, 0.0), (1, 0.0), (2, 0.0), (1, 0.1), (1, 0.5), (1, 2.0), (2, 0.1), (2, 0.5), (2, 2.0)):
        flagged = sum(bool(false_alarm(seed, level, slow_s)) for seed in range(drives))
        noise = "none" if not level else f"{NOISES[level][0]:g} m/s, {NOISES[level][1] * 100:g} cm"
        bound = _upper_bound(flagged, drives)
        print(f"| {noise} | {f'{slow_s:g} s' if slow_s else '–'} | {drives} | {flagged} | {bound:.2%} |", flush=True)


def _upper_bound(hits: int, trials: int) -> float:
    """One-sided 95 % bound of a share (Clopper & Pearson 1934), by bisection of the binomial sum."""
    low, high = hits / trials, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        k = np.arange(hits + 1)
        logs = np.cumsum(np.concatenate([[0.0], np.log((trials - k[:-1]) / (k[:-1] + 1.0))]))
        below = float(np.sum(np.exp(logs + k * np.log(middle) + (trials - k) * np.log1p(-middle))))
        low, high = (middle, high) if below > 0.05 else (low, middle)
    return high


def detection(course: Course) -> None:
    """The least size found in at least nine of ten drives at 22 m/s, at 30 / 60 / 120 Hz."""
    print("| fault | no noise | 0.05 m/s, 3 cm | 0.1 m/s, 10 cm |\n|---|---|---|---|")
    for fault in KINDS:
        cells = []
        for speed, place in NOISES:
            room = [Room(rate_hz=hz, speed_noise=speed, place_noise=place, road=_needs_road(fault)) for hz in RATES]
            cells.append(" / ".join(f"{found_from(fault, one, STARTS[fault.name], course):.3g}" for one in room))
        print(f"| {fault.name}, {fault.unit} | {' | '.join(cells)} |", flush=True)


def _needs_road(fault: Fault) -> bool:
    return fault.name == "lane offset"


PREDICTED = (
    ("speed scale", "own", "speed", 22.0 / 100.0),
    ("speed offset", "own", "speed", 1.0),
    ("station steps", "own", "station", 1.0),
    ("yaw rate offset", "own", "yaw_rate", 1.0),
    ("accel offset", "van", "accel", 1.0),
    ("lane offset", "own", "lane_offset", 1.0),
)


def predicted() -> None:
    """The limit that the evidence states, over the size from which the fault is found."""
    print("| fault | noise | predicted | found | predicted / found |\n|---|---|---|---|---|")
    for name, whose, channel, per_size in PREDICTED:
        fault = next(one for one in KINDS if one.name == name)
        for speed, place in NOISES:
            room = Room(speed_noise=speed, place_noise=place, road=_needs_road(fault))
            limit = stated_limit(whose, channel, room) / per_size
            found = found_from(fault, room, STARTS[name])
            print(
                f"| {name}, {fault.unit} | {speed:g} m/s | {limit:.3g} | {found:.3g} | {limit / found:.2f} |",
                flush=True,
            )


def stated_limit(whose: str, channel: str, room: Room, seed: int = 3) -> float:
    """The least error of a channel that its evidence says would have shown, in a clean straight drive."""
    rng = np.random.default_rng([seed, 7])
    motion = plain_motion(rng, Course(), brakes=False, s0=0.0)
    told = tell(motion, room, stamps(room, STRAIGHT_S, rng), rng, own=whose == "own")
    x, y = road_line(Course(), float(motion.s.max()) + 50.0)
    road = Road(np.array(x), np.array(y), LANE_M, 2) if room.road else None
    body = body_of("own car" if whose == "own" else "the van", told, road)
    end_t = float(body.t[-1])
    tellings = tellings_of(body, channel, Asked(end_t - 1.0, end_t, end_t))
    by_slope = [one.notices for one in tellings if one.by_slope]
    return min(by_slope or [one.notices for one in tellings])


def before_fire() -> None:
    """Faults that begin only a little before the last frame: the share found, by how long before."""
    print("| fault | size | 0.1 s | 0.2 s | 0.3 s | 0.5 s | 1 s | 2 s |\n|---|---|---|---|---|---|---|---|")
    cases = (
        ("speed offset", 3.0),
        ("station steps", 5.0),
        ("body swapped", 5.0),
        ("lane offset", 0.5),
        ("accel offset", 4.0),
    )
    for name, size in cases:
        fault = next(one for one in KINDS if one.name == name)
        cells = []
        for ahead_s in (0.1, 0.2, 0.3, 0.5, 1.0, 2.0):
            room = Room(speed_noise=0.05, place_noise=0.03, road=_needs_road(fault))
            hits = sum(is_found(fault, size, room, seed, until_t=FAULT_T + ahead_s) for seed in range(20))
            cells.append(f"{hits / 20:.0%}")
        print(f"| {name} | {size:g} {fault.unit} | {' | '.join(cells)} |", flush=True)


def main() -> int:
    tables = {
        "false-alarms": lambda drives: false_alarms(drives),
        "detection": lambda drives: detection(Course()),
        "bend": lambda drives: detection(Course(150.0, 60.0, 400.0)),
        "predicted": lambda drives: predicted(),
        "before-fire": lambda drives: before_fire(),
    }
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("name", nargs="*", help=f"of {', '.join(tables)} (default: all)")
    parser.add_argument("--drives", type=int, default=500)
    options = parser.parse_args()
    for name in options.name or tables:
        print(f"\n### {name}\n", flush=True)
        tables[name](options.drives)
    return 0


if __name__ == "__main__":
    sys.exit(main())

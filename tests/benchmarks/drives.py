"""Short drives in real time, each with one fire of `gate-brake`: `python drives.py COUNT`; says its endpoint."""

from __future__ import annotations

import gc
import math
import sys
import time
from collections.abc import Iterator
from typing import Any

from monitor.feed.publisher import FeedPublisher

RATE_HZ = 60.0
FIRE_S, END_S = 2.0, 12.0
SPEED_MPS = 22.2
OTHERS = 20

Moment = tuple[float, dict[str, float], dict[str, list[Any]]]
"""Time, own car, and the others in columns."""


def main(count: int) -> None:
    # all is worked out before: a simulator does that on another machine, and takes none of this one's time while a
    # message that decides is being judged
    drives = [list(frames(fire_s(number))) for number in range(count)]
    gc.freeze()
    road = {"x": [0.0, 2000.0], "y": [0.0, 0.0], "lane_width": 3.5, "lanes": 2}
    with FeedPublisher(
        "tcp://127.0.0.1:*",
        run="drive-0",
        source="benchmark",
        rate_hz=RATE_HZ,
        signals={"eyes_on_road": "1"},
        participant="Q01",
        group="chime",
        scenario="dusk-road",
        road=road,
    ) as feed:
        print(feed.endpoint, flush=True)
        feed.wait_for_subscriber(60.0)
        began = time.monotonic()
        for number, drive in enumerate(drives):
            if number:
                feed.begin_drive(f"drive-{number}", participant="Q01", group="chime", scenario="dusk-road")
            feed.hello()
            feed.marker("run_start", "", 0.0)
            publish(feed, began + number * END_S, fire_s(number), drive)
            feed.marker("run_end", "", END_S)
        time.sleep(1.0)


def fire_s(number: int) -> float:
    """When the trigger of a drive fires; each has another time, so that the screen's words tell them apart."""
    return FIRE_S + 0.05 * number


def frames(fire: float) -> Iterator[Moment]:
    """Frame by frame: the van brakes for two seconds from the fire on."""
    for step in range(1, int(END_S * RATE_HZ)):
        t = step / RATE_HZ
        braked_s = min(max(t - fire, 0.0), 2.0)
        accel = -5.0 if 0.0 < t - fire < 2.0 else 0.0
        gap = 40.0 - 2.5 * braked_s * braked_s - 2.0 * max(t - fire - 2.0, 0.0)
        own = vehicle(SPEED_MPS * t, -1.75, SPEED_MPS + 0.01 * math.sin(t), 0.01 * math.cos(t))
        rows = [{"id": 1, "name": "van", **vehicle(SPEED_MPS * t + gap, -1.75, SPEED_MPS - 5.0 * braked_s, accel)}]
        for index in range(OTHERS - 1):
            other = vehicle(500.0 - SPEED_MPS * t + 40.0 * index, 1.75, SPEED_MPS, 0.0, heading=math.pi)
            rows.append({"id": 100 + index, "name": "", **other})
        yield t, own, {name: [row[name] for row in rows] for name in rows[0]}


def publish(feed: FeedPublisher, began: float, fire: float, drive: list[Moment]) -> None:
    """One drive, in real time."""
    fired = False
    for t, own, columns in drive:
        time.sleep(max(0.0, began + t - time.monotonic()))
        if t >= fire - 1e-9 and not fired:
            fired = True
            feed.marker("trigger", "gate-brake", fire)
        feed.frame(t, own, columns, {"eyes_on_road": 0.0}, time.time())


def vehicle(x: float, y: float, speed: float, accel: float, heading: float = 0.0) -> dict[str, float]:
    """A car at a place."""
    box = {"length": 4.6, "width": 1.8}
    return {"x": x, "y": y, "heading": heading, "speed": max(speed, 0.0), "accel": accel, **box}


if __name__ == "__main__":
    main(int(sys.argv[1]))

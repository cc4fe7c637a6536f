"""Participants who differ in when and whether they respond, and by chance in everything else; as blind records.

The road is straight, the script the same for all. Who responds brakes to 8 m/s, looks up, leaves the task, moves the
platform, comes later to the bridge and to the road's end. Some of those who never respond run into the van. What the
driver did before the fire (speed, place in the lane, gap) is drawn apart from all that, and so is how fast and where in
the lane the car goes on to the bridge: no driver comes back to the very speed of before.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from monitor.measures.columns import FloatArray
from monitor.study.model import Study
from tests.judging.hand import OWN_LENGTH, STUDY, VAN_LENGTH, HandDrive, study_of
from tests.reports.making import make_record

RATE_HZ = 10.0
FIRE_M, BRIDGE_M, END_M = 300.0, 600.0, 680.0
HORIZON_S = 3.0
LATER_S = 8.0

TEXT = (
    STUDY.replace('title = "Written by hand"', 'title = "Written by hand"\nblind = true')
    .replace("at_least = 1.3\nat_most = 1.9", "at_least = 1.0\nat_most = 2.4")
    .replace("at_least = 19.0\nat_most = 21.0", "at_least = 17.0\nat_most = 23.0")
    + """
[[trigger]]
name = "side-gust"
surprise_class = "gust"
[[trigger.fires_when]]
measure = "station"
at_least = 600.0
edge = "rising"
[[trigger.condition]]
name = "speed at the bridge"
measure = "speed"
during = [-1.0, 0.0]
at_least = 15.0
[[trigger.condition]]
name = "place in the lane"
measure = "lane_offset"
at_least = -0.6
at_most = 0.6
[signals.platform_x]
source = "platform"
upper_limit = 0.3
[[sheet]]
name = "Say when it is over"
at_station_m = 650.0
"""
)


@dataclass(frozen=True, slots=True)
class Driver:
    """One participant. `response_s`: from the fire, None: none up to the horizon."""

    code: str
    response_s: float | None
    group: str
    speed_mps: float
    gap_m: float
    lane_m: float
    later_mps: float
    """How fast the car goes on, from eight seconds after the fire."""
    later_lane_m: float
    contact: bool

    @property
    def responds(self) -> bool:
        return self.response_s is not None

    @property
    def is_late(self) -> bool:
        """Late, among those who respond."""
        return self.response_s is not None and self.response_s > 1.3


def drivers(count: int, seed: int) -> list[Driver]:
    """Half of them respond, half of those late; everything else is drawn apart from that, the order, too."""
    rng = np.random.default_rng(seed)
    kinds = rng.permutation(np.arange(count) % 4)
    found = []
    for number, kind in enumerate(kinds.tolist()):
        responds, late = kind < 2, kind == 0
        response_s = float(rng.uniform(1.6, 2.6) if late else rng.uniform(0.5, 1.0)) if responds else None
        found.append(
            Driver(
                code=f"Q{100 + number}",
                response_s=response_s,
                group="chime" if rng.random() < 0.5 else "no-alert",
                speed_mps=float(rng.uniform(19.0, 21.0)),
                gap_m=float(rng.uniform(27.0, 36.0)),
                lane_m=float(rng.uniform(-0.2, 0.2)),
                later_mps=round(float(rng.uniform(18.5, 21.5)), 6),
                later_lane_m=float(rng.uniform(-0.2, 0.2)),
                contact=bool(rng.random() < 0.5) and not responds,
            )
        )
    return found


@lru_cache(maxsize=256)
def drive_of(driver: Driver) -> HandDrive:
    """The whole drive of a participant, as a simulator would send it."""
    step = 1.0 / RATE_HZ
    t = np.arange(0.0, 60.0, step)
    accel, speed, station = _driven(driver, t)
    fire = int(np.argmax(station >= FIRE_M))
    bridge, end = int(np.argmax(station >= BRIDGE_M)), int(np.argmax(station >= END_M))
    fire_t = float(t[fire])
    looks_up_t = fire_t + (driver.response_s if driver.response_s is not None else 1e9)
    van_station, van_speed, van_accel = _van(driver, t, station, fire)
    lane = driver.lane_m + np.where(t > looks_up_t, 0.15, 0.0)
    lane = np.where(t > fire_t + LATER_S, driver.later_lane_m, lane)

    def own(now: float) -> dict[str, float]:
        at = round(now * RATE_HZ)
        braking = bool(accel[at] < -0.5)
        return {
            "station": float(station[at]),
            "x": float(station[at]),
            "y": float(lane[at]),
            "lane_offset": float(lane[at]),
            "speed": float(speed[at]),
            "accel": float(accel[at]),
            "brake": 0.4 if braking else 0.0,
            "accelerator": 0.0 if braking else 0.3 + 0.01 * float(np.sin(now)),
            "steering_angle": 0.06 if looks_up_t < now < looks_up_t + 1.0 else 0.0,
        }

    def van(now: float) -> dict[str, float]:
        at = round(now * RATE_HZ)
        return {"station": float(van_station[at]), "x": float(van_station[at]), "speed": float(van_speed[at]),
                "accel": float(van_accel[at])}  # fmt: skip

    def signals(now: float) -> dict[str, Any]:
        at = round(now * RATE_HZ)
        return {"eyes_on_road": now > looks_up_t, "platform_x": float(-0.1 * accel[at] + 0.01 * np.sin(3.0 * now))}

    task_ends_t = min(looks_up_t + 0.2, fire_t + 6.0)
    markers: list[tuple[float, str, str, dict[str, Any]]] = [
        (fire_t - 1.0, "task_start", "grid", {}),
        (task_ends_t, "task_end", "grid", {"score": 1.0 if not driver.responds else 0.5}),
        (float(t[bridge]), "trigger", "side-gust", {}),
    ]
    if driver.group == "chime":
        markers.append((fire_t + 0.3, "alert_on", "alert", {"modality": "sound", "measured": True}))
    if driver.contact:
        markers.append((fire_t + 2.7, "collision", "van", {}))
    return HandDrive(
        run=f"run-{driver.code}",
        rate_hz=RATE_HZ,
        end_t=float(t[end]),
        fire_t=fire_t,
        group=driver.group,
        own=own,
        van=van,
        signals=signals,
        markers=markers,
    )


def _driven(driver: Driver, t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Acceleration, speed and station of own car: it brakes at the response, and later goes on as it likes."""
    step = float(t[1] - t[0])
    accel, speed, station = np.zeros(len(t)), np.zeros(len(t)), np.zeros(len(t))
    v, s, fired_t = driver.speed_mps, 180.0, np.inf
    for at, now in enumerate(t):
        since = now - fired_t - (driver.response_s if driver.response_s is not None else np.inf)
        a = -6.0 if 0.0 <= since < 2.0 else 0.0
        if now - fired_t > LATER_S:
            a = float(np.clip((driver.later_mps - v) / step, -1.0, 3.0))
        accel[at], speed[at], station[at] = a, v, s
        if s >= FIRE_M and not np.isfinite(fired_t):
            fired_t = now
        s += v * step + 0.5 * a * step * step
        v = round(v + a * step, 6)  # so that who comes back to a speed comes back to every digit of it
    return accel, speed, station


def _van(driver: Driver, t: FloatArray, station: FloatArray, fire: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The van: at its gap until the fire, then 5 m/s² for two seconds, then away: the same whatever the driver does."""
    step = float(t[1] - t[0])
    since = t - t[fire]
    accel = np.where((since >= 0.0) & (since < 2.0), -5.0, np.where((since >= 4.0) & (since < 8.0), 3.0, 0.0))
    speed = driver.speed_mps + np.concatenate([[0.0], np.cumsum(accel[:-1] * step)])
    ahead = driver.gap_m + (OWN_LENGTH + VAN_LENGTH) / 2
    moved = np.concatenate([[0.0], np.cumsum(speed[:-1] * step + 0.5 * accel[:-1] * step * step)])
    return station[0] + ahead + moved, speed, accel


def study() -> Study:
    """The blind study of all of them."""
    return study_of(TEXT)


def record_of(directory: Path, driver: Driver) -> Path:
    """The closed record of a participant's run."""
    return make_record(directory, driver.code, drive_of(driver).messages(), study(), driver.group)

"""The other vehicles: the van ahead, a follower, a hatchback from a side road, oncoming cars.

Every vehicle drives by a constant acceleration over each step, so that speeds and stations are the exact sums of what
the feed says of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from monitor.simulation.course import ONCOMING_CENTRE_M, OWN_LANE_CENTRE_M, Course
from monitor.simulation.idm import Following, following_at
from monitor.simulation.noise import smooth_rise, stream

VAN_ID, FOLLOWER_ID, HATCHBACK_ID = 1, 2, 9
FIRST_ONCOMING_ID, FIRST_EXTRA_ID = 20, 1000

BRAKE_RAMP_S = 0.4
FULL_BRAKING_AT_MOST_S = 3.0
"""A van that hardly slows down (soft braking) gives up after this."""
STAYS_SLOW_S = 1.0
SIDE_ROAD_OFFSET_M = -6.0
"""Where the hatchback drives before it cuts in, from the middle of the road."""
SIGHT_AHEAD_M = 450.0
SIGHT_BEHIND_M = 80.0
EXTRA_SPACING_M = 12.0


@dataclass(slots=True)
class Vehicle:
    """A vehicle on the course. `offset_m` is from the middle of the road, left-positive; `accel` is of this step."""

    id: int
    name: str
    length_m: float
    width_m: float
    station_m: float
    offset_m: float
    speed_mps: float
    accel_mps2: float = 0.0
    lateral_mps: float = 0.0

    def gap_to(self, ahead: Vehicle) -> float:
        """Bumper-to-bumper distance in m along the road to a vehicle ahead."""
        return ahead.station_m - self.station_m - (ahead.length_m + self.length_m) / 2

    def beside(self, other: Vehicle) -> bool:
        """Whether the widths of both overlap."""
        return abs(self.offset_m - other.offset_m) < (self.width_m + other.width_m) / 2

    def advance(self, step_s: float, course: Course) -> None:
        """One step on. A vehicle that comes to a halt stays there; its acceleration was cut to that beforehand."""
        way = (self.speed_mps + self.accel_mps2 * step_s / 2) * step_s
        self.station_m += way / (1.0 - course.curvature(self.station_m) * self.offset_m)
        self.speed_mps = max(0.0, self.speed_mps + self.accel_mps2 * step_s)

    def accelerate(self, wanted_mps2: float, step_s: float) -> None:
        """Sets the acceleration of the coming step; never so low that the vehicle would roll backwards."""
        self.accel_mps2 = max(wanted_mps2, -self.speed_mps / step_s)


@dataclass(slots=True)
class Van:
    """The delivery van: tethered to the own car, and braking hard for the closing gate when the trigger fires.

    The tether holds the time gap that the script asks for; it is what a scripted lead vehicle does before an event.
    """

    body: Vehicle
    cruise_mps: float
    time_gap_s: float
    tethered: bool
    decel_mps2: float
    release_mps: float
    wave_phase: float
    phase: Literal["cruising", "braking", "slow"] = "cruising"
    _since_s: float = 0.0
    _until_mps: float = 0.0
    _last_accel: float = 0.0

    def brake(self, t: float) -> None:
        """The gate closes."""
        self.phase, self._since_s = "braking", t
        self._until_mps = min(self.release_mps, max(self.body.speed_mps - 6.0, 2.0))

    def drive_on(self, t: float) -> None:
        """Leaves the scene without further ado (after a contact)."""
        self.phase, self._since_s = "cruising", t

    def decide(self, t: float, own: Vehicle, step_s: float) -> None:
        """Acceleration of the coming step."""
        body = self.body
        since = t - self._since_s
        if self.phase == "braking" and (body.speed_mps <= self._until_mps or since > FULL_BRAKING_AT_MOST_S):
            self.phase, self._since_s, since = "slow", t, 0.0
            self._last_accel = body.accel_mps2
        if self.phase == "slow" and since > STAYS_SLOW_S:
            self.phase, self._since_s = "cruising", t
        if self.phase == "braking":
            wanted = -self.decel_mps2 * min(1.0, since / BRAKE_RAMP_S)
        elif self.phase == "slow":
            wanted = self._last_accel * max(0.0, 1.0 - since / BRAKE_RAMP_S)
        else:
            # a gentle wave, as nobody holds a speed exactly; 14 s and 0.8 m/s are invented
            wave_mps = 0.8 * math.sin(2 * math.pi * t / 14.0 + self.wave_phase) if self.tethered else 0.0
            wanted = 0.25 * (self.cruise_mps + wave_mps - body.speed_mps)
            if self.tethered:
                wanted += 0.06 * (self.time_gap_s * own.speed_mps - own.gap_to(body))
                wanted += 0.4 * (own.speed_mps - body.speed_mps)
            wanted = min(1.8, max(-1.0, wanted))
        body.accelerate(wanted, step_s)
        # the van weaves by a few centimetres
        swing = 2 * math.pi / 11.0
        body.offset_m = OWN_LANE_CENTRE_M + 0.08 * math.sin(swing * t + self.wave_phase)
        body.lateral_mps = 0.08 * swing * math.cos(swing * t + self.wave_phase)


@dataclass(slots=True)
class Hatchback:
    """Comes along a side road and cuts in behind the van; from then on it follows the van."""

    body: Vehicle
    behind_van_m: float = 4.0
    follows: Following = field(default_factory=lambda: following_at(1.2, 20.0, 25.0))

    def decide(self, t: float, to_fire_s: float, fired_at: float, van: Vehicle, step_s: float) -> None:
        """Acceleration and lateral place of the coming step.

        `to_fire_s`: until the own car is at the trigger's point; `fired_at`: infinite until the trigger has fired.
        """
        body = self.body
        if t < fired_at:
            share = 2.0 - to_fire_s
            width = OWN_LANE_CENTRE_M - SIDE_ROAD_OFFSET_M
            body.offset_m = SIDE_ROAD_OFFSET_M + width * smooth_rise(share)
            body.lateral_mps = width * 6 * share * (1 - share) if 0.0 < share < 1.0 else 0.0
            body.speed_mps = van.speed_mps
            body.station_m = van.station_m - (van.length_m + body.length_m) / 2 - self.behind_van_m
            body.accelerate(van.accel_mps2, step_s)
        elif t - fired_at < 0.35:  # its driver's reaction, invented
            body.accelerate(0.0, step_s)
        else:
            wanted = self.follows.accel(body.speed_mps, body.speed_mps - van.speed_mps, body.gap_to(van))
            body.accelerate(max(-6.5, wanted), step_s)
            body.lateral_mps = 0.0


@dataclass(slots=True)
class Oncoming:
    """Oncoming cars now and then; with `extra` above zero a close file of that many cars instead.

    Each drives at a constant speed, so its station is a function of time alone.
    """

    seed: int
    cruise_mps: float
    own_start_m: float
    lasts_s: float
    road_m: float
    extra: int
    _cars: list[tuple[Vehicle, float]] = field(init=False)
    """Vehicles with the station that each would have had at t = 0."""

    def __post_init__(self) -> None:
        source = stream(self.seed, "oncoming")
        self._cars = []
        meet_s = source.uniform(3.0, 6.0)
        while not self.extra and meet_s < self.lasts_s + 15.0:
            speed = source.uniform(20.0, 23.5)
            length = source.uniform(4.0, 4.8)
            car = Vehicle(FIRST_ONCOMING_ID + len(self._cars), "", length, 1.8, 0.0, ONCOMING_CENTRE_M, speed)
            car.offset_m += source.uniform(-0.15, 0.25)
            self._cars.append((car, self.own_start_m + (self.cruise_mps + speed) * meet_s))
            meet_s += source.uniform(5.0, 11.0)
        spacing = max(EXTRA_SPACING_M, self.road_m / self.extra) if self.extra else 0.0
        for index in range(self.extra):
            car = Vehicle(FIRST_EXTRA_ID + index, "", 4.4, 1.8, 0.0, ONCOMING_CENTRE_M, 21.0)
            self._cars.append((car, index * spacing))

    def at(self, t: float, own_m: float) -> list[Vehicle]:
        """The cars in sight at time t."""
        if self.extra:
            for car, start_m in self._cars:
                car.station_m = (start_m - car.speed_mps * t) % self.road_m
            return [car for car, _ in self._cars]
        seen = []
        for car, start_m in self._cars:
            car.station_m = start_m - car.speed_mps * t
            if -SIGHT_BEHIND_M < car.station_m - own_m < SIGHT_AHEAD_M and 0.0 < car.station_m < self.road_m:
                seen.append(car)
        return seen

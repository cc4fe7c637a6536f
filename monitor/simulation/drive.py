"""The drive "dusk-road", step by step: pure and seeded, no clock, no sockets."""

from __future__ import annotations

import math
from collections.abc import Iterator

from monitor.simulation.course import OWN_LANE_CENTRE_M, Course
from monitor.simulation.driver import Aside, Driver
from monitor.simulation.idm import following_at
from monitor.simulation.noise import stream
from monitor.simulation.own_car import LENGTH_M, OWN_ID, PEDAL_ACCEL_MPS2, RESTING_AT_MOST, WIDTH_M, OwnCar, drag
from monitor.simulation.picture import other_columns, own_channels
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.platform import Platform
from monitor.simulation.scenarios import GATE_STATION_M, Scenario
from monitor.simulation.script import (
    ALERT_CRITERION_S,
    ENDS_AT_LATEST_S,
    LOOKS_AWAY_S,
    Script,
)
from monitor.simulation.steps import WALL_START, DriveStep, MarkerStep, Truth, rounded
from monitor.simulation.traffic import (
    EXTRA_SPACING_M,
    FOLLOWER_ID,
    HATCHBACK_ID,
    SIDE_ROAD_OFFSET_M,
    VAN_ID,
    Hatchback,
    Oncoming,
    Van,
    Vehicle,
)

REACHES_GATE_S = 30.0
"""The own car begins so that it is at the gate trigger's point after this time."""
ROAD_M = 2300.0
FREE_SPEED_MPS = 27.8
"""What the driver would drive on a free road."""
FOLLOWER_BEHIND_M = 60.0
FOLLOWER_GAP_S = 1.9
HARDEST_FOLLOWER_BRAKING_MPS2 = 9.0
HATCHBACK_SEEN_S = 8.0
BRAKES_BEFORE_S, COASTS_BEFORE_S = 0.9, 1.2
GUST_LASTS_S = 0.9
GUST_PUSH_M = -0.62
"""How far the gust alone would push the car; the driver's correction leaves about 0.5 m of it."""
OWN_MASS_KG, OTHER_MASS_KG = 1500.0, 2500.0
"""For a contact; invented."""


class Drive:
    """One drive. `steps()` runs it, once; `truth` fills meanwhile."""

    def __init__(self, plan: SimulationPlan) -> None:
        self.plan = plan
        self.scenario = scenario = plan.deviations
        self.step_s = 1.0 / plan.rate_hz
        cruise = scenario.cruise_mps
        start_m = GATE_STATION_M - REACHES_GATE_S * cruise
        lasts_s = ENDS_AT_LATEST_S * plan.duration_factor
        longer_m = (lasts_s - ENDS_AT_LATEST_S) * FREE_SPEED_MPS
        self.course = Course(max(ROAD_M + longer_m, EXTRA_SPACING_M * plan.extra_vehicles), scenario.bend_at_m)
        self.script = Script(plan)
        self.truth = Truth(scenario.deviations())
        body = Vehicle(OWN_ID, "", LENGTH_M, WIDTH_M, start_m, OWN_LANE_CENTRE_M, cruise)
        self.car = OwnCar(body, drag(cruise) / PEDAL_ACCEL_MPS2, resting_brake=scenario.resting_brake)
        self.driver = Driver(
            plan.seed,
            following_at(scenario.time_gap_s, cruise, FREE_SPEED_MPS),
            self.step_s,
            holds_mps=cruise if scenario.closing_mps else None,
        )
        self.van = _van(plan.seed, scenario, body)
        self.hatchback: Hatchback | None = None
        self.follower: Vehicle | None = None
        self._follows = following_at(FOLLOWER_GAP_S, cruise, FREE_SPEED_MPS)
        self.oncoming = Oncoming(plan.seed, cruise, start_m, lasts_s, self.course.length_m, plan.extra_vehicles)
        self.platform = Platform(plan.seed, self.step_s)
        self._contact = False
        self._accelerator_at_fire = 0.0

    def steps(self) -> Iterator[DriveStep]:
        """The steps of the drive, the last one with `run_end` or `abort`."""
        index, ended = 0, False
        while not ended:
            t = index * self.step_s
            body = self.car.body
            markers = self.script.at(t, rounded(body.station_m), body.speed_mps)
            for marker in markers:
                self._meet_marker(marker)
            self._decide(t)
            self._note_response(t)
            yield self._step(t, markers)
            self._advance(t)
            index += 1
            ended = any(marker.kind in ("run_end", "abort") for marker in markers)

    def _meet_marker(self, marker: MarkerStep) -> None:
        """What the model does at a marker, and what the truth file keeps of it."""
        if marker.kind == "trigger":
            self._note_fire(marker)
        if marker.kind == "trigger" and marker.name == self.scenario.fires_as:
            self.van.brake(marker.t)
            if self.hatchback is not None:
                self.van.tethered = False  # the own car no longer follows it, so it must not wait for it
            if self.script.gate_fires == 1:
                self._accelerator_at_fire = self.car.accelerator
                self.driver.meet_hazard(
                    marker.t,
                    ALERT_CRITERION_S,
                    self.script.alert,
                    self.scenario.alert_delay_s,
                    self.scenario.response_s,
                )
        elif marker.kind in ("alert_on", "collision"):
            self.truth.events.append({"what": marker.kind, "name": marker.name, "t": marker.t})

    def _looks_away(self, t: float) -> bool:
        """Whether the eyes are off the road (or would be, were it not for `eyes_up`)."""
        looks_up = self.script.task_t + LOOKS_AWAY_S
        if self.driver.response is not None:
            looks_up = min(looks_up, self.driver.response.looks_up)
        return self.script.task_t <= t < looks_up

    def _decide(self, t: float) -> None:
        """Accelerations and wheel of the coming step."""
        scenario, car, step_s = self.scenario, self.car, self.step_s
        body = car.body
        to_fire_s = (GATE_STATION_M - body.station_m) / max(body.speed_mps, 1.0)
        # a resting foot is never still; a sensor that is not zero at rest would be
        car.resting_brake = scenario.resting_brake * (1.0 + 0.25 * math.sin(2.3 * t))
        self.van.decide(t, body, step_s)
        self._decide_hatchback(t, to_fire_s)
        self._decide_follower()
        ahead = self._ahead()
        early = t < self.script.gate_t + ALERT_CRITERION_S
        if scenario.brakes_before and to_fire_s <= BRAKES_BEFORE_S and early:
            car.press(0.0, scenario.brakes_before, step_s)
        elif scenario.coasts_before and to_fire_s <= COASTS_BEFORE_S and early:
            car.press(0.0, 0.0, step_s)
        else:
            closing = body.speed_mps - ahead.speed_mps
            self.driver.work_pedals(t, car, self._looks_away(t), body.gap_to(ahead), closing)
        keeps_m = scenario.drift_m * _drift_share(body.station_m)
        self.driver.steer(t, car, self.course, Aside(keeps_m, scenario.swerve_m, self.script.gust_t))

    def _decide_hatchback(self, t: float, to_fire_s: float) -> None:
        if self.hatchback is None and self.scenario.cuts_in and to_fire_s <= HATCHBACK_SEEN_S:
            self.hatchback = Hatchback(Vehicle(HATCHBACK_ID, "hatchback", 4.0, 1.75, 0.0, SIDE_ROAD_OFFSET_M, 0.0))
        if self.hatchback is not None:
            self.hatchback.decide(t, to_fire_s, self.script.gate_t, self.van.body, self.step_s)

    def _decide_follower(self) -> None:
        body = self.car.body
        if self.follower is not None:
            closing = self.follower.speed_mps - body.speed_mps
            wanted = self._follows.accel(self.follower.speed_mps, closing, self.follower.gap_to(body))
            self.follower.accelerate(max(-HARDEST_FOLLOWER_BRAKING_MPS2, wanted), self.step_s)
        elif body.station_m > FOLLOWER_BEHIND_M + 5.0:
            # it comes onto the modelled road behind the own car
            behind_m = body.station_m - FOLLOWER_BEHIND_M
            self.follower = Vehicle(FOLLOWER_ID, "", 4.3, 1.78, behind_m, OWN_LANE_CENTRE_M - 0.05, body.speed_mps)

    def _ahead(self) -> Vehicle:
        """The vehicle that the driver has ahead."""
        if self.hatchback is not None and self.hatchback.body.beside(self.car.body):
            return self.hatchback.body
        return self.van.body

    def _advance(self, t: float) -> None:
        step_s, car = self.step_s, self.car
        since_gust = t - self.script.gust_t
        pushed_mps = 0.0
        if 0.0 <= since_gust < GUST_LASTS_S:
            pushed_mps = GUST_PUSH_M * math.pi / (2 * GUST_LASTS_S) * math.sin(math.pi * since_gust / GUST_LASTS_S)
        self.platform.step(car.body.accel_mps2, car.body.speed_mps * car.yaw_rate)
        self.van.body.advance(step_s, self.course)
        for vehicle in (self.follower, self.hatchback.body if self.hatchback else None):
            if vehicle is not None:
                vehicle.advance(step_s, self.course)
        car.advance(step_s, self.course, pushed_mps)
        self._touch(t + step_s)

    def _touch(self, t: float) -> None:
        """A contact with the vehicle ahead: both go on at the speed of their common momentum, a little apart."""
        ahead, body = self._ahead(), self.car.body
        if body.gap_to(ahead) > 0.0 or not body.beside(ahead):
            return
        if not self._contact:
            self.script.contact(t, ahead.id, ahead.name, rounded(body.speed_mps - ahead.speed_mps))
            self.van.drive_on(t)
            self._contact = True
        common = (OWN_MASS_KG * body.speed_mps + OTHER_MASS_KG * ahead.speed_mps) / (OWN_MASS_KG + OTHER_MASS_KG)
        body.speed_mps, ahead.speed_mps = max(0.0, common - 0.5), common + 0.5

    def _step(self, t: float, markers: tuple[MarkerStep, ...]) -> DriveStep:
        others = [self.van.body]
        others += [self.hatchback.body] if self.hatchback is not None else []
        others += [self.follower] if self.follower is not None else []
        others += self.oncoming.at(t, self.car.body.station_m)
        signals = {
            "eyes_on_road": 0.0 if self._looks_away(t) and not self.scenario.eyes_up else 1.0,
            "platform_x": rounded(self.platform.x),
            "platform_y": rounded(self.platform.y),
            "platform_z": rounded(self.platform.z),
            "gust": 1.0 if 0.0 <= t - self.script.gust_t < GUST_LASTS_S else 0.0,
        }
        own = own_channels(self.car, self.course)
        return DriveStep(t, t, WALL_START + t, markers, own, other_columns(others, self.course), signals)

    def _note_fire(self, marker: MarkerStep) -> None:
        body, ahead = self.car.body, self._ahead()
        gap_m = body.gap_to(ahead)
        self.truth.fires.append(
            {
                "trigger": marker.name,
                "t": marker.t,
                "station_m": body.station_m,
                "speed_mps": body.speed_mps,
                "lane_offset_m": self.car.lane_offset_m,
                "ahead": ahead.id,
                "distance_gap_m": gap_m,
                "time_gap_s": gap_m / body.speed_mps if body.speed_mps > 0.0 else None,
                "closing_mps": body.speed_mps - ahead.speed_mps,
                "alert_assigned": list(self.plan.alerts) if marker.name == self.scenario.fires_as else [],
                "alert_given": list(self.script.alert) if marker.name == self.scenario.fires_as else [],
            }
        )

    def _note_response(self, t: float) -> None:
        """Enters the first response to the gate that shows at the pedals."""
        after_fire_s = t - self.script.gate_t
        if after_fire_s < 0.0 or len(self.truth.response) == 2:
            return
        if self.car.accelerator < self._accelerator_at_fire - 0.05:
            self.truth.response.setdefault("accelerator_release_s", after_fire_s)
        if self.car.brake > RESTING_AT_MOST * self.scenario.resting_brake:
            self.truth.response.setdefault("brake_onset_s", after_fire_s)


def _van(seed: int, scenario: Scenario, own: Vehicle) -> Van:
    """The van in its place at the begin of the drive."""
    source = stream(seed, "van")
    speed = scenario.cruise_mps - scenario.closing_mps
    tethered = scenario.closing_mps == 0.0
    # a tethered van begins up to 0.15 s off the time gap that it settles at; an untethered one has to be exact
    off_s = source.uniform(-0.15, 0.15) if tethered else 0.0
    gap_m = (scenario.time_gap_s + off_s) * scenario.cruise_mps + scenario.closing_mps * REACHES_GATE_S
    body = Vehicle(VAN_ID, "van", 5.9, 2.0, 0.0, OWN_LANE_CENTRE_M, speed)
    body.station_m = own.station_m + gap_m + (body.length_m + own.length_m) / 2
    return Van(
        body,
        speed,
        scenario.time_gap_s,
        tethered,
        scenario.van_decel_mps2,
        scenario.van_release_mps,
        source.uniform(0.0, 2 * math.pi),
    )


def _drift_share(station_m: float) -> float:
    """How much of a drift there is: rising 170–100 m before the gate trigger's point, falling 30–100 m behind it."""
    return min(1.0, max(0.0, (station_m - 530.0) / 70.0), max(0.0, (800.0 - station_m) / 70.0))

"""A footpath over the road: a walker steps off when the own car is four seconds away."""

from __future__ import annotations

import math

from monitor.simulation.course import OWN_LANE_CENTRE_M
from monitor.simulation.kinds.scene import Scene
from monitor.simulation.noise import stream
from monitor.simulation.own_car import LENGTH_M
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.steps import DriveStep, MarkerStep, rounded
from monitor.simulation.traffic import Vehicle

TRIGGER = "walker-steps-off"
FOOTPATH_M = 900.0
ALONG_M = 2.0
"""Extent of the conflict area along the road."""
FIRES_AT_S = 4.0
EARLY_S = 0.6
WALKER_ID, WALKER_M = 30, 0.5
STANDS_AT_M = -4.8
"""From the middle of the road: on the verge, right of the own lane."""
WALKS_MPS, STEPS_UP_S = 1.5, 0.5
WALKS_TO_M = 5.0
ALERT_DELAY_S = 0.25
BRAKING_MPS2 = -6.0
REACHES_S = 26.0


class Crossing(Scene):
    """The drive."""

    lasts_s = 44.0

    def __init__(self, plan: SimulationPlan) -> None:
        cruise = (38 if plan.scenario == "too-slow" else 50) / 3.6
        super().__init__(plan, cruise_mps=cruise, start_m=FOOTPATH_M - REACHES_S * cruise)
        self.walker = Vehicle(WALKER_ID, "walker", WALKER_M, WALKER_M, FOOTPATH_M, STANDS_AT_M, 0.0)
        self._fired_s = math.inf
        source = stream(plan.seed, "crossing")
        self._brakes_s = source.uniform(0.8, 1.1) + (0.0 if plan.alerts else 0.3)
        self._away = (1.2, self._brakes_s - 0.35)
        """Seconds about the fire in which the driver looks away: from so long before it to so long after it."""

    def script(self, t: float) -> None:
        body = self.car.body
        speed = rounded(body.speed_mps)
        distance = FOOTPATH_M - rounded(body.station_m) - 0.5 * LENGTH_M - 0.5 * ALONG_M
        wait_s = FIRES_AT_S + (EARLY_S if self.plan.scenario == "early-step" else 0.0)
        if self._fired_s == math.inf and distance / max(speed, 0.1) <= wait_s:
            self._fired_s = t
            self.fire(TRIGGER, t)
            self.alert(self.plan.alerts, t + ALERT_DELAY_S)

    def drive(self, t: float) -> None:
        brakes = self._fired_s + self._brakes_s
        if self.plan.scenario == "walker-stays" or t < brakes - 0.25:
            self.hold_speed(t)
        elif t < brakes:
            self.car.press(0.0, 0.0, self.step_s)
        elif self.walker.offset_m < 0.5:
            self.demand(BRAKING_MPS2 if self.car.body.speed_mps > 0.1 else 0.0)
        elif self.car.body.speed_mps < self.cruise_mps:
            self.demand(1.2)
        else:
            self.hold_speed(t)
        self.keep_lane(t)

    def move_others(self, t: float) -> None:
        since = t - self._fired_s
        walks = since >= 0.0 and self.plan.scenario != "walker-stays" and self.walker.offset_m < WALKS_TO_M
        wanted = WALKS_MPS if walks else 0.0
        before = self.walker.speed_mps
        most = WALKS_MPS / STEPS_UP_S * self.step_s
        self.walker.speed_mps = min(max(wanted, before - most), before + most)
        self.walker.accel_mps2 = (self.walker.speed_mps - before) / self.step_s
        self.walker.offset_m += 0.5 * (before + self.walker.speed_mps) * self.step_s

    def others(self, t: float) -> list[Vehicle]:
        return [self.walker]

    def signals(self, t: float) -> dict[str, float]:
        before, after = self._away
        looks_away = self._near_fire(t, before) and t < self._fired_s + after
        return {"eyes_on_road": 0.0 if looks_away else 1.0}

    def _near_fire(self, t: float, before_s: float) -> bool:
        body = self.car.body
        to_fire_s = (FOOTPATH_M - body.station_m) / max(body.speed_mps, 1.0) - FIRES_AT_S
        return t >= self._fired_s or to_fire_s <= before_s

    def _step(self, t: float, markers: tuple[MarkerStep, ...]) -> DriveStep:
        step = super()._step(t, markers)
        # whoever crosses goes across the road, to the left
        _, _, heading = self.course.place(self.walker.station_m, self.walker.offset_m)
        step.others["heading"] = [rounded(heading + 0.5 * math.pi)]
        # and is on no lane, nor on the way along it
        step.others["station"], step.others["lane"] = [math.nan], [math.nan]
        return step


def footpath_place(scene: Scene) -> tuple[float, float]:
    """Where the footpath crosses the middle of the own lane, in m."""
    x, y, _ = scene.course.place(FOOTPATH_M, OWN_LANE_CENTRE_M)
    return x, y

"""Automation drives until roadworks come near, and asks the driver to take over seven seconds before them."""

from __future__ import annotations

import math

from monitor.simulation.driver import Aside, Response
from monitor.simulation.kinds.scene import Scene
from monitor.simulation.noise import stream
from monitor.simulation.own_car import LENGTH_M
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.steps import rounded

TRIGGER = "take-over-request"
ROADWORKS_M = 1300.0
REQUEST_S = 7.0
AUTOMATION_ON_S = 6.0
ALERT_DELAY_S = 0.10
OFF_EARLY_S = 6.0
ASIDE_M = 1.1
"""How far the driver swerves about the cones, and comes back."""


class TakeOver(Scene):
    """The drive."""

    lasts_s = 66.0

    def __init__(self, plan: SimulationPlan) -> None:
        super().__init__(plan, cruise_mps=80 / 3.6)
        source = stream(plan.seed, "take-over")
        self._eyes_s = source.uniform(0.5, 0.9)
        self._hands_s = source.uniform(1.6, 2.4)
        self._off_s = self._hands_s + source.uniform(0.4, 0.7)
        self._turns_s = self._off_s + source.uniform(0.8, 1.3)
        self._requested_s = math.inf

    def script(self, t: float) -> None:
        if abs(t - AUTOMATION_ON_S) < 0.5 * self.step_s:
            self.mark("other", "automation-on", t)
        if self._requested_s == math.inf and self._to_roadworks_s() <= REQUEST_S:
            self._requested_s = t
            self.fire(TRIGGER, t)
            if self.plan.scenario != "no-request":
                self.alert(self.plan.alerts, t + ALERT_DELAY_S)
            turns = t + self._turns_s
            self.driver.response = Response(t + self._eyes_s, math.inf, math.inf, turns)

    def _to_roadworks_s(self) -> float:
        distance = ROADWORKS_M - rounded(self.car.body.station_m) - 0.5 * LENGTH_M
        return distance / max(rounded(self.car.body.speed_mps), 0.1)

    def drive(self, t: float) -> None:
        self.hold_speed(t)
        self.driver.steer(t, self.car, self.course, Aside(swerve_m=ASIDE_M))

    def signals(self, t: float) -> dict[str, float]:
        asked = t - self._requested_s
        scenario = self.plan.scenario
        off_early = scenario == "automation-off-early" and self._to_roadworks_s() <= REQUEST_S + OFF_EARLY_S
        drives = AUTOMATION_ON_S <= t and asked < self._off_s and not off_early
        hands_off = AUTOMATION_ON_S + 1.0 <= t and asked < self._hands_s and not off_early and scenario != "hands-on"
        reads = AUTOMATION_ON_S + 3.0 <= t and asked < self._eyes_s and not off_early
        return {
            "automation": float(drives),
            "hands_on_wheel": float(not hands_off),
            "eyes_on_road": float(not reads),
            "tablet_in_use": float(reads),
        }

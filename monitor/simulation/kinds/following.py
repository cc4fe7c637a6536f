"""Car following: the lead brakes slightly twenty times, with or without an alert as the participant's order says."""

from __future__ import annotations

import math
from collections import deque

from monitor.simulation.course import OWN_LANE_CENTRE_M
from monitor.simulation.idm import following_at
from monitor.simulation.kinds.scene import FREE_SPEED_MPS, Scene
from monitor.simulation.own_car import LENGTH_M
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.traffic import VAN_ID, Vehicle

TRIGGER = "lead-slows"
EVENTS, FIRST_S, EVERY_S = 20, 15.0, 11.0
CUE_LASTS_S = 0.5
ALERT_DELAY_S = 0.20
BRAKING_MPS2, BRAKES_S, RAMP_S = 2.5, 1.6, 0.3
PULLS_AWAY_MPS2 = 1.0
VAN_M, VAN_WIDTH_M = 5.9, 2.0
ORDERS = {"AB": (("sound",), ()), "BA": ((), ("sound",))}
EACH = 5
"""How many events in a row each treatment lasts."""
SEVENTH = 7
FALLS_BACK_FROM, FALLS_BACK_TO = 14, 16
FAR_S = 3.6
SEES_AFTER_S = 0.7
"""The driver goes by what was to be seen so long ago."""
NAMES = {("sound",): "chime", (): "silent"}


class Following(Scene):
    """The drive."""

    lasts_s = FIRST_S + EVERY_S * EVENTS + 4.0

    def __init__(self, plan: SimulationPlan) -> None:
        super().__init__(plan, cruise_mps=80 / 3.6, start_m=40.0)
        place = self.car.body.station_m + self.time_gap_s * self.cruise_mps + 0.5 * (LENGTH_M + VAN_M)
        self.van = Vehicle(VAN_ID, "van", VAN_M, VAN_WIDTH_M, place, OWN_LANE_CENTRE_M, self.cruise_mps)
        self._usual = self.driver.following
        self._braked_s = -math.inf
        self._count = 0
        self._seen: deque[tuple[float, float]] = deque(maxlen=round(SEES_AFTER_S / self.step_s))

    def script(self, t: float) -> None:
        if self._count >= EVENTS or t < self._due_s(self._count + 1) - 1e-9:
            return
        self._count += 1
        if self.plan.scenario == "one-missed" and self._count == SEVENTH:
            return
        self._braked_s = t
        given = ORDERS[self.plan.group][(self._count - 1) // EACH % 2]
        self.fire(TRIGGER, t, {"treatment": NAMES[given]})
        if self.plan.scenario == "wrong-treatment" and self._count == SEVENTH:
            given = () if given else ("sound",)
        self.alert(given, t + ALERT_DELAY_S)

    def _due_s(self, number: int) -> float:
        return FIRST_S + EVERY_S * (number - 1)

    def drive(self, t: float) -> None:
        from_s, to_s = self._due_s(FALLS_BACK_FROM) + 2.0, self._due_s(FALLS_BACK_TO)
        far = self.plan.scenario == "falls-back" and from_s <= t < to_s
        self.driver.following = following_at(FAR_S, self.cruise_mps, FREE_SPEED_MPS) if far else self._usual
        self.driver.holds_mps = None
        body = self.car.body
        self._seen.append((body.gap_to(self.van), body.speed_mps - self.van.speed_mps))
        gap_m, closing_mps = self._seen[0]
        self.driver.work_pedals(t, self.car, False, gap_m, closing_mps)
        self.keep_lane(t)
        since = t - self._braked_s
        if 0.0 <= since < BRAKES_S:
            wanted = -BRAKING_MPS2 * min(1.0, since / RAMP_S)
        else:
            wanted = min(PULLS_AWAY_MPS2, max(-0.5, 0.8 * (self.cruise_mps - self.van.speed_mps)))
        self.van.accelerate(wanted, self.step_s)

    def move_others(self, t: float) -> None:
        self.van.advance(self.step_s, self.course)

    def others(self, t: float) -> list[Vehicle]:
        return [self.van]

    def signals(self, t: float) -> dict[str, float]:
        number = math.floor((t - FIRST_S) / EVERY_S + 1e-9) + 1
        cued = 1 <= number <= EVENTS and 0.0 <= t - self._due_s(number) + 1e-9 < CUE_LASTS_S
        return {"slow_cue": float(cued)}

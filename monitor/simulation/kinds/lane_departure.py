"""A long quiet road: a drowsy driver drifts out of the lane now and then, and an alert is given each time."""

from __future__ import annotations

import math

from monitor.simulation.course import LANE_WIDTH_M
from monitor.simulation.kinds.scene import Scene
from monitor.simulation.noise import stream
from monitor.simulation.own_car import WIDTH_M
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.steps import rounded

TRIGGER = "lane-alert"
ALERT_AT_M = 0.20
"""The alert is given when the body's edge comes this near to a line."""
REFRACTORY_S = 5.0
FIRST_S, EVERY_S, DRIFTS = 20.0, 20.0, 5
DRIFT_M = 1.4
"""Where a drowsy driver would end up, off the lane's middle: the edge would be 0.57 m over the line."""
ALERT_DELAY_S, LATE_S = 0.15, 0.7
TOO_MANY_AT_S = 71.0


class LaneDeparture(Scene):
    """The drive."""

    lasts_s = FIRST_S + EVERY_S * DRIFTS

    def __init__(self, plan: SimulationPlan) -> None:
        super().__init__(plan, cruise_mps=80 / 3.6)
        source = stream(plan.seed, "drifts")
        first = source.choice((-1.0, 1.0))
        self._drifts = [
            (FIRST_S + EVERY_S * place + source.uniform(-1.5, 1.5), first * (-1.0) ** place) for place in range(DRIFTS)
        ]
        self._reaction_s = source.uniform(0.6, 0.9)
        self._was_near = False
        self._last_fire_s = -math.inf
        self._departures = 0
        self._corrects_s = -math.inf

    def script(self, t: float) -> None:
        near = 0.5 * (LANE_WIDTH_M - WIDTH_M) - abs(rounded(self.car.lane_offset_m)) <= ALERT_AT_M
        begins, self._was_near = near and not self._was_near and t > 0.0, near
        if begins and t - self._last_fire_s >= REFRACTORY_S:
            self._departures += 1
            self._last_fire_s, self._corrects_s = t, t + self._reaction_s
            if not (self.plan.scenario == "one-missed" and self._departures == 3):
                self._warn(t, late=self.plan.scenario == "late-alert" and self._departures == 2)
        if self.plan.scenario == "one-too-many" and abs(t - TOO_MANY_AT_S) < 0.5 * self.step_s:
            self._warn(t, late=False)

    def _warn(self, t: float, *, late: bool) -> None:
        self.fire(TRIGGER, t)
        self.alert(self.plan.alerts, t + ALERT_DELAY_S + (LATE_S if late else 0.0))

    def drive(self, t: float) -> None:
        self.hold_speed(t)
        begun = [(begin, side) for begin, side in self._drifts if begin <= t]
        drifting = bool(begun) and (self._corrects_s < begun[-1][0] or t < self._corrects_s)
        self.keep_lane(t, DRIFT_M * begun[-1][1] if drifting else 0.0, self._corrects_s)

    def signals(self, t: float) -> dict[str, float]:
        return {"drowsiness": min(1.0, 0.3 + 0.005 * t)}

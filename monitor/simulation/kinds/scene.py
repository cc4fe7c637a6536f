"""What the drives of all kinds share: own car and driver on the course, markers, steps for the wire."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from monitor.simulation.course import OWN_LANE_CENTRE_M, Course
from monitor.simulation.driver import Aside, Driver
from monitor.simulation.idm import following_at
from monitor.simulation.own_car import LENGTH_M, OWN_ID, PEDAL_ACCEL_MPS2, PEDAL_DECEL_MPS2, WIDTH_M, OwnCar, drag
from monitor.simulation.picture import other_columns, own_channels
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.steps import WALL_START, DriveStep, MarkerStep, Truth, rounded
from monitor.simulation.traffic import Vehicle

BEND_AT_M = 180.0
FREE_SPEED_MPS = 27.8
ALERT_LASTS_S = 0.8
_ROUNDING_S = 1e-9


class Scene:
    """A drive of one kind; a subclass scripts it. `steps()` runs it, once; `truth` fills meanwhile."""

    lasts_s = 60.0
    time_gap_s = 1.6

    def __init__(self, plan: SimulationPlan, *, cruise_mps: float, start_m: float = 20.0) -> None:
        self.plan = plan
        self.step_s = 1.0 / plan.rate_hz
        self.cruise_mps = cruise_mps
        self.course = Course(start_m + (self.lasts_s + 20.0) * FREE_SPEED_MPS, BEND_AT_M)
        self.truth = Truth({} if plan.scenario == "clean" else {"scenario": plan.scenario})
        body = Vehicle(OWN_ID, "", LENGTH_M, WIDTH_M, start_m, OWN_LANE_CENTRE_M, cruise_mps)
        self.car = OwnCar(body, drag(cruise_mps) / PEDAL_ACCEL_MPS2)
        self.driver = Driver(
            plan.seed, following_at(self.time_gap_s, cruise_mps, FREE_SPEED_MPS), self.step_s, cruise_mps
        )
        self._due: list[MarkerStep] = []

    def steps(self) -> Iterator[DriveStep]:
        """The steps of the drive, the last one with `run_end`."""
        self.mark("run_start", self.plan.kind, 0.0)
        index, ended = 0, False
        while not ended:
            t = index * self.step_s
            self.script(t)
            if t >= self.lasts_s - _ROUNDING_S:
                self.mark("run_end", self.plan.kind, t)
            markers = self._now(t)
            yield self._step(t, markers)
            self.drive(t)
            self.car.advance(self.step_s, self.course, 0.0)
            self.move_others(t)
            index += 1
            ended = any(marker.kind == "run_end" for marker in markers)

    # --- what a kind says of itself ---------------------------------------------------------------------------------

    def script(self, t: float) -> None:
        """Marks what falls on the frame at `t`."""

    def drive(self, t: float) -> None:
        """Pedals and wheel of the coming step: holds the speed and the lane."""
        self.hold_speed(t)
        self.keep_lane(t)

    def move_others(self, t: float) -> None:
        """Moves the other road users by one step."""

    def others(self, t: float) -> list[Vehicle]:
        """The other road users of the frame at `t`."""
        return []

    def signals(self, t: float) -> dict[str, float]:
        """The further numbers of the frame at `t`."""
        return {}

    # --- what kinds use -----------------------------------------------------------------------------------------------

    def mark(self, kind: str, name: str, t: float, data: dict[str, Any] | None = None) -> None:
        """A marker on the frame at or after `t`."""
        self._due.append(MarkerStep(kind, name, t, data))

    def fire(self, name: str, t: float, data: dict[str, Any] | None = None) -> None:
        """A scripted event."""
        self.mark("trigger", name, t, data)
        body = self.car.body
        self.truth.fires.append({"trigger": name, "t": t, "station_m": body.station_m, "speed_mps": body.speed_mps})

    def alert(self, modalities: tuple[str, ...], t: float) -> None:
        """An alert that a sensor sees."""
        for modality in modalities:
            data = {"modality": modality, "measured": True}
            self.mark("alert_on", modality, t, data)
            self.mark("alert_off", modality, t + ALERT_LASTS_S, data)
            self.truth.events.append({"what": "alert_on", "name": modality, "t": t})

    def hold_speed(self, t: float) -> None:
        """The pedal of a driver who holds the cruising speed."""
        self.driver.work_pedals(t, self.car, False, None, 0.0)

    def demand(self, accel_mps2: float) -> None:
        """The pedals that give an acceleration."""
        force = accel_mps2 + drag(self.car.body.speed_mps)
        if force >= 0.0:
            self.car.press(force / PEDAL_ACCEL_MPS2, 0.0, self.step_s)
        else:
            self.car.press(0.0, -force / PEDAL_DECEL_MPS2, self.step_s)

    def keep_lane(self, t: float, aside_m: float = 0.0, corrects_at: float = math.inf) -> None:
        """The wheel of a driver who keeps the lane, `aside_m` off its middle, with vigour from `corrects_at` on."""
        self.driver.steer(t, self.car, self.course, Aside(aside_m, gust_t=corrects_at))

    def _now(self, t: float) -> tuple[MarkerStep, ...]:
        now = [marker for marker in self._due if marker.t <= t + _ROUNDING_S]
        self._due = [marker for marker in self._due if marker.t > t + _ROUNDING_S]
        now.sort(key=lambda marker: marker.t)
        return tuple(MarkerStep(one.kind, one.name, t, one.data) for one in now)

    def _step(self, t: float, markers: tuple[MarkerStep, ...]) -> DriveStep:
        others = other_columns(self.others(t), self.course)
        signals = {name: rounded(value) for name, value in self.signals(t).items()}
        return DriveStep(t, t, WALL_START + t, markers, own_channels(self.car, self.course), others, signals)

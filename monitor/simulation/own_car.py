"""The own car: pedals and wheel in, motion out."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from monitor.simulation.course import OWN_LANE_CENTRE_M, Course
from monitor.simulation.traffic import Vehicle

OWN_ID = 0
"""Never on the feed."""
LENGTH_M = 4.6
WIDTH_M = 1.84
WHEELBASE_M = 2.7
STEERING_RATIO = 15.0
"""Steering wheel angle over road wheel angle. Wheelbase, ratio and the pedal figures below are invented."""
PEDAL_ACCEL_MPS2 = 2.2
"""Acceleration of a fully pressed accelerator, before drag."""
PEDAL_DECEL_MPS2 = 9.0
"""Deceleration of a fully pressed brake, before drag."""

ACCELERATOR_PRESS, ACCELERATOR_RELEASE = 2.0, 4.0
BRAKE_PRESS, BRAKE_RELEASE = 3.0, 3.0
"""Fastest pedal movements in 1/s."""
WHEEL_LAG_S = 0.12
RESTING_AT_MOST = 1.5
"""A resting foot presses no harder than this times its weight; whoever presses harder brakes."""


def drag(speed_mps: float) -> float:
    """Deceleration in m/s² by rolling, air and the engine when no pedal is pressed; 0.6 at 80 km/h."""
    return 0.30 + 0.0006 * speed_mps**2 if speed_mps > 0.0 else 0.0


def pedal_accel(accelerator: float, brake: float, speed_mps: float) -> float:
    """Acceleration in m/s² that the pedals give."""
    return PEDAL_ACCEL_MPS2 * accelerator - PEDAL_DECEL_MPS2 * brake - drag(speed_mps)


def _towards(now: float, wanted: float, up: float, down: float) -> float:
    return min(now + up, max(now - down, wanted))


@dataclass(slots=True)
class OwnCar:
    """The participant's car; `body` as seen from outside, `heading_error` is the heading against the road's, in rad."""

    body: Vehicle
    accelerator: float
    brake: float = 0.0
    resting_brake: float = 0.0
    heading_error: float = 0.0
    wheel_angle: float = 0.0
    yaw_rate: float = 0.0
    _wheel_wanted: float = field(default=0.0)

    @property
    def lane_offset_m(self) -> float:
        """From the middle of the own lane, left-positive."""
        return self.body.offset_m - OWN_LANE_CENTRE_M

    def press(self, accelerator: float, brake: float, step_s: float) -> None:
        """Moves the pedals towards what is wanted as fast as a foot does; one foot, so never both at once."""
        if self.brake > RESTING_AT_MOST * self.resting_brake and brake <= 0.0:
            accelerator = 0.0
        if brake > 0.0:
            accelerator = 0.0
        self.accelerator = _towards(
            self.accelerator, min(1.0, max(0.0, accelerator)), ACCELERATOR_PRESS * step_s, ACCELERATOR_RELEASE * step_s
        )
        wanted = min(1.0, max(self.resting_brake, brake if self.accelerator == 0.0 else 0.0))
        self.brake = _towards(self.brake, wanted, BRAKE_PRESS * step_s, BRAKE_RELEASE * step_s)
        self.body.accelerate(pedal_accel(self.accelerator, self.brake, self.body.speed_mps), step_s)

    def steer(self, curvature_wanted: float, step_s: float) -> None:
        """Turns the wheel towards the angle that drives the wanted curvature."""
        wanted = STEERING_RATIO * math.atan(WHEELBASE_M * curvature_wanted)
        self.wheel_angle += (wanted - self.wheel_angle) * (1.0 - math.exp(-step_s / WHEEL_LAG_S))
        self.yaw_rate = self.body.speed_mps * math.tan(self.wheel_angle / STEERING_RATIO) / WHEELBASE_M

    def advance(self, step_s: float, course: Course, pushed_mps: float) -> None:
        """One step on, along the road and across it; `pushed_mps` is a gust's push to the left."""
        body = self.body
        way = (body.speed_mps + body.accel_mps2 * step_s / 2) * step_s
        curvature = course.curvature(body.station_m)
        turned = self.yaw_rate * step_s
        # heading at the middle of the step: second order, so that a bend does not throw the car outwards
        along = way / (1.0 - curvature * body.offset_m)
        middle = self.heading_error + (turned - curvature * along) / 2
        along *= math.cos(middle)
        body.station_m += along
        body.offset_m += way * math.sin(middle) + pushed_mps * step_s
        self.heading_error += turned - curvature * along
        body.speed_mps = max(0.0, body.speed_mps + body.accel_mps2 * step_s)

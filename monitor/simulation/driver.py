"""The simulated participant: car following, lane keeping, looking away, and the response to a hazard.

All figures of the response are invented for the demo: brake onset after the alert's criterion (0.30 s after the hazard
begins) is lognormal with a median of 0.90 s for a sound, 0.82 s for a vibration, 1.00 s for a light and 1.30 s without
an alert, spread 0.2 in the logarithm; the eyes come up 0.45–0.70 s after an alert.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from monitor.simulation.course import Course
from monitor.simulation.idm import Following
from monitor.simulation.noise import Wander, smooth_rise, stream
from monitor.simulation.own_car import PEDAL_ACCEL_MPS2, PEDAL_DECEL_MPS2, OwnCar, drag

MEDIAN_S = {"sound": 0.90, "vibration": 0.82, "light": 1.00}
MEDIAN_WITHOUT_S = 1.30
LOG_SPREAD = 0.2
MOVE_S = 0.25
"""From the beginning of the accelerator's release to the brake."""
HARDEST_BRAKING_MPS2 = 8.0
COASTING_MPS2 = 0.25
"""A demand of less than this below coasting is met by coasting: nobody dabs at the brake."""

LANE_WANDER_M = 0.25
"""The wander of the aim within the lane stays inside this."""
CALM_PER_S, ALERT_PER_S = 0.8, 2.0
"""Natural frequency of lane keeping, calm and when correcting a push."""
DAMPING = 0.9
CORRECTING_S = 4.0
STARTLED_S, STARTLED_MPS2 = 0.5, -2.0
"""A surprised driver brakes at least this hard for this long, needed or not."""
FORGETS_HAZARD_S = 8.0
"""A driver who never responds drives normally again this long after the hazard began."""


@dataclass(frozen=True, slots=True)
class Response:
    """When the driver does what, in seconds of the drive; infinite: never."""

    looks_up: float
    releases: float
    brakes: float
    swerves: float


@dataclass(frozen=True, slots=True)
class Aside:
    """What takes the car off the middle of its lane, in m and s: how far the driver keeps beside it, how far a swerve
    goes once the driver responds, and when a gust pushes."""

    keeps_m: float = 0.0
    swerve_m: float = 0.0
    gust_t: float = math.inf


@dataclass(slots=True)
class Driver:
    """Drives the own car. `seed` fixes the noise and the response."""

    seed: int
    following: Following
    step_s: float
    holds_mps: float | None = None
    """A driver who holds this speed whatever is ahead (until the hazard), instead of following."""
    response: Response | None = None
    _accel_noise: Wander = field(init=False)
    _aim: Wander = field(init=False)
    _wheel_noise: Wander = field(init=False)
    _habit_m: float = field(init=False)
    _reaction: float = field(init=False)
    _glance_s: float = field(init=False)
    _gust_s: float = field(init=False)
    _held: float | None = None
    _hazard_t: float = math.inf

    def __post_init__(self) -> None:
        self._accel_noise = Wander(stream(self.seed, "accel"), 0.04, 1.5, self.step_s)
        self._aim = Wander(stream(self.seed, "lane"), 0.11, 4.0, self.step_s)
        self._wheel_noise = Wander(stream(self.seed, "wheel"), 0.00004, 0.5, self.step_s)
        source = stream(self.seed, "response")
        self._habit_m = source.uniform(-0.05, 0.05)
        # at most 1.4 standard deviations, so that no drive but the one meant to ends in a contact
        self._reaction = math.exp(LOG_SPREAD * max(-1.4, min(1.4, source.gauss(0.0, 1.0))))
        self._glance_s = source.uniform(0.45, 0.70)
        self._gust_s = source.uniform(0.40, 0.60)

    def meet_hazard(
        self, t: float, criterion_s: float, alert: tuple[str, ...], alert_s: float, fixed_s: float | None
    ) -> None:
        """A hazard begins at t: settles what the driver will do. `alert` is what will be given, `alert_s` after t."""
        criterion = t + criterion_s
        brakes = criterion + MEDIAN_WITHOUT_S * self._reaction
        looks_up = brakes - 0.4
        if alert:
            with_alert = t + alert_s + min(MEDIAN_S[one] for one in alert) * self._reaction
            brakes = min(brakes, with_alert)
            looks_up = min(looks_up, t + alert_s + self._glance_s, brakes - 0.05)
        swerves = brakes
        if fixed_s is not None:
            brakes = criterion + fixed_s
            looks_up = min(looks_up, brakes - 0.05)
        self.response = Response(looks_up, max(t, brakes - MOVE_S), brakes, swerves)
        self._hazard_t = t

    def work_pedals(self, t: float, car: OwnCar, away: bool, gap_m: float | None, closing_mps: float) -> None:
        """Pedals of the coming step, at time t; `away`: the eyes are off the road."""
        speed = car.body.speed_mps
        response = self.response
        noise = self._accel_noise.step()
        if response is not None and response.releases <= t < response.brakes:
            car.press(0.0, 0.0, self.step_s)
            return
        holding = response is not None and t < response.brakes and t < self._hazard_t + FORGETS_HAZARD_S
        if away or holding:
            # a driver who does not look keeps the foot where it is: what the speed at the last look needs
            if self._held is None:
                self._held = car.accelerator
            car.press(self._held, 0.0, self.step_s)
            return
        self._held = None
        if self.holds_mps is not None and response is None:
            wanted = 0.4 * (self.holds_mps - speed)
        else:
            wanted = self.following.accel(speed, closing_mps, gap_m)
        if response is not None and response.brakes <= t < response.brakes + STARTLED_S:
            wanted = min(wanted, STARTLED_MPS2)
        self._demand(car, wanted + noise)

    def _demand(self, car: OwnCar, accel_mps2: float) -> None:
        force = max(accel_mps2, -HARDEST_BRAKING_MPS2) + drag(car.body.speed_mps)
        force += PEDAL_DECEL_MPS2 * car.resting_brake
        if force >= 0.0:
            car.press(force / PEDAL_ACCEL_MPS2, 0.0, self.step_s)
        else:
            car.press(0.0, -force / PEDAL_DECEL_MPS2 if force < -COASTING_MPS2 else 0.0, self.step_s)

    def steer(self, t: float, car: OwnCar, course: Course, aside: Aside) -> None:
        """Wheel of the coming step: towards an aim that wanders about where the driver keeps.

        A push by a gust, or a swerve, is corrected with more vigour than calm driving.
        """
        aim = self._habit_m + aside.keeps_m + LANE_WANDER_M * math.tanh(self._aim.step() / LANE_WANDER_M)
        alert_from = [aside.gust_t + self._gust_s]
        if aside.swerve_m and self.response is not None:
            alert_from.append(self.response.swerves)
            since = t - self.response.swerves
            aim += aside.swerve_m * (smooth_rise(since / 0.6) - smooth_rise((since - 2.5) / 1.5))
        vigour = ALERT_PER_S if any(one <= t < one + CORRECTING_S for one in alert_from) else CALM_PER_S
        speed = max(car.body.speed_mps, 8.0)
        curvature = course.curvature(car.body.station_m)
        curvature -= (vigour / speed) ** 2 * (car.lane_offset_m - aim)
        curvature -= 2 * DAMPING * vigour / speed * car.heading_error
        car.steer(curvature + self._wheel_noise.step(), self.step_s)

"""Where the motion platform stands: what the drive's accelerations become under a washout filter.

Its travel is invented: 2.1 m to each side along and across, 1.05 m up and down.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.simulation.noise import Wander, stream

TRAVEL_M = (2.1, 2.1, 1.05)
STAYS_WITHIN = 0.95
"""The platform keeps this share of its travel."""
WASHOUT_PER_S = 1.0
GAIN = (0.18, 0.10)


@dataclass(slots=True)
class Platform:
    """x, y, z of the platform in m, from the middle of its travel."""

    seed: int
    step_s: float
    x: float = 0.0
    y: float = 0.0
    z: float = 0.0
    _speeds: list[float] = field(default_factory=lambda: [0.0, 0.0])
    _rough: Wander = field(init=False)

    def __post_init__(self) -> None:
        self._rough = Wander(stream(self.seed, "platform"), 0.03, 0.4, self.step_s)

    def step(self, along_mps2: float, across_mps2: float) -> None:
        """One step on, under the car's accelerations along and across (left-positive)."""
        self.x = self._axis(0, self.x, along_mps2)
        self.y = self._axis(1, self.y, across_mps2)
        limit = TRAVEL_M[2] * STAYS_WITHIN
        self.z = min(limit, max(-limit, self._rough.step()))

    def _axis(self, axis: int, place: float, accel_mps2: float) -> float:
        """A critically damped high-pass of second order: an onset is felt, then the platform steals back."""
        pull = GAIN[axis] * accel_mps2 - 2 * WASHOUT_PER_S * self._speeds[axis] - WASHOUT_PER_S**2 * place
        self._speeds[axis] += pull * self.step_s
        limit = TRAVEL_M[axis] * STAYS_WITHIN
        place += self._speeds[axis] * self.step_s
        if abs(place) > limit:
            self._speeds[axis] = 0.0
            place = min(limit, max(-limit, place))
        return place

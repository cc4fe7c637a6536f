"""The Intelligent Driver Model of car following.

Treiber, Hennecke & Helbing 2000, "Congested traffic states in empirical observations and microscopic simulations",
Physical Review E 62, 1805–1824. With own speed v, closing speed Δv and distance gap s:

    dv/dt = a · (1 − (v / v0)^δ − (s* / s)²),     s* = s0 + v·T + v·Δv / (2·√(a·b))

and in equilibrium (same speed, no acceleration) s_e(v) = (s0 + v·T) / √(1 − (v / v0)^δ).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

EXPONENT = 4
"""δ of the paper."""


@dataclass(frozen=True, slots=True)
class Following:
    """The parameters: desired speed v0, safe time gap T, jam gap s0, acceleration a, comfortable deceleration b."""

    desired_speed_mps: float
    time_gap_s: float
    jam_gap_m: float = 2.0
    accel_mps2: float = 1.2
    comfort_decel_mps2: float = 2.0

    def accel(self, speed_mps: float, closing_mps: float, gap_m: float | None) -> float:
        """The model's acceleration in m/s²; `gap_m` None means a free road."""
        free = 1.0 - (speed_mps / self.desired_speed_mps) ** EXPONENT
        if gap_m is None:
            return self.accel_mps2 * free
        closing_term = speed_mps * closing_mps / (2.0 * math.sqrt(self.accel_mps2 * self.comfort_decel_mps2))
        # the jam distance is the least that is wanted, even where the lead pulls away fast
        wanted = self.jam_gap_m + max(0.0, speed_mps * self.time_gap_s + closing_term)
        return self.accel_mps2 * (free - (wanted / max(gap_m, 0.1)) ** 2)

    def equilibrium_gap(self, speed_mps: float) -> float:
        """The distance gap at which the model neither gains nor loses speed behind a lead of the same speed."""
        free = 1.0 - (speed_mps / self.desired_speed_mps) ** EXPONENT
        return (self.jam_gap_m + speed_mps * self.time_gap_s) / math.sqrt(free)


def following_at(time_gap_s: float, speed_mps: float, desired_speed_mps: float) -> Following:
    """A driver who settles at the given time gap (gap over own speed) at the given speed: T solved from s_e(v)."""
    free = 1.0 - (speed_mps / desired_speed_mps) ** EXPONENT
    jam_gap_m = 2.0
    return Following(desired_speed_mps, (time_gap_s * speed_mps * math.sqrt(free) - jam_gap_m) / speed_mps, jam_gap_m)

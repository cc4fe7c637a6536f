"""Seeded randomness: one stream for each purpose, so that a scenario that changes one thing shifts no other draw."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field


def stream(seed: int, purpose: str) -> random.Random:
    """The stream of one purpose; `random.Random` gives the same numbers for a text on every machine and version."""
    return random.Random(f"dusk-road/{seed}/{purpose}")


@dataclass(slots=True)
class Wander:
    """A noise that wanders about zero (Ornstein–Uhlenbeck process: Uhlenbeck & Ornstein 1930), exactly stepped.

    `sd`: standard deviation in the long run; `lasting_s`: time constant of its memory.
    """

    source: random.Random
    sd: float
    lasting_s: float
    step_s: float
    value: float = field(init=False)
    _keep: float = field(init=False)
    _new: float = field(init=False)

    def __post_init__(self) -> None:
        self._keep = math.exp(-self.step_s / self.lasting_s)
        self._new = self.sd * math.sqrt(1.0 - self._keep**2)
        self.value = self.source.gauss(0.0, self.sd)

    def step(self) -> float:
        """The value one step on."""
        self.value = self._keep * self.value + self._new * self.source.gauss(0.0, 1.0)
        return self.value


def smooth_rise(share: float) -> float:
    """0 at 0 and before, 1 at 1 and after, with no kink at either end."""
    if share <= 0.0:
        return 0.0
    if share >= 1.0:
        return 1.0
    return share * share * (3.0 - 2.0 * share)

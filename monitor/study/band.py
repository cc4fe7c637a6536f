"""The band of a measure, and the one rule by which a value lies in it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from monitor.measures.columns import BoolArray, FloatArray

SLACK = 1e-6
"""Edges are taken this much wider (relative to an edge above 1): feeds send float32, where 22.2 comes as 22.20000076,
and 3.5 is 0.10000000000000009 above 3.4. No sensor resolves so little."""


def _slack(edge: float) -> float:
    return SLACK * max(1.0, abs(edge))


@dataclass(frozen=True, slots=True)
class Band:
    """Closed band of a measure; None means open on that side. `tolerance` widens it on both sides ("at the edge")."""

    at_least: float | None
    at_most: float | None
    tolerance: float = 0.0

    @property
    def edges(self) -> tuple[float, float]:
        """Both edges, the tolerance included; infinite where the band is open."""
        low = -math.inf if self.at_least is None else self.at_least - self.tolerance
        high = math.inf if self.at_most is None else self.at_most + self.tolerance
        return low, high

    @property
    def low(self) -> float:
        """The least value that counts as in the band: edge, tolerance and float slack."""
        edge = self.edges[0]
        return edge - _slack(edge)

    @property
    def high(self) -> float:
        """The greatest value that counts as in the band."""
        edge = self.edges[1]
        return edge + _slack(edge)

    @property
    def takes_unbounded(self) -> bool:
        """Whether an infinitely large value ("not closing") lies in it: it has no upper edge."""
        return self.at_most is None

    def contains(self, value: FloatArray) -> BoolArray:
        """Whether each value lies in the band, tolerance and float slack included; NaN never does."""
        return np.asarray((value >= self.low) & (value <= self.high))

    def contains_one(self, value: float) -> bool:
        """Whether one value lies in the band."""
        return self.low <= value <= self.high

    def margin(self, value: FloatArray) -> FloatArray:
        """Distance to the nearer edge of the band proper: negative outside it, 0 within the float slack of an edge.

        NaN where there is no value; infinite in a band without edges.
        """
        proper = Band(self.at_least, self.at_most)
        low, high = proper.edges
        margin = np.minimum(value - low, high - value)
        return np.where((margin < 0.0) & proper.contains(value), 0.0, margin)

    def tolerance_for(self, value: FloatArray) -> FloatArray:
        """The least tolerance with which each value would lie in the band; 0 inside the band proper."""
        off = -self.margin(value)
        # a millionth of the slack is left out, so that rounding cannot leave a value outside
        return np.where(
            off > 0.0, np.maximum(off - (1.0 - 1e-6) * SLACK * np.maximum(1.0, np.abs(value) - SLACK), 0.0), 0.0
        )

    def words(self, unit: str, number: Callable[[float], str] = "{:g}".format) -> str:
        """The band in words, its tolerance named: "1.3 to 1.9 s ± 0.1", "at least 700 m", "at most 0.5", "any"."""
        low, high = self.at_least, self.at_most
        if low is not None and high is not None:
            said = f"exactly {number(low)}" if low == high else f"{number(low)} to {number(high)}"
        elif low is not None:
            said = f"at least {number(low)}"
        elif high is not None:
            said = f"at most {number(high)}"
        else:
            return "any"
        return f"{said} {unit}".rstrip() + (f" ± {number(self.tolerance)}" if self.tolerance else "")

    def beyond(self, value: float) -> int:
        """+1 above the band, −1 below it, 0 in it."""
        return 0 if self.contains_one(value) else 1 if value > self.high else -1

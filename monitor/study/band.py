"""The band of a measure, and the one rule by which a value lies in it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from monitor.measures.columns import BoolArray, FloatArray

SLACK = 1e-6
"""Edges are taken this much wider (relative to an edge above 1): feeds send float32, where 22.2 comes as 22.20000076,
and 3.5 is 0.10000000000000009 above 3.4. No sensor resolves so little."""


def _slack(edge: float) -> float:
    return SLACK * max(1.0, abs(edge))


@dataclass(frozen=True, slots=True)
class Band:
    """Closed band of a measure; None means open on that side. `tolerance` widens it on both sides ("at the edge").

    With `outside` it is all that does not lie between these two, which belong to it.
    """

    at_least: float | None
    at_most: float | None
    tolerance: float = 0.0
    outside: tuple[float, float] | None = None

    @property
    def parts(self) -> tuple[tuple[float, float], ...]:
        """Both edges of each interval that it consists of, without tolerance; infinite where it is open."""
        if self.outside is not None:
            return (-math.inf, self.outside[0]), (self.outside[1], math.inf)
        low = -math.inf if self.at_least is None else self.at_least
        return ((low, math.inf if self.at_most is None else self.at_most),)

    @lru_cache(maxsize=1024)  # noqa: B019  # asked nine times for each condition; a band is a few numbers
    def _reaches(self, off: float) -> tuple[tuple[float, float], ...]:
        """The least and the greatest value of each interval that count: edge, tolerance `off` and float slack."""
        return tuple((low - off - _slack(low - off), high + off + _slack(high + off)) for low, high in self.parts)

    @property
    def takes_unbounded(self) -> bool:
        """Whether an infinitely large value ("not closing") lies in it: it has no upper edge."""
        return self.at_most is None

    def contains(self, value: FloatArray) -> BoolArray:
        """Whether each value lies in the band, tolerance and float slack included; NaN never does."""
        return self.contains_all(value, value)

    def contains_all(self, least: FloatArray, most: FloatArray) -> BoolArray:
        """Whether everything from `least` to `most` lies in the band; NaN never does."""
        return self._contains(least, most, self.tolerance)

    def _contains(self, least: FloatArray, most: FloatArray, off: float) -> BoolArray:
        inside = [(least >= low) & (most <= high) for low, high in self._reaches(off)]
        return inside[0] if len(inside) == 1 else np.asarray(np.logical_or.reduce(inside))

    def contains_none(self, least: FloatArray, most: FloatArray) -> BoolArray:
        """Whether nothing from `least` to `most` lies in the band."""
        apart = [(most < low) | (least > high) for low, high in self._reaches(self.tolerance)]
        return apart[0] if len(apart) == 1 else np.asarray(np.logical_and.reduce(apart))

    def contains_one(self, value: float) -> bool:
        """Whether one value lies in the band."""
        return any(low <= value <= high for low, high in self._reaches(self.tolerance))

    def next_edge(self, value: float, *, rising: bool) -> float:
        """The edge, tolerance included, that a value meets next as it rises or falls; infinite where there is none."""
        off = self.tolerance
        edges = [edge for low, high in self.parts for edge in (low - off, high + off)]
        if rising:
            return min((edge for edge in edges if edge >= value), default=math.inf)
        return max((edge for edge in edges if edge <= value), default=-math.inf)

    def margin(self, value: FloatArray) -> FloatArray:
        """Distance to the nearer edge of the band proper: negative outside it, 0 within the float slack of an edge.

        NaN where there is no value; infinite in a band without edges.
        """
        margins = [np.minimum(value - low, high - value) for low, high in self.parts]
        margin = margins[0] if len(margins) == 1 else np.maximum.reduce(margins)
        below = margin < 0.0
        if not below.any():
            return margin
        return np.where(below & self._contains(value, value, 0.0), 0.0, margin)

    def tolerance_for(self, value: FloatArray) -> FloatArray:
        """The least tolerance with which each value would lie in the band; 0 inside the band proper."""
        off = -self.margin(value)
        # a millionth of the slack is left out, so that rounding cannot leave a value outside
        return np.where(
            off > 0.0, np.maximum(off - (1.0 - 1e-6) * SLACK * np.maximum(1.0, np.abs(value) - SLACK), 0.0), 0.0
        )

    def words(self, unit: str, number: Callable[[float], str] = "{:g}".format) -> str:
        """The band in words, its tolerance named: "1.3 to 1.9 s ± 0.1", "at least 700 m", "at most 0.5", "outside -0.5
        to 0.5 m", "any"."""
        low, high = self.at_least, self.at_most
        if self.outside is not None:
            said = f"outside {number(self.outside[0])} to {number(self.outside[1])}"
        elif low is not None and high is not None:
            said = f"exactly {number(low)}" if low == high else f"{number(low)} to {number(high)}"
        elif low is not None:
            said = f"at least {number(low)}"
        elif high is not None:
            said = f"at most {number(high)}"
        else:
            return "any"
        return f"{said} {unit}".rstrip() + (f" ± {number(self.tolerance)}" if self.tolerance else "")

    def beyond(self, value: float) -> int:
        """+1 above the band, −1 below it or between its two parts, 0 in it."""
        return 0 if self.contains_one(value) else 1 if value > self._reaches(self.tolerance)[-1][1] else -1

"""One untrue thing in what a feed tells: the faults that a facility's feed may have, each with a size."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.evidence.drives import Told

Spoil = Callable[[Told, float, float], None]
"""Changes what is told of a body from a time on: (told, size, from time)."""


@dataclass(frozen=True)
class Fault:
    """A kind of fault: whose channels, which, and in what its size is counted."""

    name: str
    whose: str
    channels: tuple[str, ...]
    unit: str
    spoil: Spoil


def _scale(*names: str) -> Spoil:
    def spoil(told: Told, size: float, from_t: float) -> None:
        for name in names:
            column = told.channels[name]
            first = int(np.searchsorted(told.t, from_t)) if from_t > -np.inf else 0
            anchor = column[0] if name in ("x", "y", "station") else 0.0
            column[first:] = anchor + (column[first:] - anchor) * (1.0 + size)

    return spoil


def _offset(*names: str) -> Spoil:
    def spoil(told: Told, size: float, from_t: float) -> None:
        for name in names:
            told.channels[name] = told.channels[name] + np.where(told.t >= from_t, size, 0.0)

    return spoil


def _late(*names: str) -> Spoil:
    def spoil(told: Told, size: float, from_t: float) -> None:
        for name in names:
            told.channels[name] = np.interp(told.t - size, told.t, told.channels[name])

    return spoil


def _stand(*names: str) -> Spoil:
    def spoil(told: Told, size: float, from_t: float) -> None:
        first = int(np.searchsorted(told.t, from_t))
        last = int(np.searchsorted(told.t, from_t + size))
        for name in names:
            column = told.channels[name].copy()
            column[first : last + 1] = column[first]
            told.channels[name] = column

    return spoil


def _step(*names: str) -> Spoil:
    def spoil(told: Told, size: float, from_t: float) -> None:
        for name in names:
            told.channels[name] = told.channels[name] + np.where(told.t >= from_t, size, 0.0)

    return spoil


def _noise(*names: str) -> Spoil:
    def spoil(told: Told, size: float, from_t: float) -> None:
        rng = np.random.default_rng(len(told.t))
        for name in names:
            told.channels[name] = told.channels[name] + np.where(
                told.t >= from_t, rng.normal(0, size, len(told.t)), 0.0
            )

    return spoil


def moved_along(told: Told, size: float, from_t: float) -> None:
    """The body is `size` further along its way from a time on: another vehicle under the old id."""
    heading = told.channels["heading"]
    ahead = np.where(told.t >= from_t, size, 0.0)
    told.channels["x"] = told.channels["x"] + ahead * np.cos(heading)
    told.channels["y"] = told.channels["y"] + ahead * np.sin(heading)
    if "station" in told.channels:
        told.channels["station"] = told.channels["station"] + ahead


def still_picture(told: Told, size: float, from_t: float) -> None:
    """Every channel of the body stands."""
    _stand(*told.channels)(told, size, from_t)


KINDS = (
    Fault("speed scale", "own", ("speed",), "%", lambda told, size, t: _scale("speed")(told, size / 100.0, -np.inf)),
    Fault("speed offset", "own", ("speed",), "m/s", _offset("speed")),
    Fault("lead's speed late", "van", ("speed",), "s", _late("speed")),
    Fault("lead's speed stands", "van", ("speed",), "s", _stand("speed")),
    Fault(
        *("station scale", "own", ("station",), "%"),
        lambda told, size, t: _scale("station")(told, size / 100.0, -np.inf),
    ),
    Fault("station stands", "own", ("station",), "s", _stand("station")),
    Fault("station steps", "own", ("station",), "m", _step("station")),
    Fault("body swapped", "van", ("x", "y", "station"), "m", moved_along),
    Fault("accel scale", "van", ("accel",), "%", lambda told, size, t: _scale("accel")(told, size / 100.0, -np.inf)),
    Fault("accel offset", "van", ("accel",), "m/s²", _offset("accel")),
    Fault("accel late", "van", ("accel",), "s", _late("accel")),
    Fault("yaw rate offset", "own", ("yaw_rate",), "rad/s", _offset("yaw_rate")),
    Fault("heading offset", "own", ("heading",), "rad", _offset("heading")),
    Fault("lane offset", "own", ("lane_offset",), "m", _offset("lane_offset")),
)  # fmt: skip
"""The faults of the detection table."""

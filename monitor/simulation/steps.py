"""What the drive model hands to the wire: one step for each frame period."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

SOURCE = "dusk-road synthetic simulator"
SIGNALS = {"eyes_on_road": "1", "platform_x": "m", "platform_y": "m", "platform_z": "m", "gust": "1"}
"""Further numbers of the demo's drive with their units; 1 is yes and 0 is no."""
WALL_START = 1772469000.0
"""The simulator's wall clock at t = 0 in every drive: 2 March 2026, 16:30 UTC, dusk. Two drives of a seed are equal."""

QUANTUM = 2.0**-16
"""Numbers are sent in whole multiples of this (0.015 mm, or 15 µm/s …), as a simulator's interface rounds them."""


def rounded(value: float) -> float:
    """The number as it is sent."""
    return round(value / QUANTUM) * QUANTUM


@dataclass(frozen=True, slots=True)
class MarkerStep:
    """A marker; one with `lost` is counted and repeated by hellos but not itself on the wire."""

    kind: str
    name: str
    t: float
    data: dict[str, Any] | None = None
    lost: bool = False


@dataclass(frozen=True, slots=True)
class DriveStep:
    """The markers of a step, in order, and then its frame; with `lost` the frame is counted and not on the wire.

    `due_s`: when the step is due, in seconds of the simulator's own clock from the begin of publishing.
    """

    t: float
    due_s: float
    wall: float
    markers: tuple[MarkerStep, ...]
    own: dict[str, float]
    others: dict[str, list[Any]]
    signals: dict[str, float]
    lost: bool = False


@dataclass(slots=True)
class Truth:
    """What really happened, for comparison with what the monitor says of it. Never sent."""

    deviations: dict[str, Any]
    fires: list[dict[str, Any]] = field(default_factory=list)
    """Each fire of a trigger with the scene as it was."""
    events: list[dict[str, Any]] = field(default_factory=list)
    """Alerts and contacts."""
    response: dict[str, float] = field(default_factory=dict)
    """When the pedals first showed a response to the gate, in seconds after its (first) fire."""

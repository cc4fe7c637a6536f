"""The messages of the feed, schema 1, once they are decoded.

SI units; axes after ISO 8855 (x forward, y left, heading counter-clockwise positive, radians). `t` is simulation time
in seconds. NaN means "not measured".
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, NamedTuple

VERSION = 1

OWN_REQUIRED = ("x", "y", "heading", "speed", "accel", "length", "width")
NO_CAR: Mapping[str, float] = MappingProxyType(dict.fromkeys(OWN_REQUIRED, math.nan))
"""`own` of a further source, which has no car: required by the schema, and not measured."""
OWN_OPTIONAL = (
    "yaw_rate",
    "station",
    "lane",
    "lane_offset",
    "lane_width",
    "steering_angle",
    "accelerator",
    "brake",
)
OTHERS_REQUIRED = ("x", "y", "heading", "speed", "accel", "length", "width")
"""Beside `id`, which is a column of its own type."""
OTHERS_OPTIONAL = ("station", "lane")
"""Beside `name`, which is a column of texts."""

RECENT_MARKERS = 32
"""How many markers a `hello` repeats."""


class Frame(NamedTuple):
    """One step of the simulation. A named tuple: one is made for every message, and a frozen data class costs three."""

    run: str
    seq: int
    t: float
    own: dict[str, float]
    """The required channels, the optional ones that were sent, and any further number. May hold NaN and infinities."""
    ids: bytes
    """Ids of the other vehicles, little-endian int64, all different."""
    columns: dict[str, bytes]
    """Their columns, little-endian float64, as long as `ids`: those required, and the optional ones that were sent."""
    names: tuple[str | None, ...] | None
    """Their names; None where the simulator sends none."""
    signals: dict[str, float]
    """Further numbers; booleans as True and False."""
    markers: int
    """Number of markers sent so far."""
    wall: float | None
    """The simulator's wall clock, seconds since 1970."""


@dataclass(frozen=True, slots=True)
class Marker:
    """Something that happened at simulation time `t`; `n` counts the markers of the drive from 1."""

    run: str
    n: int
    t: float
    kind: str
    """One of `marker_kinds.KINDS`."""
    name: str
    data: dict[str, Any]


class RoadLine(NamedTuple):
    """The road's reference line: vertices in m (two or more, equal lengths), lane width in m, number of lanes."""

    x: tuple[float, ...]
    y: tuple[float, ...]
    lane_width: float
    lanes: int


class ClockTold(NamedTuple):
    """How a source's clock stands to the clock of receipt, as it measures it: receipt time = its time + `offset_s`."""

    offset_s: float
    uncertainty_s: float


@dataclass(frozen=True, slots=True)
class Hello:
    """What the simulator says of itself, repeated at least once a second."""

    run: str
    source: str
    rate_hz: float
    signals: dict[str, str]
    """Signal name → unit text."""
    participant: str | None
    group: str | None
    scenario: str | None
    road: RoadLine | None
    recent: tuple[Marker, ...]
    """The last markers, whole, so that one that was lost is not lost for good."""
    clock: ClockTold | None = None
    """For a source that knows its clock against the clock of receipt, whose machine it shares."""
    gives: tuple[str, ...] | None = None
    """Kinds of markers that a further source gives (an unknown key elsewhere); None where it does not say."""
    channel_maps: tuple[str, ...] = ()
    """Digests of the channel maps of a bridge (`bridge.map_in_hello`); empty where it names none."""
    markers_by_frames: bool = False
    """Whether a bridge sees in its source's frames what it makes markers of: with a frame that is lost before it, a
    marker may be."""
    unnumbered: bool = False
    """Whether a bridge numbers the frames of a source that does not: what is lost before the bridge leaves no gap."""


@dataclass(frozen=True, slots=True)
class Refused:
    """A message that breaks the schema or a limit. `why` is one plain sentence with topic and key."""

    topic: str
    why: str

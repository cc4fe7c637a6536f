"""The measures by name: unit, kind, and the words that say which definition a number has."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["pair", "lateral", "rolling", "own", "point", "event"]


@dataclass(frozen=True, slots=True)
class MeasureName:
    """What a measure's name stands for."""

    name: str
    kind: Kind
    unit: str
    definition: str
    """Short enough to stand beside the number on a screen."""
    source: str
    """Where the definition is published."""
    unbounded_is_large: bool = False
    """Whether "not closing", "standing still", "not departing" and "not yet" are infinitely large values of it.

    They then pass `at_least` and fail `at_most`.
    """
    reveals: bool = True
    """Whether the driver's response can be read from it, or worked out: then a blind record hides it. True unless the
    row says otherwise: where the own car is and how it moves, and all that is computed from it, tells of the driver."""


_ROWS = (
    MeasureName("distance_gap", "pair", "m", "bumper to bumper, along the road", "SAE J2944; clearance of ISO 15622"),
    MeasureName("time_gap", "pair", "s", "bumper to bumper over own speed", "ISO 15622; SAE J2944", True),
    MeasureName("distance_headway", "pair", "m", "front to front, along the road", "SAE J2944"),
    MeasureName("time_headway", "pair", "s", "front to front over own speed", "SAE J2944", True),
    MeasureName(
        "closing_speed", "pair", "m/s", "own speed less the lead's along the way, closing positive", "ISO 15623"
    ),
    MeasureName("ttc", "pair", "s", "gap over closing speed", "Hayward 1972; ISO 15623", True),
    MeasureName(
        "ttc_accel",
        "pair",
        "s",
        "with both accelerations, standing once stopped",
        "ISO 15623:2013; standstill: our extension",
        True,
    ),
    MeasureName("drac", "pair", "m/s²", "closing speed squared over twice the gap", "Cooper & Ferguson 1976"),
    MeasureName("required_decel", "pair", "m/s²", "least constant braking without contact", "ISO 15623"),
    MeasureName("lane_offset", "lateral", "m", "centre of the car from centre of the lane, left positive", "SAE J2944"),
    MeasureName("lane_width", "lateral", "m", "width of the own lane", "common practice, no source", reveals=False),
    MeasureName("distance_to_line", "lateral", "m", "body's edge to the nearer line", "SAE J2944, body edge"),
    MeasureName(
        "time_to_line", "lateral", "s", "distance over sideways speed", "Godthelp, Milgram & Blaauw 1984", True
    ),
    MeasureName("sdlp", "rolling", "m", "standard deviation of lane offset, n − 1", "SAE J2944"),
    MeasureName("steering_reversal_rate", "rolling", "1/min", "reversals of 3° and more", "Markkula & Engström 2006"),
    MeasureName("lane_departures", "rolling", "", "body's edge onto a line", "SAE J2944, body edge"),
    MeasureName("distance_to_point", "point", "m", "front to a point, along the way", "common practice, no source"),
    MeasureName(
        "time_to_arrival", "point", "s", "distance to a point over own speed", "common practice, no source", True
    ),
    MeasureName("time_since", "event", "s", "since a marker of the feed", "common practice, no source", True),
    MeasureName("x", "own", "m", "centre of the box", "ISO 8855"),
    MeasureName("y", "own", "m", "centre of the box", "ISO 8855"),
    MeasureName("heading", "own", "rad", "counter-clockwise positive", "ISO 8855"),
    MeasureName("speed", "own", "m/s", "own speed", "ISO 8855"),
    MeasureName("accel", "own", "m/s²", "along own direction, braking negative", "ISO 8855"),
    MeasureName("length", "own", "m", "of the box", "ISO 8855", reveals=False),
    MeasureName("width", "own", "m", "of the box", "ISO 8855", reveals=False),
    MeasureName("yaw_rate", "own", "rad/s", "counter-clockwise positive", "ISO 8855"),
    MeasureName("station", "own", "m", "centre's distance along the road", "ASAM OpenDRIVE, s"),
    MeasureName("lane", "own", "", "lane number as the simulator counts", "as the simulator gives it"),
    MeasureName("steering_angle", "own", "rad", "steering wheel, left positive", "ASAM OSI, steering wheel angle"),
    MeasureName("accelerator", "own", "", "pedal, 0 to 1", "ASAM OSI, pedal position"),
    MeasureName("brake", "own", "", "pedal, 0 to 1", "ASAM OSI, pedal position"),
)

MEASURES = {row.name: row for row in _ROWS}
"""Every measure by its name."""

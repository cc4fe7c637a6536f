"""Units of a source by their text, with exact factors to the SI unit that the feed uses.

Factors: NIST SP 811 (2008), appendix B. Those that are exact there are exact here (as fractions); the others follow
from exact ones (1 km/h = 1/3.6 m/s, 1° = π/180 rad, 1 rpm = π/30 rad/s).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

FOOT = Fraction("0.3048")
INCH = Fraction("0.0254")
MILE = Fraction("1609.344")
NAUTICAL_MILE = Fraction(1852)
STANDARD_GRAVITY = Fraction("9.80665")
HOUR = Fraction(3600)

SI = {
    "length": "m",
    "speed": "m/s",
    "acceleration": "m/s²",
    "angle": "rad",
    "angular speed": "rad/s",
    "time": "s",
    "share": "",
}
"""Dimension → the feed's unit for it."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: value in SI = value × `factor`."""

    text: str
    dimension: str
    factor: float


def _rows() -> list[tuple[str, str, Fraction | float]]:
    degree, turn = math.pi / 180, 2 * math.pi
    return [
        ("m", "length", Fraction(1)),
        ("mm", "length", Fraction(1, 1000)),
        ("cm", "length", Fraction(1, 100)),
        ("km", "length", Fraction(1000)),
        ("in", "length", INCH),
        ("ft", "length", FOOT),
        ("yd", "length", 3 * FOOT),
        ("mi", "length", MILE),
        ("US survey ft", "length", Fraction(1200, 3937)),
        ("nmi", "length", NAUTICAL_MILE),
        ("m/s", "speed", Fraction(1)),
        ("cm/s", "speed", Fraction(1, 100)),
        ("km/h", "speed", 1000 / HOUR),
        ("mph", "speed", MILE / HOUR),
        ("ft/s", "speed", FOOT),
        ("kn", "speed", NAUTICAL_MILE / HOUR),
        ("m/s²", "acceleration", Fraction(1)),
        ("ft/s²", "acceleration", FOOT),
        ("g", "acceleration", STANDARD_GRAVITY),
        ("rad", "angle", Fraction(1)),
        ("mrad", "angle", Fraction(1, 1000)),
        ("deg", "angle", degree),
        ("gon", "angle", math.pi / 200),
        ("rev", "angle", turn),
        ("rad/s", "angular speed", Fraction(1)),
        ("mrad/s", "angular speed", Fraction(1, 1000)),
        ("deg/s", "angular speed", degree),
        ("rpm", "angular speed", turn / 60),
        ("s", "time", Fraction(1)),
        ("ms", "time", Fraction(1, 1000)),
        ("us", "time", Fraction(1, 10**6)),
        ("ns", "time", Fraction(1, 10**9)),
        ("min", "time", Fraction(60)),
        ("h", "time", HOUR),
        ("", "share", Fraction(1)),
        ("%", "share", Fraction(1, 100)),
    ]


UNITS = {text: Unit(text, dimension, float(factor)) for text, dimension, factor in _rows()}
"""Every unit by its own text."""

OTHER_TEXTS = {
    "meter": "m",
    "meters": "m",
    "metre": "m",
    "metres": "m",
    "foot": "ft",
    "feet": "ft",
    "inch": "in",
    "miles": "mi",
    "kph": "km/h",
    "kmh": "km/h",
    "kmph": "km/h",
    "km/hr": "km/h",
    "mi/h": "mph",
    "miles/h": "mph",
    "mps": "m/s",
    "m/sec": "m/s",
    "fps": "ft/s",
    "ft/sec": "ft/s",
    "kt": "kn",
    "knots": "kn",
    "m/s2": "m/s²",
    "m/s^2": "m/s²",
    "ft/s2": "ft/s²",
    "ft/s^2": "ft/s²",
    "°": "deg",
    "degree": "deg",
    "degrees": "deg",
    "radian": "rad",
    "radians": "rad",
    "°/s": "deg/s",
    "deg/sec": "deg/s",
    "rad/sec": "rad/s",
    "sec": "s",
    "secs": "s",
    "second": "s",
    "seconds": "s",
    "msec": "ms",
    "millisec": "ms",
    "milliseconds": "ms",
    "usec": "us",
    "nsec": "ns",
    "µs": "us",
    "\N{GREEK SMALL LETTER MU}s": "us",
    "r/min": "rpm",
    "percent": "%",
    "1": "",
}
"""Other ways to write a unit → its own text."""


def unit_named(text: str) -> Unit | None:
    """The unit that a text means; None for one that is not known. Upper and lower case matter (mm is not Mm)."""
    clean = text.strip()
    return UNITS.get(OTHER_TEXTS.get(clean, clean))


def unit_texts(dimension: str) -> list[str]:
    """The texts of all units of a dimension, for a sentence."""
    return [unit.text for unit in UNITS.values() if unit.dimension == dimension]

"""Which of a source's names may stand for which channel, and in what unit: guesses from the words in a name.

They make a first channel map that a person then looks over; nothing is judged by them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from monitor.connect.channel_map.units import OTHER_TEXTS, UNITS, unit_named

OWN_WORDS = frozenset(("ego", "own", "sv", "subject", "host", "mycar", "participant"))
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[0-9]+|[%°]")
_UNIT_IN_BRACKETS = re.compile(r"[\[(]([^\])]+)[\])]\s*$")

_ACROSS = frozenset(("lat", "lateral", "y", "z", "vert", "vertical"))
_RULES: tuple[tuple[str, frozenset[str], frozenset[str], frozenset[str]], ...] = tuple(
    (channel, frozenset(every.split()), frozenset(some.split()), frozenset(none.split()))
    for channel, every, some, none in (
        # channel, words that must all be there, of which one must be there, that must not be there
        ("accelerator", "", "gas throttle accelerator", ""),
        ("accelerator", "accel pedal", "accel", ""),
        ("brake", "", "brake braking brakepedal", "light lamp lead"),
        ("steering_angle", "", "wheel steer steering swa", "rate torque speed front rear width"),
        ("yaw_rate", "rate", "yaw heading psi", ""),
        ("yaw_rate", "", "yawrate", ""),
        ("lane_width", "width", "lane", ""),
        ("lane_offset", "lane", "dev deviation offset pos position lateral error", "yaw width id number"),
        ("heading", "", "heading yaw hdg psi compass angle", "rate lane wheel steer steering pitch roll"),
        ("station", "", "station chainage roadpos", ""),
        ("station", "road", "pos position s dist distance", "lat lateral"),
        ("accel", "", "accel acceleration acc ax", "pedal lat lateral y z vert vertical yaw"),
        ("speed", "", "speed velocity vel v", "x y z yaw wheel limit wind engine set lat lateral"),
        ("length", "", "length len", "lane road"),
        ("width", "", "width", "lane road"),
        ("lane", "", "lane laneid", "dev deviation offset pos position width yaw"),
        ("x", "", "x east easting", "vel acc accel speed velocity base platform gaze head eye"),
        ("y", "", "y north northing", "vel acc accel speed velocity base platform gaze head eye"),
    )
)
_TIME = frozenset(("time", "t", "simtime", "timestamp", "clock", "sec", "secs"))
_NOT_TIME = frozenset(("day", "wall", "unix", "utc", "zone", "delay", "step", "ttc", "gap", "headway"))
_UNIT_WORDS = {
    "kmh": "km/h",
    "kph": "km/h",
    "mph": "mph",
    "mps": "m/s",
    "fps": "ft/s",
    "ft": "ft",
    "feet": "ft",
    "deg": "deg",
    "degrees": "deg",
    "pct": "%",
    "percent": "%",
    "%": "%",
    "ms": "ms",
    "cm": "cm",
    "mm": "mm",
    "g": "g",
}


@dataclass(slots=True)
class Guess:
    """A source name for a channel, and what the name or the numbers say of its unit."""

    name: str
    unit: str | None = None
    scale: float | None = None
    why: str = ""


@dataclass(slots=True)
class Guesses:
    """Names for the time, the own car and other vehicles, and what is left over."""

    time: Guess | None = None
    own: dict[str, Guess] = field(default_factory=dict)
    vehicles: dict[str, dict[str, Guess]] = field(default_factory=dict)
    left: list[str] = field(default_factory=list)


def words_of(name: str) -> list[str]:
    """The words in a name: "EgoPosX" and "ego_pos_x" are both ego, pos, x."""
    return [word.lower() for word in _WORD.findall(_UNIT_IN_BRACKETS.sub("", name))]


def unit_in(name: str) -> str | None:
    """The unit that a name states: "speed [km/h]", "SpeedKmh", "gas_pct"."""
    bracket = _UNIT_IN_BRACKETS.search(name)
    if bracket is not None:
        text = bracket[1].strip()
        return text if unit_named(text) is not None and (text in UNITS or text in OTHER_TEXTS) else None
    words = words_of(name)
    if len(words) < 2:
        return None
    return _UNIT_WORDS.get(words[-1])


def guess_names(names: Iterable[str]) -> Guesses:
    """The names sorted to channels. The first name that fits a channel gets it."""
    guesses = Guesses()
    groups: dict[str, dict[str, Guess]] = {}
    for name in names:
        words = words_of(name)
        if guesses.time is None and _TIME & set(words) and not _NOT_TIME & set(words):
            guesses.time = Guess(name, unit_in(name))
            continue
        group, channel = _place(words)
        if channel is None or channel in groups.setdefault(group, {}):
            guesses.left.append(name)
        else:
            groups[group][channel] = Guess(name, unit_in(name))
    own = next((group for group in groups if group in OWN_WORDS), "")
    guesses.own = groups.pop(own, {})
    for channel, guess in groups.pop("", {}).items():  # names without the car's word: the own car's, where it has none
        if channel in guesses.own:
            guesses.left.append(guess.name)
        else:
            guesses.own[channel] = guess
    for group, found in groups.items():
        if "x" in found and "y" in found:
            guesses.vehicles[group] = found
        else:
            for channel, guess in found.items():
                if channel in guesses.own:
                    guesses.left.append(guess.name)
                else:
                    guesses.own[channel] = guess
    return guesses


def _place(words: list[str]) -> tuple[str, str | None]:
    """The vehicle and the channel that the words of a name stand for; "" for a name without a vehicle."""
    found = set(words)
    for channel, every, some, none in _RULES:
        if every <= found and some & found and not none & found:
            first = words[0] if words else ""
            return ("" if len(words) == 1 or first in every | some else first), channel
    return "", None

"""Which of a source's names may stand for which channel, and in what unit: guesses from the words in a name.

They make a first channel map that a person then looks over; nothing is judged by them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from monitor.connect.channel_map.units import OTHER_TEXTS, UNITS, unit_named

OWN_WORDS = frozenset(("ego", "own", "sv", "subject", "host", "mycar", "participant", "eigen", "vehicle", "veh", "car"))
NO_VEHICLE = frozenset(
    "pos position coord coordinate coordinates world map global utm gps cg cog loc location sim".split()
)
"""First words of names such as PosX: what is measured, and no vehicle's name."""
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[0-9]+|[%°]")
_UNIT_IN_BRACKETS = re.compile(r"[\[(]([^\])]+)[\])]\s*$")

_ACROSS = frozenset(("lat", "lateral", "y", "z", "vert", "vertical"))
_RULES: tuple[tuple[str, frozenset[str], frozenset[str], frozenset[str]], ...] = tuple(
    (channel, frozenset(every.split()), frozenset(some.split()), frozenset(none.split()))
    for channel, every, some, none in (
        # channel, words that must all be there, of which one must be there, that must not be there
        ("accelerator", "", "gas throttle accelerator gaspedal fahrpedal", ""),
        ("accelerator", "accel pedal", "accel", ""),
        ("brake", "", "brake braking brakepedal bremse bremspedal", "light lamp lead"),
        (
            "steering_angle",
            "",
            "wheel steer steering swa lenkrad lenkwinkel lenkradwinkel",
            "rate torque speed front rear width",
        ),
        ("yaw_rate", "rate", "yaw heading psi", ""),
        ("yaw_rate", "", "yawrate", ""),
        ("lane_width", "width", "lane", ""),
        ("lane_offset", "lane", "dev deviation offset pos position lateral error", "yaw width id number"),
        (
            "heading",
            "",
            "heading yaw hdg psi compass angle kurs gierwinkel",
            "rate lane wheel steer steering pitch roll",
        ),
        ("station", "", "station chainage roadpos", ""),
        ("station", "road", "pos position s dist distance", "lat lateral"),
        ("accel", "", "accel acceleration acc ax beschleunigung", "pedal lat lateral y z vert vertical yaw"),
        ("speed", "", "speed velocity vel v geschwindigkeit", "x y z yaw wheel limit wind engine set lat lateral"),
        ("length", "", "length len", "lane road"),
        ("width", "", "width", "lane road"),
        ("lane", "", "lane laneid", "dev deviation offset pos position width yaw"),
        ("x", "", "x east easting", "vel acc accel speed velocity base platform gaze head eye"),
        ("y", "", "y north northing", "vel acc accel speed velocity base platform gaze head eye"),
    )
)
_TIME = frozenset("time t simtime timestamp clock sec secs zeit temps tiempo tempo tijd tid".split())
_NOT_TIME = frozenset(
    (
        "day wall unix utc gmt zone delay step delta dt ttc gap headway collision response reaction brake since until "
        "lane to remaining duration frame lap"
    ).split()
)
_OF_SIMULATION = frozenset(("sim", "simtime", "simulation", "scenario", "drive", "run"))
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
    signals: dict[str, Guess] = field(default_factory=dict)
    """Those of the study that the source has under the same name."""
    left: list[str] = field(default_factory=list)


def words_of(name: str) -> list[str]:
    """The words in a name: "EgoPosX" and "ego_pos_x" are both ego, pos, x."""
    return [word.lower() for word in _WORD.findall(_UNIT_IN_BRACKETS.sub("", name))]


def time_names(names: Iterable[str]) -> list[str]:
    """The names that may be simulation time, the likeliest first."""
    found = []
    for place, name in enumerate(names):
        words = set(words_of(name))
        if _TIME & words and not _NOT_TIME & words:
            found.append((not _OF_SIMULATION & words, len(words), place, name))
    return [name for *_, name in sorted(found)]


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


def guess_names(names: Iterable[str], time: str | None, signals: Iterable[str] = ()) -> Guesses:
    """The names sorted to channels. The first name that fits a channel gets it.

    `time`: the name of simulation time, where one is known. `signals`: those that a study declares; a name of the same
    words is that signal.
    """
    guesses = Guesses(time=None if time is None else Guess(time, unit_in(time)))
    groups: dict[str, dict[str, Guess]] = {}
    wanted = {"".join(words_of(signal)): signal for signal in signals}
    for name in names:
        if name == time:
            continue
        words = words_of(name)
        signal = wanted.get("".join(words)) or wanted.get("".join(word for word in words if word not in OWN_WORDS))
        if signal is not None and signal not in guesses.signals:
            guesses.signals[signal] = Guess(name, unit_in(name))
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
            plain = len(words) == 1 or first in every | some or first in NO_VEHICLE
            return ("" if plain else first), channel
    return "", None

"""The names that a study file may refer to, and what a `measure` in it means."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from monitor.measures.arrival import Point
from monitor.measures.columns import OTHER_CHANNELS
from monitor.measures.names import MEASURES
from monitor.study.model import Signal
from monitor.study.terms import Event, Measure
from monitor.tables.faults import Faults, Path, listed, quoted

ROLE_CHANNELS: Mapping[str, str] = {name: MEASURES[name].unit for name in OTHER_CHANNELS}
"""Channel of a vehicle in a role → unit; a study writes `lead.speed`."""

LEAD = "lead"
"""The role that the monitor fills itself; every other one is declared."""


@dataclass(frozen=True, slots=True)
class Names:
    """What a study file declares. None: that section is faulty, so that any name must be let through.

    A signal or point whose own section is faulty is None: known by name, but not what it is.
    """

    roles: tuple[str, ...] | None
    signals: Mapping[str, Signal | None] | None
    scenarios: tuple[str, ...] | None
    modalities: tuple[str, ...] | None
    points: Mapping[str, Point | None] | None = None
    triggers: tuple[str, ...] | None = None

    def check_role(self, role: str, path: Path, faults: Faults) -> bool:
        """Whether the role may be used; adds a fault where it is not declared."""
        if self.roles is None or role in self.roles:
            return True
        faults.add_misspelt(path, role, self.roles, expected='"lead" or a role declared in [roles]')
        return False

    def is_scripted(self, measure: Measure) -> bool:
        """Whether a measure is of something scripted alone."""
        return is_scripted(measure, self.signals or {})


def is_scripted(measure: Measure, signals: Mapping[str, Signal | None]) -> bool:
    """Whether a measure is of something scripted alone: a vehicle in a role, an alert, a task, the platform; what the
    driver does has no part in it."""
    if measure.kind == "role" or (measure.kind == "pair" and measure.from_role is not None):
        return True
    if measure.kind == "point":
        return measure.role is not None
    if measure.kind == "event":
        return measure.event is not None and measure.event.kind != "collision"
    signal = signals.get(measure.name) if measure.kind == "signal" else None
    return signal is not None and signal.source != "driver"


MAY_HAVE: Mapping[str, tuple[str, ...]] = {
    "role": ("pair", "point"),
    "from_role": ("pair",),
    "over_s": ("rolling",),
    "point": ("point",),
    "event": ("event",),
    "named": ("event",),
}
"""Key → the kinds of measures that it belongs to."""

NEEDS: Mapping[str, tuple[tuple[str, str, str | None], ...]] = {
    "pair": (
        (
            "role",
            "a role, because {} is between the own car and another vehicle",
            'for the vehicle ahead write role = "lead"',
        ),
    ),
    "rolling": (("over_s", "the seconds that {} is taken over", None),),
    "point": (("point", "a point declared in [points], because {} is to a fixed point", None),),
    "event": (("event", "the kind of marker that {} counts from", 'such as event = "trigger" with named = "…"'),),
}
"""Kind of measure → the keys that it needs: what is expected, and a hint."""


def read_measure(section: Mapping[str, Any], path: Path, names: Names, faults: Faults) -> Measure | None:
    """The measure of a condition or term, from its keys `measure`, `role`, `over_s` …; None where it has a fault."""
    text = section["measure"]
    measure = _named_measure(text, path, names, faults)
    if measure is None:
        return None
    for key, kinds in MAY_HAVE.items():
        if key in section and measure.kind not in kinds:
            _refuse(key, section, measure, path, faults)
    for key, expected, hint in NEEDS.get(measure.kind, ()):
        if key not in section:
            faults.add((*path, key), expected=expected.format(text), found="nothing, the key is missing", hint=hint)
    for key in ("role", "from_role"):
        if key in section and measure.kind in MAY_HAVE[key]:
            names.check_role(section[key], (*path, key), faults)
    if measure.kind == "pair" and section.get("role") is not None and section.get("role") == section.get("from_role"):
        faults.add((*path, "from_role"), expected="another role than role", found=quoted(section["role"]))
    if "rate_over_s" in section and measure.kind in ("rolling", "event"):
        found = f"it with {quoted(text)}"
        faults.add((*path, "rate_over_s"), expected="rate_over_s with a value of each frame", found=found)
    point, event = _read_point(section, path, names, faults), _read_event(section, path, names, faults)
    if faults.under(path):
        return None
    rate_over_s = section.get("rate_over_s")
    unit = measure.unit if rate_over_s is None else _rate_unit(measure.unit)
    role = section.get("role") if measure.kind in MAY_HAVE["role"] else measure.role
    return replace(
        measure,
        role=role,
        unit=unit,
        over_s=section.get("over_s"),
        from_role=section.get("from_role"),
        point=point,
        event=event,
        rate_over_s=rate_over_s,
    )


def check_names(value: object, path: Path, names: Names, faults: Faults) -> None:
    """The names of a section, and of those in it, that has a fault and is read no further: each that nothing has is
    told with it. What else could be wrong depends on the rest of the section, and waits until it is whole."""
    if isinstance(value, tuple):
        for index, one in enumerate(value):
            check_names(one, (*path, index), names, faults)
    if not isinstance(value, dict):
        return
    for key, one in value.items():
        if key == "measure" and one is not None:
            _named_measure(one, path, names, faults)
        elif key in ("role", "from_role") and one is not None:
            names.check_role(one, (*path, key), faults)
        else:
            check_names(one, (*path, key), names, faults)
    _read_point(value, path, names, faults)
    _read_event(value, path, names, faults)


def _refuse(key: str, section: Mapping[str, Any], measure: Measure, path: Path, faults: Faults) -> None:
    at, text = (*path, key), measure.text
    if key == "role":
        faults.add(at, expected=f"no role, because {text} needs none", found=quoted(section[key]))
        return
    fitting = listed((name for name, known in MEASURES.items() if known.kind in MAY_HAVE[key]), "and")
    faults.add(at, expected=f"{key} only with {fitting}", found=f"it with {quoted(text)}")


def _rate_unit(unit: str) -> str:
    """The unit of a rate of change per second."""
    return {"": "1/s", "s": "", "m": "m/s", "m/s": "m/s²", "rad": "rad/s"}.get(unit, f"{unit}/s")


def _read_point(section: Mapping[str, Any], path: Path, names: Names, faults: Faults) -> Point | None:
    name = section.get("point")
    if name is None or names.points is None or faults.at((*path, "point")):
        return None
    if name not in names.points:
        faults.add_misspelt((*path, "point"), name, names.points, expected="a point declared in [points]")
        return None
    return names.points[name]


def _read_event(section: Mapping[str, Any], path: Path, names: Names, faults: Faults) -> Event | None:
    kind, name = section.get("event"), section.get("named")
    if kind is None:
        return None
    if kind == "trigger" and name is not None and names.triggers is not None and name not in names.triggers:
        faults.add_misspelt((*path, "named"), name, names.triggers, expected="the name of a trigger of this study")
    return Event(kind, name)


def _named_measure(text: str, path: Path, names: Names, faults: Faults) -> Measure | None:
    at = (*path, "measure")
    if names.signals is not None and text in names.signals:
        signal = names.signals[text]
        return None if signal is None else Measure("signal", text, None, signal.unit)
    if text in MEASURES:
        return Measure(MEASURES[text].kind, text, None, MEASURES[text].unit)
    role, dot, channel = text.partition(".")
    if dot and (names.roles is None or role in names.roles) and channel in ROLE_CHANNELS:
        return Measure("role", channel, role, ROLE_CHANNELS[channel])
    if dot and names.roles is not None and role in names.roles and channel in MEASURES:
        hint = f"write measure = {quoted(channel)}"
        if MEASURES[channel].kind == "pair":
            hint += f", role = {quoted(role)}"
        faults.add(at, expected="a channel of that vehicle after the dot", found=quoted(text), hint=hint)
        return None
    if role == "own" and channel in MEASURES:
        hint = f"write measure = {quoted(channel)}"
        faults.add(at, expected="no dot for a measure of the own car", found=quoted(text), hint=hint)
        return None
    if names.signals is None or (dot and names.roles is None):
        return None
    options = [*MEASURES, *names.signals, *(f"{one}.{name}" for one in names.roles or () for name in ROLE_CHANNELS)]
    expected = "a measure, ROLE.CHANNEL or a signal declared in [signals]"
    faults.add_misspelt(at, text, options, expected=expected)
    return None

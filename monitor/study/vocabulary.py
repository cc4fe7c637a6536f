"""The names that a study file may refer to, and what a `measure` in it means."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from monitor.measures.columns import OTHER_CHANNELS
from monitor.measures.names import MEASURES
from monitor.study.model import Measure, Signal
from monitor.tables.faults import Faults, Path, listed, quoted

ROLE_CHANNELS: Mapping[str, str] = {name: MEASURES[name].unit for name in OTHER_CHANNELS}
"""Channel of a vehicle in a role → unit; a study writes `lead.speed`."""

LEAD = "lead"
"""The role that the monitor fills itself; every other one is declared."""


@dataclass(frozen=True, slots=True)
class Names:
    """What a study file declares. None: that section is faulty, so that any name must be let through.

    A signal whose own section is faulty is None in `signals`: known by name, but not by source.
    """

    roles: tuple[str, ...] | None
    signals: Mapping[str, Signal | None] | None
    scenarios: tuple[str, ...] | None
    modalities: tuple[str, ...] | None

    def check_role(self, role: str, path: Path, faults: Faults) -> bool:
        """Whether the role may be used; adds a fault where it is not declared."""
        if self.roles is None or role in self.roles:
            return True
        faults.add_misspelt(path, role, self.roles, expected='"lead" or a role declared in [roles]')
        return False


def read_measure(section: Mapping[str, Any], path: Path, names: Names, faults: Faults) -> Measure | None:
    """The measure of a condition or term, from its keys `measure`, `role` and `over_s`; None where it has a fault."""
    text, role, over_s = section["measure"], section.get("role"), section.get("over_s")
    measure = _named_measure(text, path, names, faults)
    if measure is None:
        return None
    if measure.kind == "pair":
        if role is None:
            faults.add(
                (*path, "role"),
                expected=f"a role, because {text} is between the own car and another vehicle",
                found="nothing, the key is missing",
                hint='for the vehicle ahead write role = "lead"',
            )
        elif names.check_role(role, (*path, "role"), faults):
            measure = Measure("pair", text, role, measure.unit)
    elif role is not None:
        faults.add((*path, "role"), expected=f"no role, because {text} needs none", found=quoted(role))
    if measure.kind == "rolling":
        if over_s is None:
            faults.add(
                (*path, "over_s"),
                expected=f"the seconds that {text} is taken over",
                found="nothing, the key is missing",
            )
        else:
            measure = Measure("rolling", text, None, measure.unit, over_s)
    elif over_s is not None:
        rolling = listed((name for name, known in MEASURES.items() if known.kind == "rolling"), "and")
        faults.add((*path, "over_s"), expected=f"over_s only with {rolling}", found=f"it with {quoted(text)}")
    return None if faults.under(path) else measure


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

"""One channel or signal of a channel map: where its number comes from, and what makes it the feed's."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from monitor.connect.channel_map.model import Presence, Reading, SignalReading
from monitor.connect.channel_map.shape import DIMENSIONS
from monitor.connect.channel_map.units import SI, Unit, unit_named, unit_texts
from monitor.connect.channel_map.values import code_in
from monitor.tables.faults import Faults, Path, listed, quoted

WAYS = ("from", "components", "constant", "not_measured")


def build_reading(section: Mapping[str, Any], channel: str, path: Path, faults: Faults) -> Reading | None:
    """The reading of a channel (or of "time"); None where it has a fault."""
    dimension = "time" if channel == "time" else DIMENSIONS[channel]
    factor = 1.0
    unit_text = section.get("unit")
    if unit_text is not None:
        unit = need_known_unit(unit_text, dimension, (*path, "unit"), faults)
        factor = unit.factor if unit else 1.0
    return _reading(section, channel, path, factor, faults)


def build_signal(section: Mapping[str, Any], path: Path, faults: Faults) -> SignalReading | None:
    """The reading of a signal, and its unit in the hello: the SI unit of its dimension, or `unit_text` as it stands."""
    unit_text, free = section.get("unit"), section.get("unit_text")
    if unit_text is not None and free is not None:
        faults.add((*path, "unit_text"), expected="either unit or unit_text", found="both of them")
        return None
    factor, shown = 1.0, free or ""
    if unit_text is not None:
        unit = unit_named(unit_text)
        if unit is None:
            hint = f"a unit that stays as it is goes into unit_text = {quoted(unit_text)}"
            faults.add((*path, "unit"), expected="a unit that is known here", found=quoted(unit_text), hint=hint)
            return None
        factor, shown = unit.factor, SI[unit.dimension]
    reading = _reading(section, None, path, factor, faults)
    return None if reading is None else SignalReading(reading, shown)


def build_time(section: Mapping[str, Any] | None, path: Path, faults: Faults) -> Reading | None:
    """The reading of [time] or of its `wall`; None where it has a fault, or is not there."""
    if section is None:
        return None
    reading = build_reading(section, "time", path, faults)
    nanoseconds = section.get("nanoseconds")
    if reading is None or nanoseconds is None:
        return reading
    if reading.scale != 1.0:
        expected = "whole seconds beside it, without unit or scale"
        faults.add((*path, "nanoseconds"), expected=expected, found="a time in another unit")
        return None
    return replace(reading, nanoseconds=nanoseconds)


def build_presence(section: Mapping[str, Any] | None, path: Path, faults: Faults) -> Presence | None:
    """What says that a vehicle is there."""
    if section is None or section.get("from") is None:
        return None
    return Presence(section["from"], build_mask(section, path, faults))


def build_mask(section: Mapping[str, Any], path: Path, faults: Faults) -> int | None:
    """The bits that `bit` or `mask` states; None where neither is there."""
    bit, mask = section.get("bit"), section.get("mask")
    if bit is not None and mask is not None:
        faults.add((*path, "bit"), expected="either bit or mask", found="both of them")
        return None
    return 1 << int(bit) if bit is not None else mask


def need_known_unit(text: str, dimension: str | None, path: Path, faults: Faults) -> Unit | None:
    """The unit of a text; adds a fault where it is not known, or is no unit of this dimension."""
    unit = unit_named(text)
    if dimension is None:
        faults.add(path, expected="no unit, because this is a plain number", found=quoted(text))
        return None
    known = unit_texts(dimension)
    what = "a share" if dimension == "share" else f"a unit of {dimension}"
    if unit is None:
        # No guess by letters: kmph is nearer to mph by its letters, and means another unit.
        faults.add(path, expected=what, found=quoted(text), hint=f"known here: {listed(known, 'and')}")
        return None
    if unit.dimension != dimension:
        found = f"{quoted(text)}, a {'share' if unit.dimension == 'share' else f'unit of {unit.dimension}'}"
        faults.add(path, expected=what, found=found, hint=f"known here: {listed(known, 'and')}")
        return None
    return unit


def _reading(
    section: Mapping[str, Any], channel: str | None, path: Path, factor: float, faults: Faults
) -> Reading | None:
    given = [way for way in WAYS if section.get(way) is not None and section.get(way) is not False]
    ways = [way for way in WAYS if channel is not None or way in ("from", "constant")]
    if faults.under(path):
        return None
    if len(given) != 1:
        found = listed(given, "and") if given else "none of them"
        faults.add(path, expected=f"one of {listed(ways)}", found=found)
        return None
    (way,) = given
    if way != "from" and section.get("values"):
        faults.add((*path, "values"), expected="it only beside from", found=f"it beside {way}")
        return None
    if way != "from" and (section.get("bit") is not None or section.get("mask") is not None):
        faults.add((*path, "bit"), expected="it only beside from", found=f"it beside {way}")
        return None
    scale, offset = section.get("scale", 1.0) * factor, section.get("offset", 0.0) * factor
    if way == "not_measured":
        return Reading(constant=math.nan)
    if way == "constant":
        return Reading(constant=section["constant"] * scale + offset)
    if way == "components":
        if channel not in ("speed", "accel"):
            expected = "from, because only speed and accel are made of components"
            faults.add((*path, "components"), expected=expected, found="components")
            return None
        if offset:
            faults.add((*path, "offset"), expected="no offset beside components", found=f"the number {offset:g}")
            return None
        first, second = section["components"]
        return Reading(components=(first, second), scale=scale)
    values = section.get("values")
    return Reading(
        name=section["from"],
        scale=scale,
        offset=offset,
        values=None if values is None else {code_in(code): number for code, number in values.items()},
        mask=build_mask(section, path, faults),
    )

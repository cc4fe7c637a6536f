"""From the checked tables of a channel map to a `ChannelMap`: what its sections mean, and how they fit together."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from monitor.connect.channel_map.model import (
    Axes,
    ChannelMap,
    JoinRule,
    NamedVehicle,
    Reference,
    RoadConstant,
    RunRule,
    Sequence,
    VehicleChannels,
    VehicleRows,
)
from monitor.connect.channel_map.readings import (
    build_presence,
    build_reading,
    build_signal,
    build_time,
    need_known_unit,
)
from monitor.connect.channel_map.rules import build_markers
from monitor.connect.channel_map.shape import OTHER_NAMES, OWN_NAMES
from monitor.connect.channel_map.source import build_source, check_names
from monitor.feed.schema import OTHERS_REQUIRED, OWN_REQUIRED
from monitor.tables.faults import Faults, Path


def build_map(root: Mapping[str, Any], faults: Faults, *, text: str, sha256: str, path: str) -> ChannelMap | None:
    """The map, or None where `faults` has any. `root`: the sections as the checker cleaned them."""
    axes = _axes(root.get("axes") or {})
    source = build_source(root.get("source"), faults)
    time_section = root.get("time")
    time = wall = None
    if time_section is not None:
        time = build_time(time_section, ("time",), faults)
        wall = build_time(time_section.get("wall"), ("time", "wall"), faults)
    own = _vehicle(root.get("own"), OWN_NAMES, OWN_REQUIRED, ("own",), faults)
    vehicles = _named_vehicles(root.get("vehicle") or (), faults)
    rows = _vehicle_rows(root.get("vehicles"), faults)
    signals = {
        name: build_signal(section, ("signals", name), faults)
        for name, section in (root.get("signals") or {}).items()
        if section is not None
    }
    markers = build_markers(root.get("marker") or (), source, faults)
    run = _run(root.get("run") or {}, faults)
    sequence = root.get("sequence")
    road = _road(root.get("road"), axes, faults)
    join = _join(root, faults)
    check_names(source, root, faults)
    if faults or source is None or time is None:
        return None
    feed = root["feed"]
    return ChannelMap(
        feed_source=feed["source"],
        rate_hz=feed["rate_hz"],
        source=source,
        time=time,
        wall=wall,
        sequence=Sequence(sequence["from"], sequence.get("wraps_at")) if sequence else None,
        run=run,
        axes=axes,
        own=own,
        join=join,
        vehicles=vehicles,
        rows=rows,
        signals={name: one for name, one in signals.items() if one is not None},
        markers=markers,
        road=road,
        cautions=tuple(_cautions(own)),
        text=text,
        sha256=sha256,
        path=path,
    )


def _axes(section: Mapping[str, Any]) -> Axes:
    y_sign = -1.0 if section.get("y") == "right of x" else 1.0
    way = section.get("heading") or "counter-clockwise from x"
    turn, _, axis = way.partition(" from ")
    if axis == "north":  # x north and y east where y is right of x; else x east and y north
        axis = "y" if y_sign > 0 else "x"
    return Axes(
        y_sign=y_sign,
        heading_zero=y_sign * math.pi / 2 if axis == "y" else 0.0,
        heading_sign=-1.0 if turn == "clockwise" else 1.0,
        lane_offset_sign=_side(section.get("lane_offset")),
        yaw_rate_sign=_side(section.get("yaw_rate")),
        steering_angle_sign=_side(section.get("steering_angle")),
    )


def _side(word: str | None) -> float:
    return -1.0 if word == "right" else 1.0


def _vehicle(
    section: Mapping[str, Any] | None,
    names: tuple[str, ...],
    required: tuple[str, ...],
    path: Path,
    faults: Faults,
) -> VehicleChannels | None:
    if section is None:
        return None
    channels = {}
    for name in names:
        one = section.get(name)
        if one is not None:
            reading = build_reading(one, name, (*path, name), faults)
            if reading is not None:
                channels[name] = reading
        elif name in required and name not in section and not faults.at((*path, name)):
            hint = f"write {name} = {{ not_measured = true }} where the source does not have it"
            faults.add((*path, name), expected="the channel", found="nothing, the key is missing", hint=hint)
    reference: Reference = section.get("reference") or "centre"
    axle_m = section.get("axle_to_centre_m")
    if reference.endswith("axle") and axle_m is None and not faults.at((*path, "axle_to_centre_m")):
        expected = f"the metres from the {reference} to the box's centre"
        faults.add((*path, "axle_to_centre_m"), expected=expected, found="nothing, the key is missing")
    return VehicleChannels(channels, reference, axle_m or 0.0)


def _named_vehicles(sections: Any, faults: Faults) -> tuple[NamedVehicle, ...]:
    vehicles: list[NamedVehicle] = []
    for index, section in enumerate(sections):
        path: Path = ("vehicle", index)
        parts = _vehicle(section, OTHER_NAMES, OTHERS_REQUIRED, path, faults)
        number = (section or {}).get("id")
        if parts is None or number is None:
            continue
        if any(one.id == number for one in vehicles):
            faults.add((*path, "id"), expected="each id once", found=f"the number {number} a second time")
        present = build_presence(section.get("present"), (*path, "present"), faults)
        vehicles.append(NamedVehicle(number, section.get("name"), parts, present))
    return tuple(vehicles)


def _vehicle_rows(section: Mapping[str, Any] | None, faults: Faults) -> VehicleRows | None:
    parts = _vehicle(section, OTHER_NAMES, OTHERS_REQUIRED, ("vehicles",), faults)
    if section is None or parts is None or faults.under(("vehicles",)):
        return None
    return VehicleRows(
        rows=section["rows"],
        id=section.get("id"),
        name=section.get("name"),
        parts=parts,
        present=build_presence(section.get("present"), ("vehicles", "present"), faults),
        leave_out=tuple(section.get("leave_out") or ()),
        own_id=section.get("own_id"),
    )


def _run(section: Mapping[str, Any], faults: Faults) -> RunRule:
    for name in ("participant", "group", "scenario"):
        if section.get(name) is not None and section.get(f"{name}_from") is not None:
            expected = f"either {name} or {name}_from"
            faults.add(("run", f"{name}_from"), expected=expected, found="both of them")
    for table, name in (("groups", "group_from"), ("scenarios", "scenario_from")):
        if section.get(table) and section.get(name) is None and not faults.at(("run", name)):
            faults.add(("run", table), expected=f"it only beside {name}", found=f"no {name}")
    known = {name: section[name] for name in RunRule.__slots__ if section.get(name) is not None}
    return RunRule(**known)


def _road(section: Mapping[str, Any] | None, axes: Axes, faults: Faults) -> RoadConstant | None:
    if section is None or faults.under(("road",)):
        return None
    unit = need_known_unit(section.get("unit", "m"), "length", ("road", "unit"), faults)
    x, y = section["x"], section["y"]
    if len(x) != len(y):
        faults.add(("road", "y"), expected=f"as many vertices as x, {len(x)}", found=f"a list of {len(y)}")
    elif len(set(zip(x, y, strict=True))) < 2:
        faults.add(("road", "x"), expected="two different vertices or more", found=f"a list of {len(x)}")
    if unit is None or faults.under(("road",)):
        return None
    return RoadConstant(
        tuple(one * unit.factor for one in x),
        tuple(one * unit.factor * axes.y_sign for one in y),
        section["lane_width"] * unit.factor,
        section["lanes"],
    )


def _join(root: Mapping[str, Any], faults: Faults) -> JoinRule | None:
    """How a further source is joined: a map without [own], which then has signals and markers only."""
    if "own" in root:
        if "join" in root:
            faults.add(("join",), expected="it only in a map without [own]", found="both of them")
        return None
    for name in ("vehicle", "vehicles", "axes", "road", "sequence"):
        if name in root:
            expected = "it only beside [own]: a further source has signals and markers"
            faults.add((name,), expected=expected, found="no [own]")
    return JoinRule(**{name: one for name, one in (root.get("join") or {}).items() if one is not None})


def _cautions(own: VehicleChannels | None) -> list[str]:
    """What the map leaves inexact."""
    if (
        own is None
        or own.reference == "centre"
        or "lane_offset" not in own.channels
        or "heading_in_lane" in own.channels
    ):
        return []
    return [
        f"lane_offset is that of the {own.reference}, and no heading_in_lane says how the car points in its lane: "
        "it is passed on as it is, which is off by the distance to the centre times the sine of that angle."
    ]

"""Loads a channel map: a `ChannelMap` that is right in every point, or every fault of the file at once."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from monitor.connect.channel_map.building import build_map
from monitor.connect.channel_map.model import ChannelMap
from monitor.connect.channel_map.shape import CHANNEL_MAP, OWN_NAMES
from monitor.connect.channel_map.values import text_in
from monitor.errors import MapFaults
from monitor.feed.schema import OWN_REQUIRED
from monitor.tables.checker import check_value
from monitor.tables.reading import parse_file, read_file

OSI_OWN = (
    *OWN_REQUIRED,
    "yaw_rate",
    "station",
    "lane_offset",
    "lane_width",
    "steering_angle",
    "accelerator",
    "brake",
)
"""Channels of the own car that messages of ASAM OSI may give."""


def load_map(path: Path | str) -> ChannelMap:
    """The channel map in a file. Raises `MapFaults` where it cannot be read or has faults: all are listed."""
    raw, text = read_file(path, MapFaults)
    return _parse(text, str(path), hashlib.sha256(raw).hexdigest())


def parse_map(text: str, path: str = "channel map") -> ChannelMap:
    """The channel map in a text; `path` names it in messages. Raises `MapFaults` with all faults."""
    return _parse(text, path, hashlib.sha256(text.encode("utf-8")).hexdigest())


def _parse(text: str, path: str, sha256: str) -> ChannelMap:
    raw, faults = parse_file(text, path, MapFaults)
    _lengthen(raw)
    _fill_in_osi(raw)
    root: dict[str, Any] = check_value(raw, CHANNEL_MAP, (), faults)
    built = build_map(root, faults, text=text, sha256=sha256, path=path)
    if built is None:
        raise MapFaults(path, faults.sentences())
    return built


def _lengthen(raw: dict[str, Any]) -> None:
    """Short forms written out: `x = "EgoX"` is `x = { from = "EgoX" }`, `becomes = 3` is `becomes = "3"`."""
    listed_vehicles = raw.get("vehicle")
    sections = [raw.get("own"), raw.get("vehicles"), *(listed_vehicles if isinstance(listed_vehicles, list) else [])]
    for section in sections:
        _texts_to_readings(section, (*OWN_NAMES, "present"))
    time = raw.get("time")
    if isinstance(time, dict) and isinstance(time.get("wall"), str):
        time["wall"] = {"from": time["wall"], **({"unit": time["unit"]} if "unit" in time else {})}
    signals = raw.get("signals")
    if isinstance(signals, dict):
        _texts_to_readings(signals, tuple(signals))
    markers = raw.get("marker")
    for marker in markers if isinstance(markers, list) else []:
        value = marker.get("becomes") if isinstance(marker, dict) else None
        if isinstance(value, int | float):
            marker["becomes"] = text_in(value)


def _fill_in_osi(raw: dict[str, Any]) -> None:
    """What ASAM OSI defines of itself need not be mapped: sections and channels that are left out are filled in."""
    source = raw.get("source")
    if not isinstance(source, dict) or source.get("kind") != "osi":
        return
    raw.setdefault("time", {"from": "t"})
    own = raw.setdefault("own", {})
    if isinstance(own, dict):
        for name in OSI_OWN:
            own.setdefault(name, {"from": f"own.{name}"})
    raw.setdefault("vehicles", {"rows": "others", "id": "id", "name": "name"})
    vehicles = raw["vehicles"]
    if isinstance(vehicles, dict):
        for name in OWN_REQUIRED:
            vehicles.setdefault(name, {"from": name})


def _texts_to_readings(section: Any, names: tuple[str, ...]) -> None:
    if isinstance(section, dict):
        for name in names:
            if isinstance(section.get(name), str):
                section[name] = {"from": section[name]}

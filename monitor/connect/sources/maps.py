"""A message that is one map: msgpack or JSON, within limits."""

from __future__ import annotations

import json
from typing import Any

import msgpack

from monitor.connect.channel_map.model import Format

NAMES: dict[Format, str] = {"msgpack": "msgpack", "json": "JSON"}


class MapRefused(ValueError):
    """Raised for bytes that are no such map; its text is one sentence without an end."""


def read_map(payload: bytes, written: Format) -> dict[str, Any]:
    """The map in a message. Raises `MapRefused`."""
    try:
        values: Any
        if written == "json":
            values = json.loads(payload)
        else:
            values = msgpack.unpackb(payload, raw=False, strict_map_key=False, timestamp=0)
    except Exception as error:  # both libraries raise errors of many classes, and all of them mean the same here
        name = NAMES[written]
        raise MapRefused(f"a message of {len(payload)} bytes is no {name} ({type(error).__name__})") from error
    if not isinstance(values, dict):
        raise MapRefused(f"a message is no map but {type(values).__name__}")
    return values


def format_of(payload: bytes) -> Format | None:
    """In which of the formats a message is a map; None: in neither."""
    for written in NAMES:
        try:
            read_map(payload, written)
        except MapRefused:
            continue
        return written
    return None

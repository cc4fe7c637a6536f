"""The [source] section of a channel map, and whether the names that a map uses are names that its source gives."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator, Mapping
from typing import Any

from monitor.connect.channel_map.layout import layout_names, read_layout, row_names
from monitor.connect.channel_map.model import (
    CsvSource,
    Layout,
    LslSource,
    OsiSource,
    Source,
    UdpSource,
    ZmqSource,
)
from monitor.connect.channel_map.shape import OTHER_NAMES
from monitor.tables.faults import Faults, Path, listed, quoted

KEYS = {
    "zmq": ("connect", "topics", "frame_topic", "format"),
    "udp": ("listen", "interface", "format", "byte_order", "fields", "size", "must_be", "rows"),
    "csv": ("delimiter", "decimal", "skip_lines", "units_line", "missing", "encoding"),
    "lsl": ("stream", "type", "source_id", "host", "channels"),
    "osi": ("message", "connect", "topic", "listen", "interface", "host_id"),
}
"""Kind of source → the keys beside `kind` that it takes."""

MISSING = ("", "NA", "N/A", "n/a", "nan", "NaN", "null", "-")
"""Texts of a CSV cell that mean "not measured" unless the map says otherwise."""

PACKED = ("byte_order", "fields", "size", "must_be", "rows")
"""The keys of a packed structure."""

_LISTEN = re.compile(r"(?P<host>[0-9]{1,3}(?:\.[0-9]{1,3}){3}):(?P<port>[0-9]{1,5})")


def build_source(section: Mapping[str, Any] | None, faults: Faults) -> Source | None:
    """The source; None where it has a fault."""
    if section is None or section.get("kind") is None:
        return None
    kind = section["kind"]
    for key in section:
        if key != "kind" and key not in KEYS[kind]:
            hint = f"that kind has {listed(KEYS[kind], 'and')}"
            faults.add(
                ("source", key), expected=f"a key of a source of kind {quoted(kind)}", found=quoted(key), hint=hint
            )
    match kind:
        case "zmq":
            topics = section.get("topics") or ("",)
            return ZmqSource(
                section.get("connect"), topics, section.get("frame_topic"), section.get("format") or "msgpack"
            )
        case "udp":
            return _datagrams(section, faults)
        case "lsl":
            return _stream(section, faults)
        case "osi":
            return _osi(section, faults)
        case _:
            return _table(section, faults)


def _datagrams(section: Mapping[str, Any], faults: Faults) -> UdpSource | None:
    _check_addresses(section, faults)
    whole = section.get("format")
    if whole is not None:
        for key in PACKED:
            if key in section:
                faults.add(
                    ("source", key),
                    expected="either format or a packed structure",
                    found=f"{quoted(key)} beside format = {quoted(whole)}",
                )
        return UdpSource(section.get("listen"), section.get("interface") or "127.0.0.1", whole)
    layout = read_layout(section, ("source",), faults)
    if layout is None:
        return None
    return UdpSource(section.get("listen"), section.get("interface") or "127.0.0.1", layout)


def _check_addresses(section: Mapping[str, Any], faults: Faults) -> None:
    for key in ("listen", "interface"):
        text = section.get(key)
        if text is not None and not (is_listen(text) if key == "listen" else is_listen(f"{text}:1")):
            expected = "ADDRESS:PORT, numbers only" if key == "listen" else "an address, numbers only"
            faults.add(("source", key), expected=expected, found=quoted(text))


def _stream(section: Mapping[str, Any], faults: Faults) -> LslSource | None:
    if section.get("stream") is None:
        if not faults.at(("source", "stream")):
            faults.add(("source", "stream"), expected="the stream's name", found="nothing, the key is missing")
        return None
    return LslSource(
        section["stream"],
        section.get("type"),
        section.get("source_id"),
        section.get("host"),
        tuple(section.get("channels") or ()),
    )


def _osi(section: Mapping[str, Any], faults: Faults) -> OsiSource:
    _check_addresses(section, faults)
    if section.get("connect") is not None and section.get("listen") is not None:
        faults.add(("source", "listen"), expected="either connect (ZeroMQ) or listen (UDP)", found="both of them")
    return OsiSource(
        section.get("message") or "GroundTruth",
        section.get("connect"),
        section.get("listen"),
        section.get("interface") or "127.0.0.1",
        section.get("topic"),
        section.get("host_id"),
    )


def _table(section: Mapping[str, Any], faults: Faults) -> CsvSource:
    encoding = section.get("encoding") or "utf-8-sig"
    try:
        codecs.lookup(encoding)
    except LookupError:
        faults.add(("source", "encoding"), expected="the name of a text encoding", found=quoted(encoding))
    delimiter, decimal = section.get("delimiter") or ",", section.get("decimal") or "."
    if delimiter == decimal:
        faults.add(("source", "decimal"), expected="another mark than the delimiter", found=quoted(decimal))
    missing = section.get("missing")
    return CsvSource(
        delimiter,
        decimal,
        section.get("skip_lines") or 0,
        bool(section.get("units_line")),
        MISSING if missing is None else missing,
        encoding,
    )


def is_listen(text: str) -> bool:
    """Whether a text is an IPv4 address and port to listen at."""
    match = _LISTEN.fullmatch(text)
    if match is None or not 0 <= int(match["port"]) < 65536:
        return False
    return all(int(part) < 256 for part in match["host"].split("."))


def check_names(source: Source | None, root: Mapping[str, Any], faults: Faults) -> None:
    """For a layout, every name that the map uses must be one that the packet gives; others are known only later. Held
    against it whatever else is wrong: `root` is as the checker cleaned it, with None for what is faulty."""
    if not isinstance(source, UdpSource) or not isinstance(source.layout, Layout):
        return
    layout = source.layout
    known = layout_names(layout)
    for path, name in _uses(root):
        if name not in known:
            faults.add_misspelt(path, name, known, expected="a name of the packet")
    vehicles = root.get("vehicles") or {}
    rows = vehicles.get("rows")
    if rows is None:
        return
    packed = next((one for one in layout.rows if one.name == rows), None)
    if packed is None:
        rows_known = [one.name for one in layout.rows]
        faults.add_misspelt(("vehicles", "rows"), rows, rows_known, expected="rows of the packet")
        return
    in_row = row_names(packed)
    for path, name in _row_uses(vehicles):
        if name not in in_row:
            faults.add_misspelt(path, name, in_row, expected=f"a name of a row of {quoted(packed.name)}")


def _uses(root: Mapping[str, Any]) -> Iterator[tuple[Path, str]]:
    """Every place of the map that names a value of the packet."""
    time = root.get("time") or {}
    for path, section in ((("time",), time), (("time", "wall"), time.get("wall") or {})):
        for key in ("from", "nanoseconds"):
            if section.get(key):
                yield (*path, key), section[key]
    if (root.get("sequence") or {}).get("from"):
        yield ("sequence", "from"), root["sequence"]["from"]
    for key in ("changes_with", "participant_from", "group_from", "scenario_from"):
        if (root.get("run") or {}).get(key):
            yield ("run", key), root["run"][key]
    if (root.get("vehicles") or {}).get("own_id"):
        yield ("vehicles", "own_id"), root["vehicles"]["own_id"]
    yield from _section_uses(root.get("own") or {}, ("own",))
    for name, section in (root.get("signals") or {}).items():
        yield from _section_uses({name: section}, ("signals",))
    for index, section in enumerate(root.get("vehicle") or ()):
        yield from _section_uses(section or {}, ("vehicle", index))
    for index, section in enumerate(root.get("marker") or ()):
        for key in ("from", "name_from", "time_from"):
            if (section or {}).get(key):
                yield ("marker", index, key), section[key]


def _section_uses(section: Mapping[str, Any], path: Path) -> Iterator[tuple[Path, str]]:
    for name, one in section.items():
        if isinstance(one, dict):
            if one.get("from"):
                yield (*path, name, "from"), one["from"]
            for index, component in enumerate(one.get("components") or ()):
                yield (*path, name, "components", index), component


def _row_uses(section: Mapping[str, Any]) -> Iterator[tuple[Path, str]]:
    for key in ("id", "name"):
        if section.get(key):
            yield ("vehicles", key), section[key]
    channels = {name: section[name] for name in (*OTHER_NAMES, "present") if section.get(name)}
    yield from _section_uses(channels, ("vehicles",))

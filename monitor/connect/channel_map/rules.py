"""The marker rules of a channel map: an edge, a count, a value or a message that becomes a marker."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from monitor.connect.channel_map.model import LslSource, MarkerRule, Source, ZmqSource
from monitor.connect.channel_map.readings import build_mask
from monitor.connect.channel_map.values import code_in
from monitor.feed.marker_kinds import KINDS
from monitor.tables.faults import Faults, Path

ALERTS = ("alert_on", "alert_off")


def build_markers(sections: Sequence[Any], source: Source | None, faults: Faults) -> tuple[MarkerRule, ...]:
    """The rules that have no fault, in the order of the file."""
    rules = []
    for index, section in enumerate(sections):
        path: Path = ("marker", index)
        if section is None or faults.under(path):
            continue
        _check(section, path, source, faults)
        if not faults.under(path):
            rules.append(_rule(section, path, faults))
    return tuple(rules)


def _check(section: Mapping[str, Any], path: Path, source: Source | None, faults: Faults) -> None:
    when = section["when"]
    if when == "received":
        if source is not None and not isinstance(source, ZmqSource | LslSource):
            expected = 'another when, because only a source of kind "zmq" or "lsl" has messages apart'
            faults.add((*path, "when"), expected=expected, found='"received"')
        elif section.get("topic") is None:
            faults.add((*path, "topic"), expected="the topic of the messages", found="nothing, the key is missing")
        if section.get("from") is not None and section.get("becomes") is None:
            faults.add((*path, "from"), expected="becomes beside it", found="no becomes")
    else:
        if section.get("from") is None:
            faults.add((*path, "from"), expected="the name to watch", found="nothing, the key is missing")
        if section.get("topic") is not None:
            faults.add((*path, "topic"), expected='it only with when = "received"', found=f'it with "{when}"')
        if section.get("name_from") is not None and when != "changes" and section.get("name") is not None:
            faults.add((*path, "name_from"), expected="either name or name_from", found="both of them")
    if when == "becomes" and section.get("becomes") is None:
        faults.add((*path, "becomes"), expected="the value", found="nothing, the key is missing")
    if section.get("becomes") is not None and when not in ("becomes", "received"):
        faults.add(
            (*path, "becomes"), expected='it only with when = "becomes" or "received"', found=f'it with "{when}"'
        )
    if when == "received":
        for key in ("bit", "mask", "empty"):
            if section.get(key) is not None:
                faults.add((*path, key), expected='another when than "received"', found='it with "received"')
    if section.get("names") is not None and when != "changes":
        faults.add((*path, "names"), expected='it only with when = "changes"', found=f'it with "{when}"')
    named = any(section.get(key) is not None for key in ("name", "name_from", "names"))
    if not named and KINDS[section["kind"]].needs_name:
        faults.add((*path, "name"), expected=f"the name of the {section['kind']}", found="nothing, the key is missing")
    if section["kind"] == "alert_on" and section.get("modality") is None:
        expected = 'what kind of alert it is, such as ["sound"]'
        faults.add((*path, "modality"), expected=expected, found="nothing, the key is missing")
    if section["kind"] not in ALERTS:
        for key in ("modality", "measured"):
            if section.get(key) is not None:
                faults.add(
                    (*path, key), expected="it only for alert_on and alert_off", found=f"it for {section['kind']}"
                )


def _rule(section: Mapping[str, Any], path: Path, faults: Faults) -> MarkerRule:
    becomes, names = section.get("becomes"), section.get("names")
    return MarkerRule(
        kind=section["kind"],
        name=section.get("name") or "",
        when=section["when"],
        source=section.get("from") or "",
        mask=build_mask(section, path, faults),
        empty_is_nothing=section.get("empty") != "as before",
        becomes=None if becomes is None else code_in(becomes),
        topic=section.get("topic"),
        name_from=section.get("name_from"),
        names=None if names is None else {code_in(code): name for code, name in names.items()},
        time_from=section.get("time_from"),
        modality=tuple(section.get("modality") or ()),
        measured=section.get("measured"),
    )

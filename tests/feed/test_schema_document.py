"""The document of the wire schema says what the code does: every key, kind and limit, and nothing that is not there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import monitor.feed
from monitor.feed import limits
from monitor.feed.decode import _FRAME_KEYS, _HELLO_KEYS, _MARKER_KEYS, _ROAD_KEYS
from monitor.feed.marker_kinds import KINDS
from monitor.feed.schema import OTHERS_OPTIONAL, OTHERS_REQUIRED, OWN_OPTIONAL, OWN_REQUIRED, RECENT_MARKERS, ClockTold

SCHEMA = (Path(monitor.feed.__file__).parent / "SCHEMA.md").read_text(encoding="utf-8")


def section(title: str) -> str:
    found = re.search(rf"^## {title}\n(.*?)(?=^## |\Z)", SCHEMA, re.DOTALL | re.MULTILINE)
    assert found is not None
    return found[1]


@pytest.mark.parametrize(
    ("title", "keys"),
    [
        ("hello", _HELLO_KEYS | _ROAD_KEYS | {"gives", "clock", *ClockTold._fields}),
        ("frame", _FRAME_KEYS | {*OWN_REQUIRED, *OWN_OPTIONAL, *OTHERS_REQUIRED, *OTHERS_OPTIONAL, "id", "name"}),
        ("marker", _MARKER_KEYS | set(KINDS)),
    ],
)
def test_every_key_stands_in_its_section(title: str, keys: frozenset[str]) -> None:
    assert sorted(key for key in keys if f"`{key}`" not in section(title)) == []


def test_each_kind_of_marker_has_its_row_as_the_table_of_kinds_has_it() -> None:
    lines = [line for line in section("marker").splitlines() if line.endswith((" yes |", " no |"))]
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    assert [row[0].strip("`") for row in rows] == list(KINDS)
    for cell, _, named, data, of_sources in rows:
        name = cell.strip("`")
        kind = KINDS[name]
        assert bool(named) >= kind.needs_name, name
        assert (of_sources == "yes") == (kind.of_sources or name == "sync"), name
        assert all(f"`{key}`" in data for key in re.findall(r"\b(modality|measured|clock_s)\b", kind.data)), name


def test_the_limits_are_those_of_the_code() -> None:
    text = section("Limits")
    kib = f"{limits.MAX_MESSAGE_BYTES // 1024} KiB"
    for number in (kib, f"{limits.MAX_OTHERS} other", f"{limits.MAX_SIGNALS} signals", f"{limits.MAX_NAME} characters"):
        assert number in text
    assert f"nested {limits.MAX_DEPTH} deep" in text
    assert f"the last {RECENT_MARKERS} markers" in section("hello")

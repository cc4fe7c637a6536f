"""Any damage at all: nothing invented, nothing out of order, nothing missing without a word, no other error."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import RecordUnreadable
from monitor.record.reader import RecordFiles
from monitor.record.verify import verify_record

GOLDEN = Path(__file__).parent / "golden"
ORIGINAL = {entry.number: entry for block in RecordFiles(GOLDEN / "format-1-parts.run").blocks() for entry in block}


Damaging = tuple[int, str, float, int, int]


@st.composite
def damages(draw: st.DrawFn) -> list[Damaging]:
    """Which file (by its place in the list), what, where (as a share of it), how long, and a byte."""
    what = st.sampled_from(["set", "zero", "remove", "repeat", "cut", "insert"])
    share = st.floats(0, 1, exclude_max=True)
    one = st.tuples(st.integers(0, 2), what, share, st.integers(1, 3000), st.integers(0, 255))
    return draw(st.lists(one, min_size=1, max_size=4))


def harm(raw: bytes, what: str, share: float, length: int, byte: int) -> bytes:
    at = int(share * len(raw))
    span = raw[at : at + length]
    match what:
        case "set":
            return raw[:at] + bytes([byte]) + raw[at + 1 :]
        case "zero":
            return raw[:at] + bytes(len(span)) + raw[at + len(span) :]
        case "remove":
            return raw[:at] + raw[at + length :]
        case "repeat":
            return raw[:at] + span + raw[at:]
        case "cut":
            return raw[:at]
        case _:
            return raw[:at] + bytes([byte]) * length + raw[at:]


@pytest.mark.parametrize("kind", ["parts", "sealed"])
@given(found=damages())
@settings(max_examples=120, deadline=None)
def test_whatever_happens_to_the_bytes(kind: str, found: list[Damaging]) -> None:
    with tempfile.TemporaryDirectory() as base:
        path = Path(base) / "Q01-20250615T145320Z-0001.run"
        shutil.copytree(GOLDEN / f"format-1-{kind}.run", path)
        files = sorted(file for file in path.iterdir() if not file.name.startswith("addendum"))
        changed = False
        for which, what, share, length, byte in found:
            file = files[which % len(files)]
            before = file.read_bytes()
            after = harm(before, what, share, length, byte)
            file.write_bytes(after)
            changed |= before != after
        try:
            record = RecordFiles(path)
            entries = [entry for block in record.blocks() for entry in block]
            result = verify_record(path)
        except RecordUnreadable:
            assert changed
            return
        numbers = [entry.number for entry in entries]
        assert numbers == sorted(set(numbers))
        assert all(ORIGINAL[entry.number] == entry for entry in entries)
        if len(entries) < len(ORIGINAL):
            assert record.damage or record.state == "open"
            assert not result.ok
        assert result.entries == len(entries)

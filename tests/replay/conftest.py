"""Records written from drives by hand, with the receive times of the simulation."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from monitor.record.entries import EntryKind, pack_frames, pack_operator
from monitor.record.writer import RecordWriter, Writing
from monitor.replay.seeking.map import RecordMap
from monitor.replay.seeking.playback import Playback
from monitor.replay.seeking.reading import MapMaking
from tests.judging.hand import STUDY, HandDrive, opening_of, study_of

WALL_NS = 1_790_000_000_000_000_000
BEGIN_NS = 7_000_000_000


class SetClock:
    """A record's clocks, set before each entry."""

    def __init__(self) -> None:
        self.ns = BEGIN_NS

    def monotonic_ns(self) -> int:
        return self.ns

    def wall_ns(self) -> int:
        return WALL_NS + self.ns


def write_record(
    folder: Path,
    *drives: HandDrive,
    study_text: str = STUDY,
    notes: tuple[tuple[float, str], ...] = (),
    name: str = "Q01-20261003T101500Z-0a1b.run",
    group: str | None = "chime",
    **more: Any,
) -> Path:
    """A record of the drives, one after the other; notes at seconds of the first drive."""
    path = folder / name
    clock = SetClock()
    writer = RecordWriter.create(path, opening_of(study_of(study_text), group=group, **more), Writing(clock=clock))
    begin_ns = BEGIN_NS
    left = list(notes)
    for drive in drives:
        for t, frames in drive.messages():
            while left and left[0][0] <= t:
                at, text = left.pop(0)
                fields = {"type": "note", "key": f"n{at}", "by": "ops", "wall": 0.0, "text": text, "drive": 1, "at": at}
                writer.append(EntryKind.OPERATOR, pack_operator(fields))
            clock.ns = begin_ns + round(t * 1e9)
            writer.append(EntryKind.MESSAGE, pack_frames(frames))
        begin_ns = clock.ns + 2_000_000_000
    writer.close("test")
    return path


def cut_off(path: Path, share: float = 0.9) -> Path:
    """The record as a killed recorder leaves it: its last bytes, and with them the close entry, are not there."""
    part = path / "part-0001.twr"
    raw = part.read_bytes()
    part.write_bytes(raw[: int(len(raw) * share)])
    return path


def flip_byte(path: Path, share: float = 0.5) -> Path:
    """One damaged byte in the middle of a record."""
    part = path / "part-0001.twr"
    raw = bytearray(part.read_bytes())
    raw[int(len(raw) * share)] ^= 0xFF
    part.write_bytes(bytes(raw))
    return path


def read_map(path: Path) -> RecordMap:
    """The record read to its end."""
    return MapMaking(path).run()


def long_drive(**more: Any) -> HandDrive:
    """200 s at 20 Hz: two fires 110 s apart (further than the look-back), and losses."""
    fields: dict[str, Any] = {
        "rate_hz": 20.0,
        "end_t": 200.0,
        "markers": [
            (10.3, "alert_on", "alert", {"modality": "sound", "measured": True}),
            (120.0, "trigger", "gate-brake", {}),
        ],
        "lost_frames": frozenset({*range(600, 610), *range(2399, 2403), 3000}),
        "brake_mps2": 0.0,
    }
    return HandDrive(**{**fields, **more})


@pytest.fixture(scope="session")
def long_record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two drives with notes: the long one, and a short one in which nothing fires. Never changed by a test."""
    second = HandDrive(run="run-b", rate_hz=20.0, end_t=30.0, fire_t=None)
    folder = tmp_path_factory.mktemp("long")
    return write_record(folder, long_drive(), second, notes=((3.0, "begins"), (50.0, "yawns"), (190.0, "nearly home")))


@pytest.fixture(scope="session")
def long_map(long_record: Path) -> RecordMap:
    return read_map(long_record)


@pytest.fixture
def playback(long_map: RecordMap) -> Playback:
    return Playback(long_map)

"""The numbers about an instant, and the table that is exported of them, read again."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.errors import WitnessError
from monitor.replay.curtain import first_hidden
from monitor.replay.seeking.map import RecordMap
from monitor.replay.seeking.playback import Playback
from monitor.replay.series import LONGEST_S, series_about
from monitor.replay.table import write_table
from tests.judging.hand import STUDY, HandDrive
from tests.replay.conftest import read_map, write_record


def test_the_numbers_are_those_of_the_frames(long_map: RecordMap) -> None:
    stretch = series_about(long_map, Playback(long_map), 1, 28.0, 33.0)
    # 20 Hz, both ends, ten frames lost from 30.0 s on
    assert len(stretch.t) == 5 * 20 + 1 - 10
    assert stretch.lost == ((29.95, 30.5),)
    gap = stretch.named("time_gap")
    station = stretch.named("station")
    assert gap is not None
    assert station is not None
    np.testing.assert_allclose(gap.value, 1.5, atol=1e-9)
    np.testing.assert_allclose(station.value, 100.0 + 20.0 * stretch.t)
    assert gap.measure.unit == "s"
    assert [name for name, _ in gap.bands] == ["gate-brake"]
    ttc = stretch.named("ttc")
    assert ttc is not None
    assert np.isnan(ttc.value).all()
    assert ttc.word_at(0) == "not closing"
    eyes = stretch.named("eyes_on_road")
    assert eyes is not None
    assert set(eyes.value) == {1.0}  # they leave the road about the fires alone


def test_a_stretch_is_bounded_and_ends_with_the_drive(long_map: RecordMap) -> None:
    playback = Playback(long_map)
    whole = series_about(long_map, playback, 1, 0.0, 500.0)
    assert (whole.t[0], whole.t[-1]) == (0.0, LONGEST_S)
    last = series_about(long_map, playback, 1, 195.0, 220.0)
    assert last.t[-1] == pytest.approx(200.0)
    second = series_about(long_map, playback, 2, 0.0, 5.0)
    assert (second.drive, len(second.t)) == (2, 101)
    assert len(series_about(long_map, playback, 7, 0.0, 5.0).t) == 0


def test_what_happened_stands_beside_the_numbers(long_map: RecordMap) -> None:
    stretch = series_about(long_map, Playback(long_map), 1, 5.0, 55.0)
    assert [(mark.kind, round(mark.t, 2), mark.label) for mark in stretch.marks] == [
        ("trigger", 10.0, "gate-brake"),
        ("expected", 10.0, "gate-brake expected"),
        ("alert", 10.3, "alert on"),
        ("note", 50.0, "yawns"),
    ]


def test_the_table_is_read_again_with_the_same_numbers(long_map: RecordMap, tmp_path: Path) -> None:
    stretch = series_about(long_map, Playback(long_map), 1, 28.0, 33.0)
    path = write_table(tmp_path, stretch)
    lines = path.read_text(encoding="utf-8").splitlines()
    words = [line for line in lines if line.startswith("#")]
    assert "# time_gap [s]: bumper to bumper over own speed (ISO 15622; SAE J2944)" in words
    assert any(line.startswith("# record: Q01-") for line in words)
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert len(rows) == len(stretch.t)
    assert [float(row["t [s]"]) for row in rows] == stretch.t.tolist()
    assert [int(row["seq"]) for row in rows] == stretch.seq.tolist()
    for one in stretch.series:
        name = f"{one.name} [{one.measure.unit}]" if one.measure.unit else one.name
        assert any(line.startswith(f"# {name}: ") for line in words), name
        read = np.array([float(row[name]) if row[name] else np.nan for row in rows])
        np.testing.assert_array_equal(read, one.value)


def test_no_file_is_ever_overwritten(long_map: RecordMap, tmp_path: Path) -> None:
    stretch = series_about(long_map, Playback(long_map), 1, 28.0, 29.0)
    first, second = write_table(tmp_path, stretch, ["speed"]), write_table(tmp_path, stretch, ["speed"])
    assert first != second
    assert first.read_bytes() == second.read_bytes()
    header = next(line for line in first.read_text().splitlines() if not line.startswith("#"))
    assert header == "t [s],entry,seq,speed [m/s]"
    with pytest.raises(WitnessError, match="cannot be written"):
        write_table(tmp_path / "missing", stretch)
    with pytest.raises(WitnessError, match="no frame here"):
        write_table(tmp_path, series_about(long_map, Playback(long_map), 9, 0.0, 1.0))


TOLD = HandDrive(rate_hz=20.0)
UNTOLD = replace(TOLD, fire_t=None, van_decel=lambda t: 5.0 if 10.0 < t < 13.0 else 0.0, markers=[])
"""The trigger's hazard came, and no marker told that it fired."""


@pytest.mark.parametrize("drive", [TOLD, UNTOLD], ids=["told", "untold"])
def test_a_blind_study_gives_out_no_response(drive: HandDrive, tmp_path: Path) -> None:
    text = STUDY.replace('title = "Written by hand"', 'title = "Written by hand"\nblind = true')
    found = read_map(write_record(tmp_path, drive, study_text=text))
    curtain = first_hidden(found, frozenset())
    assert curtain is not None
    assert curtain.at_s == pytest.approx(found.at_s_of(1, 13.0))
    stretch = series_about(found, Playback(found), 1, 8.0, 14.0)
    after = stretch.t > 10.0
    own = ("speed", "brake", "accelerator", "station", "steering_angle", "yaw_rate", "lane_offset", "x", "heading")
    for name in (*own, "time_gap", "ttc", "distance_gap", "closing_speed", "eyes_on_road", "lead.accel"):
        one = stretch.named(name)
        assert one is not None, name
        assert np.isnan(one.value[after]).all(), name
        assert one.word_at(-1) == "masked"
    kept = stretch.named("lane_width")
    assert kept is not None
    assert np.isfinite(kept.value[after]).all()
    # and nothing at all of the time after the horizon, which would tell how long the rest took
    assert stretch.t[-1] == pytest.approx(13.0)
    table = write_table(tmp_path, stretch).read_text()
    assert "empty from the fire on because the record is blind" in table

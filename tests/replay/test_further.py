"""A record with further sources is replayed as any other: after any seek the trials are those of the entries so far."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from monitor.archive.review import review_record
from monitor.following.view import RecorderView
from monitor.judging.session import Session
from monitor.record.entries import Entry
from monitor.record.reader import RecordReading
from monitor.record.writer import RecordWriter, Writing
from monitor.replay.seeking.map import RecordMap
from monitor.replay.seeking.playback import Playback
from monitor.replay.series import series_about
from tests.judging.hand import HandDrive, Mark, study_of
from tests.judging.handsource import GAZE_STUDY, HandSource, entries_beside, opening_of_several
from tests.record.conftest import entries_of
from tests.replay.conftest import SetClock, read_map

SYNC: list[Mark] = [(2.0 + 7.0 * k, "sync", "pulse", {}) for k in range(20)]
ALERT = (10.3, "alert_on", "alert", {"modality": "sound", "measured": True})
SECOND = [(105.0, "trigger", "gate-brake", {}), (105.3, "alert_on", "alert", {"modality": "sound", "measured": True})]


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A drive of two minutes at 20 Hz, fired at 10 s and again at 105 s; gaze at 30 Hz, started again at 60 s."""
    path = tmp_path_factory.mktemp("further") / "Q01-20261003T101500Z-0b2c.run"
    drive = HandDrive(rate_hz=20.0, end_t=120.0, markers=sorted([*SYNC, ALERT, *SECOND]))
    names = {"on_road": "", "angle": "deg"}

    def look(t: float) -> dict[str, float]:
        return {"on_road": float(not (8.0 < t < 12.0 or 104.2 < t < 104.9)), "angle": 5.0}

    gaze = [
        HandSource(rate_hz=30.0, clock=lambda t: 1e9 + t, signals=look, names=names, end_t=59.0, marks=SYNC[:8]),
        HandSource(
            "gaze-2", rate_hz=30.0, clock=lambda t: t - 60, signals=look, names=names, start_t=60.0, end_t=120.0,
            marks=SYNC[9:],
        ),
    ]  # fmt: skip
    clock = SetClock()
    writer = RecordWriter.create(path, opening_of_several(study_of(GAZE_STUDY)), Writing(clock=clock))
    for entry in entries_beside([drive], {1: gaze}, close=False)[1:]:
        clock.ns = entry.monotonic_ns + 7_000_000_000
        writer.append(entry.kind, entry.payload)
    writer.close("test")
    return path


@pytest.fixture(scope="module")
def found(record: Path) -> RecordMap:
    return read_map(record)


def session_to(found: RecordMap, entries: list[Entry], number: int) -> Session:
    session = Session(found.study, RecordReading(found.path).opening)
    for first in range(0, number, 150):
        session.take(entries[first : min(first + 150, number)])
    return session


@pytest.mark.slow
def test_trials_after_any_order_of_seeks_are_those_of_the_entries_so_far(found: RecordMap, record: Path) -> None:
    entries, playback, draw = entries_of(record), Playback(found), random.Random(1)
    places = [11.0, 14.0, 30.0, 104.0, 106.5, 112.0, 8.0, 119.0, *(draw.uniform(0, 125) for _ in range(4))]
    for place in places:
        playback.go_to(place)
        assert playback.trials() == session_to(found, entries, playback.number).trials(), place
    playback.go_to(found.length_s)
    trials = playback.trials()
    assert trials == review_record(record).session.trials()
    eyes = [{one.name: one.result for one in trial.conditions}["eyes away"] for trial in trials]
    assert eyes == ["met", "not met"]
    assert [trial.sources[0].offset_s for trial in trials] == [pytest.approx(-1e9), pytest.approx(60.0, abs=0.03)]


def test_a_copy_goes_on_alone_and_as_the_original(found: RecordMap, record: Path) -> None:
    entries = entries_of(record)
    for cut in (150, 900, 1300, 3400, 5600):
        original = session_to(found, entries, cut)
        before = original.trials()
        twin = original.fork()
        twin.take(entries[cut:])
        assert original.trials() == before
        original.take(entries[cut:])
        assert twin.trials() == original.trials()


def test_the_picture_and_the_tables_have_the_signals_by_the_drives_clock(found: RecordMap) -> None:
    playback = Playback(found)
    playback.go_to(20.0)
    (gaze, _) = playback.view(RecorderView("replay", None, 0, ""), 1).feed.sources
    assert (gaze.name, gaze.marks, gaze.trouble) == ("gaze", 3, "")
    table = series_about(found, playback, 1, 5.0, 15.0)
    eyes = table.named("on_road")
    assert eyes is not None
    for t, value in ((7.0, 1.0), (9.0, 0.0), (11.0, 0.0), (13.0, 1.0)):
        assert eyes.value[table.frame_at(t)] == value
    assert np.isnan(eyes.value).sum() <= 6  # near the two changes


def test_the_line_of_the_condition_is_there_for_all_of_the_drive(found: RecordMap) -> None:
    line = found.lines[1, "gate-brake"]
    place = [row.name for row in line.rows].index("eyes away")
    away = [(spell.start_t, spell.end_t) for spell in line.spells if spell.state[place] == 1]
    assert (away[0][0], away[-1][1]) == pytest.approx((8.75, 11.95), abs=0.06)
    unknown = sum(spell.end_t - spell.start_t for spell in line.spells if spell.state[place] == -1)
    assert unknown < 12.0, unknown

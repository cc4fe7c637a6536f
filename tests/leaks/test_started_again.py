"""A bridge that is killed inside a hidden horizon and started again: what follows is a new drive, and the response."""

from __future__ import annotations

import shutil
import warnings
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.following.building import Viewing, build_view
from monitor.following.view import RecorderView
from monitor.judging.session import Session
from monitor.record.entries import EntryKind, Opening, pack_frames
from monitor.record.reader import RecordReading
from monitor.record.writer import RecordWriter, Writing
from monitor.reports.notebook import open_run
from monitor.study.model import Study
from tests.judging.hand import FIRE_T, HandDrive, study_of
from tests.judging.test_blinding import SECOND
from tests.leaks.artefacts import Features, of_value
from tests.leaks.test_twins import told_of
from tests.leaks.test_what_was_entered import MovingClock
from tests.reports.making import BLIND, NOON, hand_drive

KILLED_T, AGAIN_T = FIRE_T + 0.5, FIRE_T + 1.5
HORIZON_S = 3.0
TEXT = BLIND + SECOND


def study() -> Study:
    return study_of(TEXT)


def drives(response_s: float | None, second_t: float, *, paused: bool = False) -> tuple[tuple[float, HandDrive], ...]:
    """One drive in two pieces, with when the recorder hears the first of each: the second has the next trigger."""

    def own(t: float) -> dict[str, float]:
        brakes = response_s is not None and FIRE_T + response_s <= t < FIRE_T + 4.0
        return {"accelerator": 0.0 if brakes else 0.3, "brake": 0.14 if brakes else 0.0}

    whole = hand_drive(end_t=30.0, own=own)
    first = replace(whole, run="run-1", end_t=KILLED_T, ends=False)
    if paused:
        first = replace(first, markers=[*first.markers, (KILLED_T - 0.1, "pause", "", {})])
    again = replace(
        whole, run="run-2", fire_t=None, end_t=30.0 - AGAIN_T, stamp=lambda t: t + AGAIN_T,
        markers=[(second_t - AGAIN_T, "trigger", "side-gust", {})],
        own=lambda t: whole.own(t + AGAIN_T), van=lambda t: whole.van(t + AGAIN_T),
    )  # fmt: skip
    return (0.0, first), (AGAIN_T, again)


def written(
    directory: Path, response_s: float | None, second_t: float = 20.0, pause_s: float = 0.0, *, paused: bool = False
) -> Path:
    path, clock = directory / "Q07-20261102T120000Z-abcd.run", MovingClock(NOON)
    opening = Opening("Q07", "chime", study().name, TEXT, study().sha256, ("tcp://127.0.0.1:1",), {})
    clock.drive_s = 0.0
    writer = RecordWriter.create(path, opening, Writing(clock=clock))
    for begins_s, drive in drives(response_s, second_t, paused=paused):
        for t, frames in drive.messages():
            clock.drive_s = begins_s + t + (pause_s if begins_s else 0.0)
            writer.append(EntryKind.MESSAGE, pack_frames(frames))
    writer.close("the run ended")
    return path


def read(record: Path, out: Path) -> Features:
    found = told_of(record, out)
    with warnings.catch_warnings(action="ignore"):
        run = open_run(record)
    found |= of_value("frames", dict(run.frames())) | of_value("markers", run.markers)
    return found | of_value("trials", run.trials)


@pytest.mark.slow
def test_what_is_driven_on_after_a_bridge_was_killed_is_hidden_as_the_response_is(tmp_path: Path) -> None:
    """Who brakes comes later to the next trigger: neither the one nor the other is told."""
    found = []
    directory, out = tmp_path / "records", tmp_path / "out"
    for response_s, second_t in ((1.8, 25.0), (None, 23.5)):
        directory.mkdir()
        out.mkdir()
        found.append(read(written(directory, response_s, second_t), out))
        shutil.rmtree(directory)
        shutil.rmtree(out)
    braked, not_braked = found
    assert braked.keys() == not_braked.keys()
    assert [name for name, value in braked.items() if value != not_braked[name]] == []


def frames_of(record: Path) -> list[float]:
    with warnings.catch_warnings(action="ignore"):
        return list(open_run(record).frames(2)["t"])


def test_a_drive_that_begins_after_the_horizon_is_another_one(tmp_path: Path) -> None:
    """In a pause nobody drives, so that nothing of the horizon goes by."""
    for name, pause_s, paused, hidden in (
        ("at-once", 0.0, False, True),
        ("later", 1.4, False, True),
        ("after", 1.6, False, False),
        ("paused", 60.0, True, True),
    ):
        (tmp_path / name).mkdir()
        record = written(tmp_path / name, 1.8, pause_s=pause_s, paused=paused)
        try:
            shown = len(frames_of(record)) > 0
        except KeyError:
            shown = False
        assert shown is not hidden, name


def test_a_live_screen_gets_its_values_back_where_the_horizon_would_have_ended(tmp_path: Path) -> None:
    reading = RecordReading(written(tmp_path, 1.8))
    session = Session(study(), reading.opening)
    shown = {}
    for entries in reading.blocks(0, 1):
        session.take(entries)
        if session.current is not None and session.current.log.index == 2 and session.current.log.counts.judged:
            recorder = RecorderView("recording", None, 0, "")
            view = build_view(session, Viewing(record="r", recorder=recorder, age_s=0.0, revision=1))
            shown[round(session.current.log.newest_t, 2)] = bool(
                view.hidden and view.t is not None and view.hidden[0].end_t >= view.t
            )
    assert {t for t, hidden in shown.items() if hidden} == {t for t in shown if t <= FIRE_T + HORIZON_S}
    assert min(shown) == AGAIN_T

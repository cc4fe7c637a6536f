"""The source that a screen has: it plays, jumps, keeps what is entered beside the record, and plays round damage."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from monitor.archive.review import review_record
from monitor.errors import WitnessError
from monitor.record.addendum import append_addendum, read_addendum
from monitor.record.disk import RecordNotWritable
from monitor.record.recovery import recover_record
from monitor.record.sealing import seal_record
from monitor.replay import addendum
from monitor.replay.provider import ReplayProvider
from monitor.replay.seeking.map import Place
from monitor.screens.provider import TransportProvider, ViewProvider
from tests.clocks import HandClock
from tests.judging.hand import HandDrive
from tests.replay.conftest import cut_off, flip_byte, long_drive, write_record
from tests.waiting import wait_for


def opened(path: Path, clock: HandClock | None = None) -> ReplayProvider:
    source = ReplayProvider(path, by="ops", clock=clock or HandClock())
    source.start()
    wait_for(lambda: source.map.done, "the record has been read")
    return source


def bytes_of(path: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in sorted(path.iterdir()) if not file.name.startswith("addendum")}


def arrived(source: ReplayProvider, at_s: float) -> None:
    wait_for(lambda: source._playback.whole and abs(source._playback.at_s - at_s) < 1e-6, f"the place {at_s}")
    wait_for(lambda: source.view().revision and source.view().t is not None, "a picture")


def reached(source: ReplayProvider, place_s: float) -> None:
    wait_for(lambda: source._playback.at_s >= place_s - 1e-6, f"the replay at {place_s}")


def label(place: Place | None) -> str | None:
    return place.label if place is not None else None


def test_it_is_what_the_screens_ask_for(long_record: Path) -> None:
    source = opened(long_record)
    try:
        assert isinstance(source, TransportProvider)
        as_view_source: ViewProvider = source
        assert as_view_source.view().recorder.state == "replay"
        transport = source.transport()
        assert (transport.at_s, transport.speed, transport.playing, transport.sentence) == (0.0, 1.0, False, "")
        # 200 s, 2 s between the drives, 30 s
        assert transport.length_s == pytest.approx(232.0, abs=0.1)
    finally:
        source.stop()


def test_at_60_times_no_finding_is_missed(long_record: Path) -> None:
    clock = HandClock()
    source = opened(long_record, clock)
    seen = set()
    try:
        source.set_speed(60.0)
        source.play()
        while source.transport().playing:
            clock.now += 0.5  # the thread is given 30 s of the record at once, as on a busy machine
            place = source.transport().at_s
            reached(source, place)
            seen |= {(trial.id, one.code) for trial in source.view().trials for one in trial.findings}
        wait_for(lambda: source._playback.at_s == source.map.length_s, "the end")
        wait_for(lambda: source.view().trials == review_record(long_record).session.trials(), "the trials of review")
        seen |= {(trial.id, one.code) for trial in source.view().trials for one in trial.findings}
    finally:
        source.stop()
    expected = {(trial.id, one.code) for trial in review_record(long_record).session.trials() for one in trial.findings}
    assert seen >= expected != set()


def test_jumps_go_to_just_before_a_place(long_record: Path) -> None:
    source = opened(long_record)
    try:
        went = [
            (label(source.jump(direction, "trigger")), round(source.transport().at_s, 1))
            for direction in (1, 1, 1, 1, -1)
        ]
        assert went == [
            ("gate-brake", 7.0),
            ("gate-brake", 117.0),
            ("gate-brake expected, not fired", 209.0),
            (None, 209.0),
            ("gate-brake", 117.0),
        ]
        source.seek(1.0)
        assert label(source.jump(-1, "note")) == "begins"
        assert source.transport().at_s == 0.0
        assert label(source.jump(1, "note")) == "yawns"
        assert round(source.transport().at_s, 1) == 47.0
        assert label(source.jump(1, "loss")) == "4 frames lost"
        assert label(source.jump(-1, "loss")) == "10 frames lost"
        source.seek(500.0)
        assert source.transport().at_s == source.transport().length_s
    finally:
        source.stop()


def test_a_loop_goes_round_the_nearest_trigger(long_record: Path) -> None:
    clock = HandClock()
    source = opened(long_record, clock)
    try:
        source.seek(100.0)
        loop = source.loop()
        assert loop is not None
        assert (round(loop.start_s, 1), round(loop.end_s, 1)) == (117.0, 125.0)
        clock.now += 9.0
        assert source.transport().at_s == pytest.approx(118.0, abs=0.02)
        assert source.loop() is None
    finally:
        source.stop()


def test_steps_pause_and_add_up(long_record: Path) -> None:
    source = opened(long_record)
    try:
        source.seek(80.0)
        arrived(source, 80.0)
        for _ in range(7):
            source.step(-1)
        wait_for(lambda: source.view().t == pytest.approx(79.65), "seven frames back")
        assert not source.transport().playing
        assert source.transport().at_s == pytest.approx(79.65)
    finally:
        source.stop()


def test_nothing_is_written_into_the_record_and_notes_go_beside_it(long_record: Path, tmp_path: Path) -> None:
    path = tmp_path / long_record.name
    shutil.copytree(long_record, path)
    before = bytes_of(path)
    source = opened(path)
    try:
        source.seek(60.0)
        key = source.post({"type": "note", "text": "looked down here", "drive": 1, "at": 60.0, "wall": 1.79e9})
        ruling = {"type": "ruling", "trial": "1/gate-brake/1", "verdict": "invalid", "reason": "other", "words": "x"}
        source.post({**ruling, "drive": 1, "at": 60.0})
        wait_for(lambda: len(read_addendum(path)) == 2, "both entries on disk")
        wait_for(lambda: source.view().recorder.unsaved == 0, "the screen says so")
        wait_for(lambda: "looked down here" in [one.text for one in source.view().notes], "the note in the view")
        trials = wait_for(lambda: {trial.id: trial for trial in source.view().trials if trial.ruling}, "the ruling")
        assert trials["1/gate-brake/1"].effective == "invalid"
        assert trials["1/gate-brake/1"].stage == "ruled"
        # before the fire there is nothing yet to rule on
        source.seek(5.0)
        wait_for(lambda: source.view().t == pytest.approx(5.0), "the place before the fire")
        assert source.view().trials[0].stage == "armed"
    finally:
        source.stop()
    note = read_addendum(path)[0]
    assert (note["by"], note["text"], note["key"], note["at"]) == ("ops", "looked down here", key, 60.0)
    assert note["wall"] == 1.79e9
    assert bytes_of(path) == before
    assert review_record(path).session.trials()[0].effective == "invalid"


def test_a_note_that_cannot_be_written_waits_and_is_never_said_to_be_on_disk(
    long_record: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / long_record.name
    shutil.copytree(long_record, path)
    full = [True]

    def append(where: Path, fields: dict[str, object]) -> str:
        if full[0]:
            raise RecordNotWritable(f"Nothing was added to {where}: no space left; try again.")
        return append_addendum(where, fields)

    monkeypatch.setattr(addendum, "append_addendum", append)
    source = opened(path)
    try:
        source.post({"type": "note", "text": "first", "drive": 1, "at": 1.0})
        source.post({"type": "note", "text": "second", "drive": 1, "at": 2.0})
        wait_for(lambda: "no space left" in source.view().recorder.sentence, "the trouble is said")
        assert source.view().recorder.unsaved == 2
        full[0] = False
        wait_for(lambda: source.view().recorder.unsaved == 0, "both are on disk")
        assert [one["text"] for one in read_addendum(path)] == ["first", "second"]
        wait_for(lambda: source.view().recorder.sentence == "", "the trouble is over")
        full[0] = True
        source.post({"type": "note", "text": "third", "drive": 1, "at": 3.0})
    finally:
        source.stop()
    assert source.unsaved.startswith("1 entry was not saved beside")
    assert "no space left" in source.unsaved


def test_a_record_that_was_not_closed_is_played_and_takes_no_notes(tmp_path: Path) -> None:
    path = cut_off(write_record(tmp_path, HandDrive(rate_hz=20.0)))
    before = bytes_of(path)
    source = opened(path)
    try:
        source.seek(1000.0)
        wait_for(lambda: source.view().trials == review_record(path).session.trials(), "the trials of review")
        with pytest.raises(WitnessError, match="not closed; recover it first"):
            source.post({"type": "note", "text": "x", "drive": 1, "at": 1.0})
    finally:
        source.stop()
    assert bytes_of(path) == before


@pytest.mark.parametrize("state", ["closed", "recovered", "sealed"])
def test_whatever_became_of_a_record_it_is_played_alike(tmp_path: Path, state: str) -> None:
    path = write_record(tmp_path, HandDrive(rate_hz=20.0, end_t=25.0))
    as_closed = review_record(path).session.trials()
    if state == "recovered":
        path = cut_off(path)
        recover_record(path)
    elif state == "sealed":
        seal_record(path)
    before = bytes_of(path)
    source = opened(path)
    try:
        assert source.map.state == state
        for place in (9.0, 2.0, 1000.0, 0.0, 1000.0):
            source.seek(place)
            arrived(source, min(place, source.map.length_s))
        wait_for(lambda: source.view().trials == review_record(path).session.trials() != (), "the trials of review")
        if state != "recovered":  # the cut took the drive's end, and nothing else of it
            assert source.view().trials == as_closed
    finally:
        source.stop()
    assert bytes_of(path) == before


def test_damage_in_the_middle_is_played_round_and_said(tmp_path: Path) -> None:
    path = flip_byte(write_record(tmp_path, long_drive()), 0.5)
    source = opened(path)
    try:
        (damage,) = source.map.damage
        assert "1 entry lost" in damage
        (place,) = [place for place in source.places("loss") if "damaged" in place.label]
        assert place.label == "1 entry of the record damaged"
        assert 95.0 < place.at_s < 105.0
        source.seek(place.at_s - 1.0)
        wait_for(lambda: source.view().recorder.sentence == "damaged here: 1 entry lost", "the damage is said")
        source.seek(place.at_s + 60.0)
        wait_for(lambda: source.view().recorder.sentence == damage, "the damage is said elsewhere, too")
        assert source.view().feed.lost == 16  # fifteen were lost on the way, one by the damage
        source.seek(1000.0)
        wait_for(lambda: source.view().trials == review_record(path).session.trials(), "the trials of review")
    finally:
        source.stop()


def test_where_nothing_can_be_read_it_says_so(tmp_path: Path) -> None:
    with pytest.raises(WitnessError, match="holds no run record"):
        ReplayProvider(tmp_path, by="ops")


def test_a_record_with_no_message_has_a_picture_all_the_same(tmp_path: Path) -> None:
    path = write_record(tmp_path)
    source = opened(path)
    try:
        assert source.view().feed.state == "waiting"
        assert source.view().trials == ()
        source.play()
        source.step(3)
        source.jump(1)
        assert source.loop() is None
        assert source.transport().at_s == 0.0
    finally:
        source.stop()

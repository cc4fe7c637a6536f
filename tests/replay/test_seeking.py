"""After any order of seeks and steps the picture is that of a session which read everything up to there."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.archive.review import review_record
from monitor.following.view import RecorderView
from monitor.judging.case.trial import Trial
from monitor.judging.session import Session
from monitor.record.entries import Entry
from monitor.record.reader import RecordReading
from monitor.replay.seeking.map import RecordMap
from monitor.replay.seeking.playback import Playback
from tests.judging.hand import STUDY, HandDrive
from tests.record.conftest import entries_of
from tests.replay.conftest import read_map, write_record


def session_to(found: RecordMap, entries: list[Entry], number: int, at_once: int = 150) -> Session:
    """A session that has read the entries up to a number, from the first."""
    session = Session(found.study, RecordReading(found.path).opening)
    chosen = entries[:number]
    for first in range(0, len(chosen), at_once):
        session.take(chosen[first : first + at_once])
    return session


def drawn(trials: tuple[Trial, ...]) -> list[tuple[str, str, str]]:
    return [(trial.id, trial.stage, trial.verdict) for trial in trials]


@pytest.mark.parametrize("seed", range(2))
def test_trials_after_any_order_of_seeks_are_those_of_the_entries_so_far(
    seed: int, long_map: RecordMap, long_record: Path
) -> None:
    entries = entries_of(long_record)
    assert [entry.number for entry in entries] == list(range(1, len(entries) + 1))
    playback, draw = Playback(long_map), random.Random(seed)
    for _ in range(11):
        way = draw.choice(["seek", "seek", "quick", "on", "back", "entry"])
        if way in ("seek", "quick"):
            playback.go_to(draw.uniform(-5.0, long_map.length_s + 5.0), quick=way == "quick")
        elif way == "on":
            playback.step(draw.randint(1, 40))
        elif way == "back":
            playback.step(-draw.randint(1, 400))
        else:
            playback.go_to_number(draw.randint(1, len(entries)))
        truth = session_to(long_map, entries, playback.number).trials()
        assert playback.trials() == truth, (way, playback.number, drawn(playback.trials()), drawn(truth))
    playback.go_to(long_map.length_s)
    assert playback.trials() == review_record(long_record).session.trials()


def test_the_trials_of_the_record_are_of_every_kind(long_map: RecordMap) -> None:
    """So that the test above has something to tell apart: a fire, one again, and one that was not reached."""
    assert long_map.session is not None
    trials = long_map.session.trials()
    assert [(trial.id, trial.timing.result) for trial in trials] == [
        ("1/gate-brake/1", "on time"),
        ("1/gate-brake/2", "double"),
        ("2/gate-brake/1", "missed"),
    ]
    assert {finding.code for finding in trials[1].findings} >= {"fired-twice", "witness-gap"}


@pytest.mark.parametrize("at_s", [9.0, 11.0, 60.0, 121.0, 150.0, 205.0, 230.0])
def test_the_whole_picture_is_that_of_a_session_which_read_everything(
    at_s: float, long_map: RecordMap, long_record: Path
) -> None:
    replay = RecorderView("replay", None, 0, "")
    jumped, walked = Playback(long_map), Playback(long_map)
    jumped.go_to(at_s)
    for place in np.arange(0.0, at_s, 9.0):
        walked.go_to(float(place))
    walked.go_to(at_s)
    one, other = jumped.view(replay, 1), walked.view(replay, 1)
    for name in ("drive", "t", "feed", "numbers", "scene", "outlook", "trials", "notes", "timeline", "masked"):
        assert getattr(one, name) == getattr(other, name), name
    for strip, same in zip(one.strips, other.strips, strict=True):
        np.testing.assert_array_equal(strip.t, same.t)
        np.testing.assert_array_equal(strip.value, same.value)


def test_a_quick_seek_lacks_nothing_but_the_strips_and_is_completed(long_map: RecordMap) -> None:
    playback = Playback(long_map)
    playback.go_to(160.0, quick=True)
    whole_at_once = playback.whole
    assert not whole_at_once
    quick = playback.view(RecorderView("replay", None, 0, ""), 1)
    playback.complete()
    whole = playback.view(RecorderView("replay", None, 0, ""), 1)
    assert playback.whole
    assert (quick.t, quick.trials, quick.numbers) == (whole.t, whole.trials, whole.numbers)
    assert replace(quick.feed, rate_hz=None) == replace(whole.feed, rate_hz=None)
    # of 60 s and both ends, five frames were lost
    assert len(quick.strips[0].t) < len(whole.strips[0].t) == 60 * 20 + 1 - 5


def test_a_step_goes_to_the_neighbouring_frame(playback: Playback) -> None:
    playback.go_to(80.01)
    here = playback.view(RecorderView("replay", None, 0, ""), 1).t
    assert here == pytest.approx(80.0)
    times = []
    for frames in (1, 1, -1, -1, -1, -300, 301):
        playback.step(frames)
        t = playback.view(RecorderView("replay", None, 0, ""), 1).t
        assert t is not None
        times.append(round(t, 6))
    assert times == [80.05, 80.1, 80.05, 80.0, 79.95, 64.95, 80.0]


def test_steps_go_from_drive_to_drive_and_stop_at_both_ends(playback: Playback) -> None:
    def here() -> tuple[int, float]:
        assert playback.session.current is not None
        return playback.session.current.log.index, round(playback.session.current.log.newest_t, 6)

    playback.go_to(202.2)
    assert here() == (2, 0.2)
    playback.step(-5)
    assert here() == (1, 200.0)
    playback.step(2)
    assert here() == (2, 0.05)
    playback.go_to(0.1)
    playback.step(-50)
    assert here() == (1, 0.0)
    playback.go_to(1e9)
    end = here()
    playback.step(3)
    assert here() == end == (2, 30.0)


def test_a_copy_goes_on_alone_and_as_the_original(long_map: RecordMap, long_record: Path) -> None:
    entries = entries_of(long_record)
    for cut in (150, 600, 2600, 4050):
        original = session_to(long_map, entries, cut)
        before = original.trials()
        twin = original.fork()
        twin.take(entries[cut:])
        assert original.trials() == before
        assert original.last_number == cut
        original.take(entries[cut:])
        assert twin.trials() == original.trials()
        assert twin.operator.notes == original.operator.notes


def test_a_copy_shares_no_memory_of_the_rule(tmp_path: Path) -> None:
    """The rule is remembered over a delay of a second; a copy that has gone on must not have changed it."""
    text = STUDY.replace('edge = "rising"', 'edge = "rising"\ndelay_s = 1.0')
    path = write_record(tmp_path, HandDrive(rate_hz=20.0, fire_t=11.0), study_text=text)
    found, entries = read_map(path), entries_of(path)
    (truth,) = session_to(found, entries, len(entries)).trials()
    assert truth.timing.result == "on time"
    for cut in range(205, 245, 3):  # about the frames of 10.0 and 11.0 s
        original = session_to(found, entries, cut)
        twin = original.fork()
        twin.take(entries[cut:])
        original.take(entries[cut:])
        assert twin.trials() == original.trials() == (truth,), cut


def test_a_trial_that_was_decided_just_after_a_checkpoint_is_that_of_the_whole_record(
    long_map: RecordMap, long_record: Path
) -> None:
    """About 70 s after the second fire the look-back begins inside that trial's windows."""
    entries = entries_of(long_record)
    for at_s in np.arange(184.0, 200.0, 1.5):
        playback = Playback(long_map)
        playback.go_to(float(at_s))
        assert playback.trials() == session_to(long_map, entries, playback.number, 300).trials(), at_s


def test_a_verdict_that_the_map_knows_comes_at_its_entry_and_its_response_later(tmp_path: Path) -> None:
    """A seek takes the verdict from the pass over the whole record, which also knows the response that came after."""
    text = STUDY.replace("horizon_s = 3.0", "horizon_s = 8.0")
    path = write_record(tmp_path, HandDrive(rate_hz=20.0, end_t=25.0), study_text=text)
    found, entries = read_map(path), entries_of(path)
    (done,) = found.done_tracks.values()
    assert done.final_at is not None
    playback, seen = Playback(found), []
    for number in range(done.final_at - 2, len(entries) + 1, 9):
        playback.go_to_number(number)
        truth = session_to(found, entries, number).trials()
        assert playback.trials() == truth, number
        seen.append((truth[0].stage, truth[0].response is not None))
    assert list(dict.fromkeys(seen)) == [("fired", False), ("final", False), ("final", True)]


def test_the_map_is_bounded_and_knows_the_places(long_map: RecordMap) -> None:
    assert all(not drive.log.blocks for one in long_map.checkpoints for drive in one.session.resume().drives[-1:])
    kinds = {place.kind for place in long_map.places}
    assert kinds == {"trigger", "note", "loss", "finding", "drive"}
    triggers = [(place.label, round(place.at_s, 2)) for place in long_map.places if place.kind == "trigger"]
    # the second drive begins 2 s after the first one's end, and its rule holds at 10 s
    assert triggers == [
        ("gate-brake", 10.0),
        ("gate-brake", 120.0),
        ("gate-brake expected, not fired", 212.0),
    ]
    assert [place.label for place in long_map.places if place.kind == "note"] == ["begins", "yawns", "nearly home"]
    losses = [place for place in long_map.places if place.kind == "loss"]
    assert [(place.label, round(place.t, 2)) for place in losses] == [
        ("10 frames lost", 29.95),
        ("4 frames lost", 119.9),
        ("1 frame lost", 149.95),
    ]


def test_many_checkpoints_are_thinned_out_and_still_lead_everywhere(
    long_record: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from monitor.replay.seeking import reading

    monkeypatch.setattr(reading, "MOST_CHECKPOINTS", 6)
    found = reading.MapMaking(long_record).run()
    assert len(found.checkpoints) <= 6
    playback = Playback(found)
    entries = entries_of(long_record)
    for at_s in (150.0, 12.0, 121.0):
        playback.go_to(at_s)
        assert playback.trials() == session_to(found, entries, playback.number).trials()

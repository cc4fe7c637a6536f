"""What a view shows of longer ago than frames are kept: responses, lane keeping, and the whole drive in strips."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.following.building import Viewing, build_view
from monitor.following.kept.keeping import Keeping
from monitor.following.kept.slow import EVERY_S
from monitor.following.view import LiveView, RecorderView
from monitor.judging.session import Session
from monitor.record.entries import EntryKind, pack_map
from tests.judging.hand import FIRE_T, GAP, SPEED, STUDY, HandDrive, entries_of, opening_of, study_of

BLIND = STUDY.replace("[groups.chime]", "blind = true\n[groups.chime]")
DROWSY = STUDY.replace(
    "[trigger.alert]",
    '[[trigger.condition]]\nname = "lane keeping"\nmeasure = "sdlp"\nover_s = 20.0\nat_most = 0.3\n[trigger.alert]',
)


def pedals(t: float) -> dict[str, float]:
    """The accelerator is released 0.6 s after the fire and the brake pressed 0.9 s after it."""
    return {"accelerator": 0.3 if t < FIRE_T + 0.6 else 0.0, "brake": 0.0 if t < FIRE_T + 0.9 else 0.6}


def followed(
    drive: HandDrive, text: str = STUDY, at_once: int = 100, operator: tuple[dict[str, object], ...] = ()
) -> tuple[Session, LiveView]:
    study = study_of(text)
    session, keeping = Session(study, opening_of(study)), Keeping(study)
    entries = entries_of(drive, close=False)
    for fields in operator:
        last = entries[-1]
        entries.append(last._replace(kind=EntryKind.OPERATOR, number=last.number + 1, payload=pack_map(fields)))
    for first in range(0, len(entries), at_once):
        session.take(entries[first : first + at_once])
        keeping.take(session)
    recorder = RecorderView("recording", None, 0, "")
    return session, keeping.added_to(build_view(session, Viewing(record="r", recorder=recorder, age_s=0.0, revision=1)))


def test_the_response_is_kept_long_after_its_frames_are_gone() -> None:
    session, view = followed(HandDrive(end_t=200.0, own=pedals))
    assert session.drives[0].log.blocks[0].frames.t[0] > 60.0, "the frames about the fire are gone"
    (kept,) = view.responses
    assert kept.trial == "1/gate-brake/1"
    assert kept.t[0] == pytest.approx(FIRE_T - 2.0, abs=1 / 60)
    assert kept.t[-1] == pytest.approx(FIRE_T + 4.0, abs=1 / 60)
    at_fire = int(np.argmin(np.abs(kept.t - FIRE_T)))
    assert kept.gap[at_fire] == pytest.approx(GAP)
    second_on = at_fire + 60
    # the van brakes at 5 m/s² from the fire on: 15 m/s and 2.5 m nearer after a second
    assert (kept.own_speed[second_on], kept.lead_speed[second_on]) == pytest.approx((SPEED, SPEED - 5.0))
    assert kept.gap[second_on] == pytest.approx(GAP - 2.5)
    assert kept.t[np.flatnonzero(kept.accelerator == 0.0)[0]] == pytest.approx(FIRE_T + 0.6, abs=1e-6)
    assert kept.t[np.flatnonzero(kept.brake > 0.0)[0]] == pytest.approx(FIRE_T + 0.9, abs=1e-6)


def test_how_entries_came_in_changes_nothing() -> None:
    drive = HandDrive(end_t=60.0, own=pedals)
    one, other = (followed(drive, DROWSY, at_once=count)[1] for count in (7, 512))
    assert np.array_equal(one.responses[0].t, other.responses[0].t)
    assert np.array_equal(one.responses[0].gap, other.responses[0].gap, equal_nan=True)
    for first, second in zip(one.slow, other.slow, strict=True):
        assert np.array_equal(first.t, second.t)
        assert np.array_equal(first.value, second.value, equal_nan=True)
    for whole, another in zip(one.whole, other.whole, strict=True):
        assert np.array_equal(whole.low, another.low, equal_nan=True)
        assert np.array_equal(whole.high, another.high, equal_nan=True)


def test_a_blind_study_hides_it_until_it_is_revealed_or_ruled_on() -> None:
    drive = HandDrive(end_t=40.0, own=pedals)
    assert followed(drive, BLIND)[1].responses == ()
    words: tuple[dict[str, object], ...] = (
        {"type": "reveal", "trial": "1/gate-brake/1"},
        {"type": "ruling", "trial": "1/gate-brake/1", "verdict": "valid"},
    )
    for fields in words:
        assert [one.trial for one in followed(drive, BLIND, operator=(fields,))[1].responses] == ["1/gate-brake/1"]


def test_a_view_from_before_the_response_has_none() -> None:
    session, view = followed(HandDrive(end_t=40.0, own=pedals))
    keeping = Keeping(session.study)
    keeping.take(session)
    earlier = replace(view, trials=tuple(replace(trial, response=None) for trial in view.trials))
    assert keeping.added_to(earlier).responses == ()


def swinging(t: float) -> dict[str, float]:
    """Lane offset ±0.2 m in turns from frame to frame: its standard deviation (n − 1) is 0.2·√(n / (n − 1))."""
    return {"lane_offset": 0.2 if round(t * 60) % 2 else -0.2}


def test_the_studys_slow_measure_stands_at_every_ten_seconds_with_its_own_window_and_band() -> None:
    _, view = followed(HandDrive(end_t=45.0, fire_t=None, own=swinging), DROWSY)
    slow = view.slow[0]
    assert (slow.measure, slow.over_s, slow.unit) == ("sdlp", 20.0, "m")
    assert slow.band is not None
    assert slow.band.at_most == 0.3
    assert view.slow_used == 1
    assert slow.t.tolist() == [0.0, EVERY_S, 20.0, 30.0, 40.0]
    assert np.isnan(slow.value[:2]).all(), "the window of 20 s is not full before 20 s"
    n = 20 * 60 + 1
    assert slow.value[2:] == pytest.approx([0.2 * math.sqrt(n / (n - 1))] * 3)


def test_a_study_that_uses_none_has_all_three_over_a_minute() -> None:
    _, view = followed(HandDrive(end_t=70.0, fire_t=None, own=swinging))
    assert view.slow_used == 0
    assert [(one.measure, one.over_s) for one in view.slow] == [
        ("sdlp", 60.0),
        ("steering_reversal_rate", 60.0),
        ("lane_departures", 60.0),
    ]
    assert view.slow[2].value[-1] == 0.0


def test_lane_keeping_is_hidden_while_it_looks_back_on_a_blind_response() -> None:
    _, view = followed(HandDrive(end_t=145.0, fire_t=65.0), BLIND)
    assert not view.masked, "the horizon of 3 s is over: the current values are back"
    for one in view.slow:
        assert np.isfinite(one.value[6]), one.measure
        assert np.isnan(one.value[7:13]).all(), "a minute at 70 s to 120 s has a part of 65 s to 68 s in it"
        assert np.isfinite(one.value[13:]).all()


# --- the whole drive -------------------------------------------------------------------------------------------------


def wandering(t: float) -> dict[str, float]:
    """Lane offset 0.1 m in the first half of each second, −0.3 m in the second, and 0.8 m in one frame at 20.5 s."""
    return {"lane_offset": 0.8 if abs(t - 20.5) < 0.005 else 0.1 if t % 1.0 < 0.5 else -0.3}


def test_the_whole_drive_stands_in_pieces_with_its_least_and_greatest_value() -> None:
    _, view = followed(HandDrive(end_t=130.4, own=wandering))
    gap, _, offset = view.whole
    assert (gap.measure, offset.measure, offset.piece_s) == ("time_gap", "lane_offset", 1.0)
    assert len(offset.low) == 130, "the piece that is not over is left out"
    assert offset.low.tolist() == [-0.3] * 130
    assert offset.high[20] == 0.8, "one frame is seen however long ago it was"
    assert np.delete(offset.high, 20).tolist() == [0.1] * 129
    assert gap.low[: int(FIRE_T)] == pytest.approx(GAP / SPEED)
    assert gap.band is not None, "the trial that is over had one"


def test_a_long_drive_takes_no_more_memory_and_keeps_its_extremes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.following.kept.whole.MOST_PIECES", 32)
    drive = HandDrive(end_t=130.4, own=wandering)
    _, view = followed(drive)
    offset = view.whole[2]
    assert (offset.piece_s, len(offset.low)) == (8.0, 16)
    assert offset.low.tolist() == [-0.3] * 16
    assert offset.high.tolist() == [0.1, 0.1, 0.8, *[0.1] * 13]


def test_an_earlier_place_of_a_replay_shows_nothing_of_what_comes() -> None:
    session, view = followed(HandDrive(end_t=60.0, own=wandering))
    keeping = Keeping(session.study)
    keeping.take(session)
    assert [len(one.low) for one in keeping.added_to(replace(view, t=15.7)).whole] == [15, 15, 15]


def test_the_whole_drive_hides_what_a_blind_response_brings() -> None:
    _, view = followed(HandDrive(end_t=40.0, own=pedals), BLIND)
    (span,) = view.hidden
    offset = view.whole[2]
    first, last = int(span.start_t), int(span.end_t)
    assert np.isnan(offset.low[first : last + 1]).all()
    assert np.isfinite(offset.low[:first]).all()
    assert np.isfinite(offset.low[last + 1 :]).all(), "the current values come back when the horizon is over"
    later = replace(view, hidden=(replace(span, end_t=math.inf),))
    session, keeping = Session(study_of(BLIND), opening_of(study_of(BLIND))), Keeping(study_of(BLIND))
    session.take(entries_of(HandDrive(end_t=40.0, own=pedals), close=False))
    keeping.take(session)
    assert np.isnan(keeping.added_to(later).whole[2].low[first:]).all()

"""How fast simulated time goes on by the recorder's clock, where the run's opening says how fast it is meant to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from monitor.following.building import Viewing, build_view
from monitor.following.view import RecorderView
from monitor.judging.case.pacing import Pacing
from monitor.judging.case.trial import Trial
from monitor.judging.document import session_json
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind
from monitor.screens.panels.health import feed_text
from tests.judging.hand import STUDY, HandDrive, entries_of, opening_of, study_of


def received(at: Callable[[float], float], **drive: Any) -> list[Entry]:
    """A drive's entries, received at other times than those of the simulation."""
    entries = entries_of(HandDrive(end_t=18.0, **drive))
    return [one._replace(monotonic_ns=round(at(one.monotonic_ns / 1e9) * 1e9)) for one in entries]


def session_of(entries: list[Entry], pace: float | None = 1.0, block: int = 0) -> Session:
    study = study_of(STUDY)
    session = Session(study, replace(opening_of(study), pace=pace))
    step = block or len(entries)
    for first in range(0, len(entries), step):
        session.take(entries[first : first + step])
    return session


def first_trial(session: Session) -> Trial:
    return session.trials()[0]


@pytest.mark.parametrize(
    ("pace", "factor", "slow"),
    [(1.0, 0.5, True), (1.0, 0.85, True), (1.0, 0.95, False), (1.0, 1.2, True), (0.5, 0.5, False), (None, 0.5, False)],
)
def test_slow_motion_shows_by_the_recorders_clock(pace: float | None, factor: float, slow: bool) -> None:
    session = session_of(received(lambda t: t / factor), pace)
    trial = first_trial(session)
    assert [one.code for one in trial.findings] == (["slow-motion"] if slow else [])
    assert trial.verdict == ("undecided" if slow else "valid")
    if slow:
        assert f"({factor:.2f} times real time)" in trial.findings[0].sentence
    told = session_json(session, "r")["feed"].get("real_time")
    assert told is None if pace is None else told == pytest.approx(factor, rel=1e-3)


def test_a_test_at_many_times_real_time_shows_nobody_anything() -> None:
    assert first_trial(session_of(received(lambda t: t / 8.0))).verdict == "valid"


@pytest.mark.parametrize("since", [8.0, 9.5, 11.5])
def test_a_stall_on_our_side_that_is_made_up_for_is_no_slow_motion(since: float) -> None:
    """For 1.2 s nothing comes in, then all of it at once: late messages, and no slow simulation."""
    trial = first_trial(session_of(received(lambda t: max(t, since + 1.2) if since <= t < since + 1.2 else t)))
    assert (trial.verdict, trial.findings) == ("valid", ())


def test_a_simulation_that_stood_still_and_went_on_later_is_doubtful() -> None:
    trial = first_trial(session_of(received(lambda t: t + (2.0 if t > 9.0 else 0.0))))
    assert [one.code for one in trial.findings] == ["slow-motion"]


def test_a_pause_is_no_slow_motion() -> None:
    marks = [(4.0, "pause", "", {}), (4.0, "resume", "", {}), (10.3, "alert_on", "a", {"modality": "sound"})]
    session = session_of(received(lambda t: t + (30.0 if t > 4.0 else 0.0), markers=marks))
    assert first_trial(session).verdict == "valid"
    assert session_json(session, "r")["feed"]["real_time"] == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("block", [1, 7, 200])
def test_any_split_into_blocks_tells_the_same_pace(block: int) -> None:
    entries = received(lambda t: t / 0.8 + 0.03 * ((t * 37.0) % 1.0))
    whole, split = session_of(entries), session_of(entries, block=block)
    assert first_trial(split) == first_trial(whole)
    assert session_json(split, "r")["feed"] == session_json(whole, "r")["feed"]


def test_the_state_line_says_how_fast_simulated_time_goes() -> None:
    entries = [
        one for one in received(lambda t: t / 0.5) if one.kind is not EntryKind.CLOSE and one.monotonic_ns < 16e9
    ]
    recorder = RecorderView("recording", 400.0, 0, "")
    view = build_view(session_of(entries), Viewing(record="r", recorder=recorder, age_s=0.0, revision=1))
    assert view.feed.real_time == pytest.approx(0.5, rel=0.01)
    assert "0.50× real time" in feed_text(view.feed, roomy=True)
    assert "0.50×" in feed_text(view.feed, roomy=False)
    assert view.feed.sentence == "Simulated time runs at 0.50 times real time."


def test_times_too_large_for_half_a_second_to_be_added_are_looked_at_once() -> None:
    """At 10¹⁷ s a float64 has steps of 16 s: what is half a second later is the same time."""
    pacing, frames = Pacing(1.0), session_of(received(lambda t: t)).drives[0].log.blocks[0].frames
    t = np.array([1e17 + 16.0 * step for step in range(len(frames))])
    pacing.take(replace(frames, t=t), lambda number: number, lambda begin, end: False)
    assert len(pacing.beats) == len(frames)

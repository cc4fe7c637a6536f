"""The picture of a blind run: hidden to the end of the horizon, then current values; what has passed stays hidden."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from monitor.following.building import Viewing, build_view, with_trials
from monitor.following.view import LiveView, RecorderView
from monitor.judging.session import Session
from tests.judging.hand import HandDrive, Mark, entries_of, opening_of, study_of
from tests.judging.test_blinding import ALERT, BLIND, braking

IDLE = RecorderView("recording", None, 0, "")
CONTACT: Mark = (11.5, "collision", "van", {})
TO_RULING = BLIND.replace("blind = true", 'blind = true\nblind_live = "to ruling"')


def session_at(t: float, text: str = BLIND, **more: Any) -> Session:
    study = study_of(text)
    session = Session(study, opening_of(study))
    drive = HandDrive(**{"own": braking, "end_t": 40.0, "markers": [ALERT, CONTACT], **more})
    session.take([one for one in entries_of(drive, close=False) if one.monotonic_ns <= round(t * 1e9)])
    return session


def picture(t: float, text: str = BLIND, *, history: bool = False, **more: Any) -> LiveView:
    session = session_at(t, text, **more)
    return build_view(session, Viewing(record="r", recorder=IDLE, age_s=0.0, revision=1, history=history))


def states(view: LiveView) -> set[str | None]:
    return {one.state for one in view.numbers if one.measure in ("time_gap", "lane_offset", "speed")}


@pytest.mark.parametrize(
    ("t", "text", "history", "masked"),
    [
        (9.9, BLIND, False, False),
        (10.1, BLIND, False, True),
        (12.9, BLIND, False, True),
        (13.1, BLIND, False, False),
        (13.1, TO_RULING, False, True),
        (30.0, TO_RULING, False, True),
        (30.0, BLIND, True, True),
        (9.9, BLIND, True, False),
    ],
)
def test_current_values_are_hidden_for_so_long(t: float, text: str, history: bool, masked: bool) -> None:
    view = picture(t, text, history=history)
    assert view.masked is masked
    assert view.blind
    assert ("masked" in states(view)) is masked
    assert (view.scene is None) is masked
    assert not any(trial.response for trial in view.trials)


def test_what_has_passed_stays_hidden_when_the_current_values_are_back() -> None:
    view = picture(30.0)
    assert not view.masked
    for strip in view.strips:
        inside = (strip.t > 10.0) & (strip.t <= 13.0)
        assert np.isnan(strip.value[inside]).all(), strip.measure
    lane = next(strip for strip in view.strips if strip.measure == "lane_offset")
    assert np.isfinite(lane.value[lane.t > 13.1]).all()
    kinds = [mark.kind for mark in view.timeline]
    assert "collision" not in kinds
    assert {"trigger", "alert"} <= set(kinds)


def test_a_verdict_goes_into_the_picture_at_once_only_while_the_same_is_hidden() -> None:
    before, fired = picture(9.9), session_at(10.5)
    assert with_trials(before, fired, fired.trials(), 2) is None, "the numbers of before the fire must not stay"
    during, later = picture(10.5), session_at(11.0)
    told = with_trials(during, later, later.trials(), 2)
    assert told is not None
    assert told.hidden == during.hidden


def test_two_drives_that_differ_after_the_fire_look_the_same_up_to_the_horizon() -> None:
    for t in (10.5, 12.0, 12.9):
        one = picture(t)
        other = picture(t, own=lambda t: {"brake": 0.0, "speed": 20.0 - 3.0 * max(t - 10.4, 0.0)}, markers=[ALERT])
        for name in ("numbers", "timeline", "outlook", "sheet", "trials", "scene"):
            assert getattr(one, name) == getattr(other, name), name
        for first, second in zip(one.strips, other.strips, strict=True):
            assert np.array_equal(first.value, second.value, equal_nan=True)

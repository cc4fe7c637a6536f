"""What a live run is told of the day around the drive, and that a study that asks for none of it is told nothing."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import pytest

from monitor.archive.earlier import Earlier
from monitor.following.around import DayView
from monitor.following.beginning import Run, _found_before
from monitor.following.building import Viewing, build_view
from monitor.following.day import day_lines, day_view, without_trials
from monitor.following.heading.table import headings
from monitor.following.view import LiveView, PreflightLine, RecorderView
from monitor.judging.session import Session
from tests.judging.hand import DEBRIEF, STUDY, HandDrive, entries_of, opening_of, study_of

DAY_S = 86_400.0
WALL = 1_700_000_000.0
"""When the hand-written drives begin."""

DAY = (
    STUDY
    + DEBRIEF
    + """
[scenarios]
practice = "getting used to it"
clean = "the drive"
[limits]
since_break_min = 45
total_min = 90
near_min = 10
[safety]
questionnaire = ["before", "after"]
fit_to_leave = true
[sessions]
scenarios = ["practice", "clean"]
days_apart = 2
[[companion]]
name = "gaze"
signal = "eyes_on_road"
[rehearsal]
[[rehearsal.perceived]]
modality = "sound"
volume = "amplifier at 6"
expected = "heard"
"""
)
DRIVE = HandDrive(participant="Q01", scenario="clean")


OF_A_TRIAL = ("trials", "contested", "lost_words", "responses", "strips", "whole", "slow")
"""Parts of the view that tell of a trial or a response."""

SHOWN_ALL_THE_SAME = frozenset(
    "revision record participant group study scenario drive t feed recorder numbers scene outlook notes masked blind "
    "reasons sheet closing_digest nothing_ahead preflight slow_used stop questions seen practice horizon_over_s "
    "unattended in_charge operator hidden".split()
)
"""What stands now, or was entered by people, or says nothing of how the participant drove."""


def run(days_ago: float, scenario: str, minutes: float = 20.0, **more: Any) -> dict[str, Any]:
    """An earlier run, so many days before."""
    began = WALL - days_ago * DAY_S
    given = {"record": f"Q01-{scenario}.run", "began": began, "group": None, "scenarios": [scenario], "stops": []}
    return {**given, "stretches": [[began, began + minutes * 60.0, minutes * 60.0]], **more}


def session(
    *entries: dict[str, Any], text: str = DAY, drive: HandDrive | None = DRIVE, to_end: bool = False
) -> Session:
    """The session with entries at its start, during the drive's first seconds or at its end."""
    study = study_of(text)
    found = Session(study, opening_of(study))
    given = entries_of(*([drive] if drive is not None else []), close=False)
    given = given if to_end else [one for one in given if one.monotonic_ns <= 3e9]
    usual = {"by": "anna", "wall": WALL, "drive": 1, "at": 25.0}
    operator = [{"key": f"k{n}", **usual, **one} for n, one in enumerate(entries)]
    last = given[-1]
    for n, one in enumerate(entries_of(operator=operator, close=False)[1:], start=1):
        given.append(one._replace(number=last.number + n, wall_ns=last.wall_ns, monotonic_ns=last.monotonic_ns))
    found.take(given)
    return found


def lines(found: Session) -> dict[str, PreflightLine]:
    return {line.what: line for line in day_lines(found)}


def view_of(found: Session) -> LiveView:
    return build_view(
        found, Viewing(record="r", recorder=RecorderView("recording", 400.0, 0, ""), age_s=0.01, revision=1)
    )


def test_a_study_without_any_of_these_sections_is_asked_for_none_of_it(tmp_path: Any) -> None:
    plain = session(text=STUDY, to_end=True)
    assert list(day_lines(plain)) == []
    assert day_view(plain, plain.trials(), history=False) == DayView()
    assert plain.companions() == ()
    assert plain.measured.names == ()
    assert _found_before(study_of(STUDY), tmp_path, Earlier(runs=(run(1, "clean"),))) == ()
    assert view_of(plain).day.asked == frozenset()
    assert Run.__dataclass_fields__["found_before"].default == ()


def test_a_comfort_rating_is_told_whatever_the_study_asks_for() -> None:
    """Whoever takes over reads it on the page; "none was entered" would be wrong."""
    rated = session({"type": "comfort", "rating": 7}, text=STUDY, to_end=True)
    assert [one.rating for one in view_of(rated).day.comfort] == [7.0]
    assert view_of(rated).in_charge == "anna"


# Several drives and days of one participant


@pytest.mark.parametrize(
    ("runs", "result", "needed"),
    [
        ([], "not met", "practice, drive 1 of 2"),
        ([run(3, "practice")], "met", "clean, drive 2 of 2"),
        ([run(3, "practice"), run(2, "clean")], "not met", "no further drive"),
    ],
)
def test_the_order_of_the_drives_goes_on_over_runs_and_days(
    runs: list[dict[str, Any]], result: str, needed: str
) -> None:
    line = lines(session({"type": "carried", "runs": runs}))["order"]
    assert (line.result, line.needed, line.given) == (result, needed, "clean")


@pytest.mark.parametrize(("days_ago", "result", "given"), [(1, "not met", "1"), (2, "met", "2"), (9, "met", "9")])
def test_days_of_one_participant_lie_apart(days_ago: float, result: str, given: str) -> None:
    line = lines(session({"type": "carried", "runs": [run(days_ago, "practice")]}))["days apart"]
    assert (line.result, line.given) == (result, given)


def test_what_was_driven_today_in_an_earlier_run_counts_and_yesterdays_does_not() -> None:
    yesterday, an_hour_ago = run(1, "practice", 60.0), run(1 / 24.0, "practice", 40.0)
    only_before = lines(session({"type": "carried", "runs": [yesterday]}))
    assert (only_before["driven today"].given, only_before["driven today"].result) == ("0 min", "met")
    both = lines(session({"type": "carried", "runs": [yesterday, an_hour_ago]}))
    assert both["driven today"].given == "40 min"
    assert both["since a break"].given == "0 min"  # twenty minutes stood between
    near = lines(session({"type": "carried", "runs": [run(50 / 1440.0, "practice", 48.0)]}))
    assert (near["since a break"].given, near["since a break"].result) == ("48 min", "undecided")


def test_a_stop_of_an_earlier_run_is_shown_before_the_participant_drives_again() -> None:
    found = lines(session({"type": "carried", "runs": [run(3, "practice", stops=["unwell"])]}))
    assert found["earlier stops"].given.endswith("unwell")
    assert found["earlier stops"].result == "undecided"
    assert "earlier stops" not in lines(session({"type": "carried", "runs": [run(3, "practice")]}))


def test_a_questionnaire_of_today_is_not_asked_again_and_yesterdays_is() -> None:
    def asked(days_ago: float) -> tuple[str, ...]:
        found = session({"type": "carried", "runs": [run(days_ago, "practice", filled=["before"])]})
        return day_view(found, (), history=False).questionnaire

    assert asked(1 / 24.0) == ("after",)
    assert asked(1.0) == ("before", "after")


# In the seat


@pytest.mark.parametrize(
    ("answer", "result", "given"),
    [
        ("heard", "met", "heard, by ben, 22:03 UTC"),
        ("felt", "not met", "felt, by ben, 22:03 UTC"),
        ("no", "not met", "not perceived, by ben, 22:03 UTC"),
        (None, "undecided", "nobody in the seat has said"),
    ],
)
def test_how_an_alert_was_perceived_this_morning_stands_in_preflight(
    answer: str | None, result: str, given: str
) -> None:
    said = (
        [] if answer is None else [{"name": "sound, amplifier at 6", "answer": answer, "by": "ben", "at": WALL - 600.0}]
    )
    page = {"name": "p", "at": WALL, "go": True, "by": "ben", "study_sha256": "00", "perceived": said}
    line = lines(session({"type": "rehearsed", "rehearsal": page}))["sound, amplifier at 6"]
    assert (line.result, line.given) == (result, given)


# The debrief before anything of a trial


def test_between_the_end_of_the_drive_and_the_debrief_nothing_of_a_trial_or_a_response_is_in_the_view() -> None:
    found = session(to_end=True)
    view = view_of(found)
    assert view.trials, "the trial is there"
    assert view.day.asks_first
    hidden = without_trials(view)
    something: dict[str, Any] = dict.fromkeys(OF_A_TRIAL, ("something",))
    full = replace(view, **something)
    assert {name: getattr(without_trials(full), name) for name in OF_A_TRIAL} == dict.fromkeys(OF_A_TRIAL, ())
    known = {*OF_A_TRIAL, *SHOWN_ALL_THE_SAME, "timeline", "saved", "day"}
    assert {one.name for one in fields(LiveView)} == known, (
        "say of a new part of the view whether it tells of a response"
    )
    said = " ".join(f"{name} {words}" for name, words in headings(hidden))
    assert "debrief is open" in said
    assert not any(word in said.lower() for word in ("valid", "met", "brake"))
    assert {mark.kind for mark in hidden.timeline} <= {"note", "loss", "trigger"}
    answered = session(
        {"type": "debrief", "item": "expected", "answer": "no"},
        {"type": "debrief", "item": "own words", "words": "a van stopped"},
        to_end=True,
    )
    assert not view_of(answered).day.asks_first


def test_a_drive_in_which_nothing_fired_has_nothing_to_be_asked_of() -> None:
    found = session(drive=replace(DRIVE, fire_t=None, markers=[], own=lambda t: {"station": 0.0}), to_end=True)
    assert not view_of(found).day.asks_first


def test_who_looks_at_a_blind_record_is_not_told_the_participants_words() -> None:
    blind = DAY.replace('name = "hand"', 'name = "hand"\nblind = true')
    entered = {"type": "debrief", "item": "own words", "words": "I braked at once"}
    found = session({"type": "debrief", "item": "expected", "answer": "no"}, entered, text=blind, to_end=True)
    said = {one.name: one.answered for one in day_view(found, found.trials(), history=True).debrief}
    assert said == {"expected": "no", "own words": "hidden until the ruling"}


def test_what_is_open_at_the_end_of_a_session_is_said_in_close_out() -> None:
    found = session(drive=replace(DRIVE, signals=lambda t: {"eyes_on_road": math.nan}), to_end=True)
    assert day_view(found, found.trials(), history=False).open == (
        "Debrief: Had you expected it? Not answered.",
        "Debrief: What happened? Not answered.",
        "Symptoms before the drive were not asked.",
        "Symptoms after the drive were not asked.",
        "Nobody has said whether the participant is fit to leave.",
        "gaze: eyes_on_road was not measured in any frame.",
    )

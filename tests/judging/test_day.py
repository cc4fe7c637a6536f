"""What was entered of the day around the drive: minutes driven against limits, events and their numbers, the debrief,
and what belongs to a session beside the record."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import pytest

from monitor.judging.day.driving import Stretch, driven, due, stretches_of
from monitor.judging.entered.operator import OperatorLog
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, pack_frames
from monitor.study.day.model import Limits
from tests.judging.hand import DEBRIEF, STUDY, HandDrive, Mark, entries_of, judged, opening_of, study_of

MINUTE = 60.0
LIMITS = Limits(since_break_min=45.0, total_min=90.0, break_min=5.0, near_min=10.0)
DAY = (
    STUDY
    + DEBRIEF
    + """
[[companion]]
name = "room video"
mark = "video-sync"
[[companion]]
name = "gaze"
signal = "eyes_on_road"
measured_at_least = 0.8
[[companion]]
name = "paper"
[[companion]]
name = "screen capture"
files = "capture/{participant}*"
"""
)


def stretch(began_min: float, driven_min: float) -> Stretch:
    return Stretch(began_min * MINUTE, (began_min + driven_min) * MINUTE, driven_min * MINUTE)


@pytest.mark.parametrize(
    ("stretches", "total", "since_break"),
    [
        ([], None, None),
        ([stretch(0, 20)], 20.0, 20.0),
        ([stretch(0, 20), stretch(22, 10)], 30.0, 30.0),  # two minutes are no break
        ([stretch(0, 20), stretch(25, 10)], 30.0, 10.0),  # five are
        ([stretch(0, 20), stretch(25, 10), stretch(36, 12)], 42.0, 22.0),
    ],
)
def test_minutes_count_since_the_start_and_since_the_last_break(
    stretches: Sequence[Stretch], total: float | None, since_break: float | None
) -> None:
    found = driven(stretches, LIMITS)
    assert (found and found.total_min, found and found.since_break_min) == (total, since_break)


@pytest.mark.parametrize(
    ("minutes", "short"),
    [
        (34.0, None),
        (35.0, "BREAK in 10 min"),
        (44.8, "BREAK now"),
        (45.0, "BREAK due"),
        (52.0, "BREAK due 7 min"),
    ],
)
def test_a_limit_is_said_from_when_it_is_near(minutes: float, short: str | None) -> None:
    found = due(driven([stretch(0, minutes)], LIMITS), LIMITS)
    assert (found and found.short) == short


def test_of_two_limits_the_nearer_one_is_said() -> None:
    found = due(driven([stretch(0, 44), stretch(50, 41)], LIMITS), LIMITS)  # 85 in all, 41 since the break
    assert found is not None
    assert (found.about, found.short) == ("break", "BREAK in 4 min")
    found = due(driven([stretch(0, 44), stretch(50, 40), stretch(95, 8)], LIMITS), LIMITS)
    assert found is not None
    assert (found.about, found.level, found.sentence) == (
        "total", "over", "92 min driven today, the study's limit is 90 min",
    )  # fmt: skip


def test_a_pause_is_not_driven() -> None:
    drive = HandDrive(fire_t=None, markers=[(6.0, "pause", "", {}), (9.0, "resume", "", {})], end_t=20.0)
    found = stretches_of(one.log for one in judged(drive).drives)
    assert [one.driven_s for one in found] == pytest.approx([6.0, 11.0], abs=0.1)


STEPS = [(step_s, at_s) for step_s in (0.0, 3600.0, -3600.0) for at_s in (5.0, 30.0, 200.0, 430.0)]
"""A wall clock that is set by so much: in the first drive, in a short rest, in a long one, in the last drive."""


@pytest.mark.parametrize(("step_s", "at_s"), STEPS)
def test_a_clock_that_is_set_gives_no_break_and_takes_none(step_s: float, at_s: float) -> None:
    """Two drives a minute apart, one more than five minutes after them, of 20 s each; a pause of a second in each."""
    entries: list[Entry] = []
    for begins_s in (0.0, 80.0, 420.0):
        pause: list[Mark] = [(6.0, "pause", "", {}), (7.0, "resume", "", {})]
        drive = HandDrive(fire_t=None, markers=pause, end_t=20.0, run=f"r{begins_s}")
        for t, frames in drive.messages():
            now_s = begins_s + t
            wall_s = 1.7e9 + now_s + (step_s if now_s >= at_s else 0.0)
            number = len(entries) + 1
            payload = pack_frames(frames)
            entries.append(Entry(EntryKind.MESSAGE, number, round(now_s * 1e9), round(wall_s * 1e9), payload))
    session = Session(study_of(), opening_of(study_of()))
    session.take(entries)
    stretches = stretches_of(one.log for one in session.drives)
    rests = [after.began - before.ended for before, after in pairwise(stretches)]
    assert rests == pytest.approx([1.0, 60.0, 1.0, 320.0, 1.0], abs=0.3)
    found = driven(stretches, LIMITS)
    assert found is not None
    assert (60.0 * found.total_min, 60.0 * found.since_break_min) == pytest.approx((57.0, 19.0), abs=0.5)


def test_what_is_told_of_a_hidden_drive_is_coarse_and_never_shorter() -> None:
    assert stretch(3, 21).coarse().driven_s == 25 * MINUTE
    assert stretch(3, 20).coarse().driven_s == 20 * MINUTE


# What is entered


def log(*entries: dict[str, Any]) -> OperatorLog:
    found = OperatorLog(12.0)
    for place, fields in enumerate(entries):
        found.take({"key": f"k{place}", "by": "anna", "wall": 1.8e9 + place, "drive": 1, "at": float(place), **fields})
    return found


def test_events_are_numbered_in_their_order_and_keep_their_number_when_one_is_taken_back() -> None:
    found = log(
        {"type": "adverse", "text": "nausea"},
        {"type": "deviation", "text": "intercom on"},
        {"type": "adverse", "text": "headache"},
        {"type": "retract", "what": "k0", "words": "another participant"},
        {"type": "adverse", "text": "sweating"},
    ).day
    assert [(one.name, one.text, one.retracted is not None) for one in found.events] == [
        ("A1", "nausea", True), ("D1", "intercom on", False), ("A2", "headache", False), ("A3", "sweating", False),
    ]  # fmt: skip


def test_an_event_is_not_taken_back_without_words() -> None:
    found = log({"type": "adverse", "text": "nausea"}, {"type": "retract", "what": "k0", "words": ""}).day
    assert found.events[0].retracted is None


@pytest.mark.parametrize("answers", [[0] * 15, [0] * 17, [4] + [0] * 15, [True] * 16, ["0"] * 16, None, [0.0] * 16])
def test_a_questionnaire_that_is_none_is_not_scored(answers: Any) -> None:
    assert log({"type": "symptoms", "when": "after", "answers": answers}).day.symptoms == ()


def test_the_scores_of_an_entry_are_those_of_the_published_key() -> None:
    answers = [1, 1, 0, 2, 1, 0, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0]  # worked by hand from the key
    (filled,) = log({"type": "symptoms", "when": "before", "answers": answers}).day.symptoms
    assert filled.scores.total == pytest.approx(52.36)


def test_a_filled_in_questionnaire_that_was_taken_back_counts_as_not_asked() -> None:
    found = log(
        {"type": "symptoms", "when": "before", "answers": [0] * 16},
        {"type": "retract", "what": "k0", "words": "wrong person"},
    ).day
    assert found.filled_in("before") is None


# Debrief


def with_entries(drive: HandDrive, *entries: dict[str, Any]) -> Session:
    """A drive, and after it these entries."""
    study = study_of(DAY)
    session = Session(study, opening_of(study))
    usual = {"by": "anna", "wall": 1.8e9, "drive": 1, "at": 25.0}
    session.take(entries_of(drive, operator=[{"key": f"k{n}", **usual, **one} for n, one in enumerate(entries)]))
    return session


def codes(session: Session) -> list[tuple[str, str]]:
    (trial,) = session.trials()
    return [(one.code, one.severity) for one in trial.findings]


def test_who_expected_the_event_is_a_note_beside_the_trial_and_changes_no_verdict() -> None:
    asked = {"type": "debrief", "item": "expected"}
    said_no, said_yes = (
        with_entries(HandDrive(), {**asked, "answer": "no"}),
        with_entries(HandDrive(), {**asked, "answer": "no"}, {**asked, "answer": "yes"}),
    )
    assert ("expected-it", "note") not in codes(said_no)
    assert ("expected-it", "note") in codes(said_yes), "the last answer holds"
    assert said_yes.trials()[0].verdict == said_no.trials()[0].verdict == "valid"


def test_an_answer_after_another_drive_is_not_that_of_this_one() -> None:
    session = with_entries(HandDrive(), {"type": "debrief", "item": "expected", "answer": "yes", "drive": 2})
    assert ("expected-it", "note") not in codes(session)
    assert session.operator.day.answers_after(1) == {}


# Companions


def states(session: Session) -> dict[str, bool | None]:
    return {one.name: one.is_there for one in session.companions()}


def test_a_lost_pupil_is_not_measured_and_never_off_the_road() -> None:
    """Lost for a quarter of the drive: the share of the frames falls, and no value is made of it."""
    lost = HandDrive(end_t=25.0, signals=lambda t: {"eyes_on_road": math.nan if t < 6.25 else 1.0})
    (gaze,) = [one for one in with_entries(lost).companions() if one.name == "gaze"]
    assert gaze.is_there is False
    assert gaze.words == "drive 1: eyes_on_road measured in 75 %, 80 % wanted"
    at_fire = HandDrive(signals=lambda t: {"eyes_on_road": math.nan if 9.0 < t < 11.0 else 1.0})
    text = DAY.replace(
        "[trigger.alert]",
        '[[trigger.condition]]\nname = "off"\nmeasure = "eyes_on_road"\nat_most = 0.5\n[trigger.alert]',
    )
    (trial,) = judged(at_fire, study=study_of(text)).trials()
    (off,) = [one for one in trial.conditions if one.name == "off"]
    assert (off.result, off.value, off.state) == ("undecided", None, "not measured")


def test_marks_ticks_and_signals_show_a_companion_and_files_are_left_to_close_out() -> None:
    drive = HandDrive(signals=lambda t: {"eyes_on_road": 1.0})
    assert states(with_entries(drive)) == {"room video": False, "gaze": True, "paper": False, "screen capture": None}
    ticked = with_entries(
        drive,
        {"type": "mark", "code": "video-sync", "text": "video mark"},
        {"type": "step", "step": "paper", "done": True},
    )
    assert states(ticked) == {"room video": True, "gaze": True, "paper": True, "screen capture": None}
    back = with_entries(
        drive,
        {"type": "mark", "code": "video-sync", "text": "video mark"},
        {"type": "retract", "what": "k0", "words": "no"},
    )
    assert states(back)["room video"] is False, "a mark that was taken back shows nothing"


def test_any_cut_into_blocks_counts_the_same_share() -> None:
    study = study_of(DAY)
    drive = HandDrive(signals=lambda t: {"eyes_on_road": math.nan if t < 5.0 else 0.0})
    given = entries_of(drive)
    said = set()
    for size in (1, 7, len(given)):
        session = Session(study, opening_of(study))
        for first in range(0, len(given), size):
            session.take(given[first : first + size])
        said.add(session.companions())
    assert len(said) == 1

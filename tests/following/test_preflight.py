"""Preflight and run sheet of a session: what stops a run, what is only shown, and when a step is due."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from monitor import __version__
from monitor.archive.program import program_digest
from monitor.archive.rehearsals import NewestRehearsal
from monitor.following.building import Viewing, build_view, sheet_lines
from monitor.following.preflight import preflight
from monitor.following.view import PreflightView, RecorderView
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, pack_map
from monitor.study.standing import Standing
from tests.judging.hand import FIRE_T, SPEED, STUDY, HandDrive, entries_of, opening_of, study_of

WALL = 1_700_000_000.0
TODAY = {"at": WALL - 600.0, "go": True, "study_sha256": study_of().sha256}

SHEET = (
    STUDY
    + """
[[sheet]]
name = "Welcome"
say = "You may stop at any time."
[[sheet]]
name = "Intercom off"
at_station_m = 200.0
[[sheet]]
name = "Comfort rating"
at_station_m = 400.0
[[sheet]]
name = "Lights on"
at_s = 20.0
"""
)


def at(drive: HandDrive, until_t: float, text: str = STUDY, **opening: Any) -> Session:
    """The session as of a time of the drive."""
    study = study_of(text)
    session = Session(study, opening_of(study, **opening))
    session.take(one for one in entries_of(drive, close=False) if one.monotonic_ns <= until_t * 1e9 + 1)
    return session


def seen(
    session: Session,
    rehearsal: dict[str, Any] | None = TODAY,
    minutes: float | None = 400.0,
    unreadable: tuple[str, ...] = (),
) -> PreflightView:
    recorder = RecorderView("recording", minutes, 0, "")
    view = build_view(session, Viewing(record="r", recorder=recorder, age_s=0.01, revision=1))
    return preflight(session, view, NewestRehearsal(rehearsal, unreadable), WALL)


def results(found: PreflightView) -> dict[str, str]:
    return {line.what: line.result for line in found.lines}


WELL = HandDrive(participant="Q01", scenario="clean")
EARLY_T = 4.0


def test_all_that_is_needed_and_there_is_a_go() -> None:
    found = seen(at(WELL, EARLY_T))
    assert {what: result for what, result in results(found).items() if result != "met"} == {"scenario": "undecided"}
    assert found.heading == "GO"  # the study lists no scenarios: that cannot be told, and stops nobody


@pytest.mark.parametrize(
    ("change", "what", "given"),
    [
        ({"participant": "Q02"}, "participant", "Q02"),
        ({"group": "no-alert"}, "group", "no-alert"),
        ({"rate_hz": 60.0, "own": lambda t: {"brake": math.nan}}, "brake", "not given"),
        ({"lost_frames": frozenset(range(60, 90))}, "frames", "30 lost"),
    ],
)
def test_what_is_wrong_is_named(change: dict[str, Any], what: str, given: str) -> None:
    found = seen(at(replace(WELL, **change), EARLY_T))
    (line,) = [one for one in found.lines if one.what == what]
    assert line.given.startswith(given)
    if what == "frames":
        assert (line.result, found.heading) == ("undecided", "GO")
    else:
        assert (line.result, found.heading) == ("not met", "NOT YET")
        assert f"{what}: {given}" in found.why


@pytest.mark.parametrize(
    ("about", "given", "heading"), [("participant", "Q13", "GO"), ("group", "no-alert", "NOT YET")]
)
def test_an_answer_is_quoted_and_lifts_only_what_leaves_a_doubt(about: str, given: str, heading: str) -> None:
    other: dict[str, Any] = {about: given}
    session = at(replace(WELL, **other), EARLY_T)
    assert seen(session).heading == "NOT YET"
    fields = {"type": "answer", "about": about, "answer": "ours", "by": "ann", "key": "k", "at": 4.0, "drive": 1}
    last = session.last_number
    session.take([Entry(EntryKind.OPERATOR, last + 1, round(EARLY_T * 1e9), 0, pack_map(fields))])
    found = seen(session)
    (line,) = [one for one in found.lines if one.what == about]
    assert (line.given.partition(":")[0], found.heading) == (given, heading)
    assert "ours is right" in line.given
    assert line.result == ("undecided" if heading == "GO" else "not met")


def test_without_a_frame_there_is_no_go() -> None:
    study = study_of()
    found = seen(Session(study, opening_of(study)))
    assert found.heading == "NOT YET"
    assert found.why == "feed: waiting"
    assert results(found)["surprise rear-end"] == "met"


def test_what_the_simulator_does_not_say_stops_nobody() -> None:
    found = seen(at(replace(WELL, participant=None, group=None), EARLY_T))
    assert found.heading == "GO"
    assert found.why == "all that can be told is met; look yourself: participant, group, scenario"


@pytest.mark.parametrize(
    ("proposed", "words", "result", "given"),
    [
        ("chime", None, "met", "chime"),
        ("no-alert", None, "not met", "chime"),
        ("no-alert", "seat broken", "undecided", "chime: seat broken"),
    ],
)
def test_the_group_that_the_assignment_gives_is_shown(
    proposed: str, words: str | None, result: str, given: str
) -> None:
    standing = Standing(valid={}, trigger="gate-brake", proposed=proposed, words=words)
    found = seen(at(WELL, EARLY_T, standing=standing.as_map()))
    (line,) = [one for one in found.lines if one.what == "assignment"]
    assert (line.needed, line.given, line.result) == (proposed, given, result)
    assert found.heading == ("NOT YET" if result == "not met" else "GO")
    assert "assignment" not in results(seen(at(WELL, EARLY_T)))


def test_who_was_surprised_before_is_not_naive() -> None:
    spent = {"surprise_class": "rear-end", "naive": "no", "record": "Q01-a.run", "trial": "1/gate-brake/1"}
    found = seen(at(WELL, EARLY_T, exposures=(spent,)))
    assert found.heading == "NOT YET"
    assert "not naive. The participant met a surprise of this class in the earlier run Q01-a.run" in found.why
    other = {**spent, "surprise_class": "gust"}
    assert seen(at(WELL, EARLY_T, exposures=(other,))).heading == "GO"
    unread = seen(at(WELL, EARLY_T, exposures_known=False))
    assert "not known, counts as spent" in unread.why


def test_a_drive_that_fires_nothing_needs_nobody_naive() -> None:
    spent = {"surprise_class": "rear-end", "naive": "no", "record": "a", "trial": "b"}
    fires_none = "[trigger.expected_by_scenario]\nclean = 0\n[[trigger.fires_when]]"
    text = '[scenarios]\nclean = "a drive"\n' + STUDY.replace("[[trigger.fires_when]]", fires_none)
    found = seen(at(WELL, EARLY_T, text, exposures=(spent,)), None)
    assert "surprise rear-end" not in results(found)


@pytest.mark.parametrize(
    ("page", "result", "given"),
    [
        (None, "undecided", "no rehearsal of this study is kept"),
        ({**TODAY, "at": WALL - 86_400.0}, "undecided", "the go of 2023-11-13 has expired: yesterday's"),
        ({**TODAY, "at": WALL - 5 * 86_400.0}, "undecided", "the go of 2023-11-09 has expired: 5 days old"),
        (
            {**TODAY, "study_sha256": "0" * 64},
            "undecided",
            f"the go of 22:03 UTC has expired: another study file (00000000, now {study_of().sha256[:8]})",
        ),
        (
            {**TODAY, "program": {"version": "0.0.1", "digest": "0"}},
            "undecided",
            f"the go of 22:03 UTC has expired: program 0.0.1, now {__version__}",
        ),
        (
            {**TODAY, "program": {"version": __version__, "digest": "0"}, "channel_maps": ["f" * 64]},
            "undecided",
            "the go of 22:03 UTC has expired: the program was changed, no channel map",
        ),
        ({**TODAY, "program": {"version": __version__, "digest": program_digest()}}, "met", "go at 22:03 UTC"),
        ({**TODAY, "go": False}, "not met", "no-go at 22:03 UTC"),
        (TODAY, "met", "go at 22:03 UTC"),  # 1 700 000 000 is 22:13:20 UTC
    ],
)
def test_the_rehearsal_of_today_counts(page: dict[str, Any] | None, result: str, given: str) -> None:
    (line,) = [one for one in seen(at(WELL, EARLY_T), page).lines if one.what == "rehearsal"]
    assert (line.result, line.given) == (result, given)


@pytest.mark.parametrize("needed", [False, True])
@pytest.mark.parametrize("page", [TODAY, {**TODAY, "go": False}, None])
def test_a_newer_rehearsal_that_cannot_be_read_is_told_and_no_go_before_it_counts(
    page: dict[str, Any] | None, needed: bool
) -> None:
    text = f"[rehearsal]\nneeded = {str(needed).lower()}\n{STUDY}" if needed else STUDY
    found = seen(at(WELL, EARLY_T, text), page, unreadable=("20261102T063000Z-go.json",))
    (line,) = [one for one in found.lines if one.what == "rehearsal"]
    assert line.given.startswith("20261102T063000Z-go.json cannot be read; before it: ")
    is_no_go = page is not None and not page["go"]
    assert line.result == ("not met" if needed or is_no_go else "undecided")


@pytest.mark.parametrize(("minutes", "result"), [(400.0, "met"), (60.0, "met"), (59.0, "not met"), (None, "undecided")])
def test_the_disk_must_last_for_the_run(minutes: float | None, result: str) -> None:
    assert results(seen(at(WELL, EARLY_T), minutes=minutes))["disk"] == result


def test_its_time_is_over_when_a_trigger_is_near_or_has_fired() -> None:
    far = replace(WELL, own=lambda t: {"speed": 4.0})  # 200 m at 4 m/s: 50 s
    assert not seen(at(far, 0.5)).over
    assert seen(at(WELL, EARLY_T)).over
    assert seen(at(WELL, FIRE_T + 1.0)).over


def test_a_step_is_due_by_road_or_by_time() -> None:
    session = at(WELL, 6.0, SHEET)  # at 220 m, 20 m/s
    welcome, intercom, comfort, lights = sheet_lines(session, session.drives[0].log, masked=False)
    assert (welcome.state, welcome.left_m, welcome.left_s) == ("any time", None, None)
    assert intercom.state == "due"
    assert intercom.left_m == pytest.approx(-20.0, abs=SPEED / 60.0)
    assert comfort.state == "soon"
    assert comfort.left_m == pytest.approx(180.0, abs=SPEED / 60.0)
    assert comfort.left_s == pytest.approx(9.0, abs=1 / 60.0)
    assert lights.state == "soon"
    assert lights.left_s == pytest.approx(14.0, abs=1 / 60.0)
    early = at(WELL, 1.0, SHEET)
    assert [one.state for one in sheet_lines(early, early.drives[0].log, masked=False)][3] == "later"


def test_a_ticked_step_is_done_and_a_stale_feed_says_no_distance() -> None:
    session = at(WELL, 6.0, SHEET)
    session.operator.take({"type": "step", "step": "Intercom off", "done": True, "key": "a", "wall": 1.0})
    assert sheet_lines(session, session.drives[0].log, masked=False)[1].state == "done"
    stale = sheet_lines(session, None, masked=False)
    assert [(one.state, one.left_m, one.left_s) for one in stale[2:]] == [("not known", None, None)] * 2
    session.operator.take({"type": "step", "step": "Intercom off", "done": False, "key": "b", "wall": 2.0})
    assert sheet_lines(session, session.drives[0].log, masked=False)[1].state == "due"


def test_a_masked_view_tells_no_speed_by_the_distance() -> None:
    session = at(WELL, 6.0, SHEET)
    comfort = sheet_lines(session, session.drives[0].log, masked=True)[2]
    assert (comfort.left_m, comfort.left_s, comfort.state) == (None, None, "not known")

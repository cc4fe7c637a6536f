"""What heads the screen: the order of the table, every finding in it, and ten situations walked second by second."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from monitor.following.building import Viewing, build_view
from monitor.following.coming.channels import ChannelWatch
from monitor.following.coming.view import Doubt, Foreseen, OutlookRow, OutlookView
from monitor.following.heading.run import is_followed
from monitor.following.heading.table import OF_THIS_MOMENT, ROWS, headings, over_the_ladder
from monitor.following.heading.trials import unseen, waiting
from monitor.following.view import FeedView, LiveView, Question, RecorderView, SavedView, StopView
from monitor.judging.case.trial import AlertResult, ConditionResult, Finding, Ruling, Timing, Trial
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, pack_map
from monitor.study.reasons import FINDING_REASONS
from monitor.study.rules import ActionRule
from tests.judging.hand import STUDY, HandDrive, Mark, entries_of, opening_of, study_of

RECORDING = RecorderView("recording", 400.0, 0, "")
LIVE = FeedView("live", 60.0, 100, 0, 0, 0, 0.0, "")
GAP = ConditionResult("time gap", "time_gap", "lead", 1.3, 1.9, 1.5, None, 0.2, "s", "met", False, True)


def row(foreseen: Foreseen = "holds", by_driving: bool = True) -> OutlookRow:
    why = "" if foreseen == "holds" else "time gap is 2.6 s, band 1.3 to 1.9 s"
    return OutlookRow(GAP, 0, "", foreseen, why, by_driving=by_driving)


def outlook(*rows: OutlookRow, seconds_left: float | None = 12.0, **more: Any) -> OutlookView:
    return OutlookView("side-gust", seconds_left, rows or (row(),), action=ActionRule("Hold it back."), **more)


def trial(verdict: str = "invalid", stage: str = "final", **more: Any) -> Trial:
    fields: dict[str, Any] = {
        "id": "1/gate-brake/1",
        "trigger": "gate-brake",
        "drive": 1,
        "occurrence": 1,
        "fired_at": 30.0,
        "wall": 0.0,
        "stage": stage,
        "verdict": verdict,
        "naive": "yes",
        "role_id": {},
        "timing": Timing(30.0, 0.0, 0.0, "on time"),
        "conditions": (replace(GAP, result="not met", value=2.6) if verdict == "invalid" else GAP,),
        "findings": (),
        "alert": AlertResult((), (), None, None, "not stated"),
        "response": None,
        "blind": False,
        "revealed": False,
        "what_now": "Your call on it." if verdict == "undecided" else "",
    }
    return Trial(**{**fields, **more})


def view(**more: Any) -> LiveView:
    fields: dict[str, Any] = {
        "revision": 1,
        "record": "r",
        "participant": "Q01",
        "group": "chime",
        "study": "hand",
        "scenario": None,
        "drive": 1,
        "t": 40.0,
        "feed": LIVE,
        "recorder": RECORDING,
        "numbers": (),
        "strips": (),
        "scene": None,
        "outlook": outlook(),
        "trials": (),
        "notes": (),
        "timeline": (),
        "masked": False,
        "blind": False,
        "reasons": (),
    }
    return LiveView(**{**fields, **more})


LATER = trial("valid", id="1/side-gust/1", trigger="side-gust", fired_at=35.0)

APPLIES: dict[str, dict[str, Any]] = {
    "stop": {"stop": StopView("k", "unwell, stopped", 38.0, 1, "ops")},
    "not recording": {"recorder": RecorderView("lost", None, 0, "")},
    "unattended": {"unattended": "The operator's screen (process 7, ann) was closed: nobody enters notes."},
    "behind": {"feed": replace(LIVE, behind_s=1.2)},
    "silent": {"feed": replace(LIVE, state="stale", age_s=0.6)},
    "paused": {"feed": replace(LIVE, state="paused")},
    "between drives": {"feed": replace(LIVE, state="ended")},
    "practice": {"practice": True},
    "fired": {"trials": (trial("undecided", "fired"),)},
    "verdict": {"trials": (trial(),), "outlook": outlook(seconds_left=40.0)},
    "saved": {"saved": SavedView("1/gate-brake/1", "gate-brake", "It is lost.", "Arm it again.", 9.0)},
    "not yet": {"questions": (Question("participant", "Q13", "Q01"),)},
    "losing": {"outlook": outlook(row("lost"))},
    "hold": {"outlook": outlook(row("fails"))},
    "to rule": {"trials": (trial("undecided"),), "seen": frozenset({("1/gate-brake/1", "UNDECIDED")})},
    "hidden": {"outlook": outlook(hidden=True)},
    "later": {"outlook": outlook(row("fails"), in_horizon=True)},
    "ready": {},
    "no trigger": {"outlook": None, "nothing_ahead": True},
}
"""Row of the table → what a view must have for it to apply, above all below it."""

WORDS = {
    "stop": "STOP",
    "not recording": "NO RECORD",
    "unattended": "NO OPERATOR",
    "behind": "BEHIND",
    "silent": "STALE",
    "paused": "PAUSED",
    "between drives": "BETWEEN DRIVES",
    "practice": "PRACTICE",
    "fired": "FIRED",
    "verdict": "INVALID",
    "saved": "STILL NAIVE",
    "not yet": "NOT YET",
    "losing": "LOSING",
    "hold": "HOLD",
    "to rule": "YOUR CALL",
    "hidden": "HIDDEN",
    "later": "LATER",
    "ready": "READY",
    "no trigger": "NO TRIGGER",
}


def test_the_order_is_the_contract() -> None:
    assert [name for name, _ in ROWS] == list(APPLIES) == list(WORDS)


@pytest.mark.parametrize("name", APPLIES)
def test_each_row_heads_what_only_it_applies_to(name: str) -> None:
    found, head = headings(view(**APPLIES[name]))[0]
    assert (found, head.word) == (name, WORDS[name])
    assert head.now, "each says what can be done"


NEVER_BOTH = {("not yet", "no trigger"), ("ready", "no trigger")}
"""Either a trigger comes, or none does."""


def pairs() -> Iterator[tuple[str, str]]:
    names = list(APPLIES)
    for at, first in enumerate(names):
        for second in names[at + 1 :]:
            # two rows about one and the same part of the view cannot both apply
            if not set(APPLIES[first]) & set(APPLIES[second]) and (first, second) not in NEVER_BOTH:
                yield first, second


@pytest.mark.parametrize(("first", "second"), pairs())
def test_of_two_rows_the_one_above_heads_the_screen(first: str, second: str) -> None:
    both = view(**APPLIES[second], **APPLIES[first])
    names = [name for name, _ in headings(both)]
    assert names[0] == first
    if not is_followed(both):
        assert (second in names) == (second not in OF_THIS_MOMENT), names
    elif first not in ("not yet", "losing", "hold", "later"):  # one word for all of the coming trial
        assert second in names or second in ("practice", "no trigger", "ready"), names


def test_what_can_be_saved_and_what_is_being_lost_go_by_the_time_left() -> None:
    saved = SavedView("1/gate-brake/1", "gate-brake", "It is lost.", "Arm it again.", 9.0)
    for lost_s, first in ((12.0, "saved"), (8.0, "losing")):
        found = headings(view(saved=saved, outlook=outlook(row("lost"), seconds_left=lost_s)))
        assert [name for name, _ in found][:2] == [first, "losing" if first == "saved" else "saved"]


def test_what_saves_a_trial_stands_under_its_own_verdict_while_it_helps() -> None:
    lost = (("1/gate-brake/1", "gate-brake is lost; drive on."),)
    saved = SavedView("1/gate-brake/1", "gate-brake", "It should have fired.", "Arm it again.", 9.0, overdue=True)
    both = view(trials=(trial(),), outlook=outlook(seconds_left=40.0), saved=saved, lost_words=lost)
    (_, head), (_, second), *_ = headings(both)
    assert (head.word, head.now) == ("INVALID", "Arm it again. (9 s left)")
    assert second.word == "NOT FIRED"
    (_, without), *others = headings(replace(both, saved=replace(saved, words="")))
    assert without.now == "gate-brake is lost; drive on."
    assert "saved" not in dict(others), "its verdict says it"


# --- trials that wait ------------------------------------------------------------------------------------------------


def test_a_later_verdict_never_hides_an_earlier_one_that_nobody_has_seen() -> None:
    both = view(trials=(trial(), LATER), outlook=None, nothing_ahead=True)
    assert [one.id for one in unseen(both)] == ["1/gate-brake/1", "1/side-gust/1"]
    (_, head), (_, second), *_ = headings(both)
    assert (head.word, head.sentence.partition(":")[0]) == ("INVALID", "gate-brake")
    seen = replace(both, seen=frozenset({("1/gate-brake/1", "INVALID")}))
    assert headings(seen)[0][1].word == "VALID"
    assert second.word == "NO TRIGGER"


def test_trials_wait_the_oldest_first_and_are_ruled_off() -> None:
    first = trial("undecided")
    second = trial("invalid", id="1/side-gust/1", trigger="side-gust", fired_at=35.0)
    assert [one.id for one in waiting(view(trials=(second, first)))] == ["1/gate-brake/1", "1/side-gust/1"]
    seen = frozenset({("1/side-gust/1", "INVALID"), ("1/gate-brake/1", "UNDECIDED")})
    assert [one.id for one in waiting(view(trials=(second, first), seen=seen))] == ["1/gate-brake/1"]
    ruled = replace(first, rulings=(Ruling("valid", "judged-harmless", "", "ops", 50.0, 0.0),), stage="ruled")
    assert waiting(view(trials=(ruled,))) == ()


@pytest.mark.parametrize(("left_s", "name"), [(15.1, "verdict"), (15.0, "to rule")])
def test_a_verdict_gives_way_fifteen_seconds_before_the_next_trigger(left_s: float, name: str) -> None:
    found, head = headings(view(trials=(trial(),), outlook=outlook(seconds_left=left_s)))[0]
    assert (found, head.word) == (name, "INVALID")
    assert headings(view(trials=(LATER,), outlook=outlook(seconds_left=left_s)))[0][0] == (
        "verdict" if left_s > 15.0 else "ready"
    )


def test_two_people_who_ruled_differently_are_both_told() -> None:
    name, head = headings(view(contested=(("1/gate-brake/1", "ben ruled valid, ann had ruled invalid"),)))[0]
    assert (name, head.word) == ("to rule", "TWO RULINGS")
    assert "ben ruled valid, ann had ruled invalid" in head.sentence


def test_between_drives_where_people_rule_both_are_told_too() -> None:
    contested = (("1/gate-brake/1", "ben ruled invalid, ann had ruled valid"),)
    name, head = headings(view(contested=contested, feed=replace(LIVE, state="ended")))[0]
    assert name == "between drives"
    assert head.now == "1/gate-brake/1: ben ruled invalid, ann had ruled valid; r rules on it again"


# --- every finding: before the fire and after it ----------------------------------------------------------------------

MISMATCHES = {"participant-mismatch": "participant", "group-mismatch": "group", "scenario-mismatch": "scenario"}


@pytest.mark.parametrize("code", FINDING_REASONS)
def test_a_finding_that_is_known_before_the_fire_is_never_under_ready(code: str) -> None:
    reason = FINDING_REASONS[code]
    doubt = Doubt(code, f"{reason.words}.", (), reason.severity, at_once=code in MISMATCHES)
    told = reason.severity != "note" and reason.known == "before"
    asked = (Question(MISMATCHES[code], "theirs", "ours"),) if code in MISMATCHES else ()
    doubts = (doubt,) if told else ()
    for left_s, word in ((20.0, "LOSING"), (3.0, "LET IT RUN")):
        seen = view(outlook=outlook(seconds_left=left_s, doubts=doubts), questions=asked)
        _, head = headings(seen)[0]
        ladder = over_the_ladder(seen)
        assert ladder is not None
        assert head == ladder
        expected = ("NOT YET" if asked else word) if told else "READY"
        assert head.word == expected
        if told and not asked:
            assert reason.words in head.sentence
            assert ("Hold it back." in head.now) == (word == "LOSING")
            assert "too late" in head.now or "s left for it" in head.now


@pytest.mark.parametrize("code", FINDING_REASONS)
def test_a_finding_after_the_fire_heads_the_screen_until_it_is_seen(code: str) -> None:
    reason = FINDING_REASONS[code]
    verdict = {"void": "invalid", "doubtful": "undecided", "note": "valid"}[reason.severity]
    found = Finding(code, reason.severity, f"{reason.words}.", 30.0)
    one = trial(verdict, conditions=(GAP,), findings=(found,))
    lost = (
        (("1/gate-brake/1", "gate-brake is lost; drive on, side-gust still counts."),) if verdict == "invalid" else ()
    )
    seen = view(trials=(one,), outlook=outlook(seconds_left=40.0), lost_words=lost)
    name, head = headings(seen)[0]
    assert (name, head.word) == ("verdict", verdict.upper())
    assert reason.words in head.sentence or reason.severity == "note"
    assert head.now.startswith(
        {"invalid": "gate-brake is lost", "undecided": "Your call", "valid": "gate-brake counts"}[verdict]
    )
    after = headings(replace(seen, seen=frozenset({(one.id, verdict.upper())})))[0][1]
    assert after.word == ("YOUR CALL" if verdict == "undecided" else "READY")


def test_an_answer_changes_the_heading_and_never_makes_a_void_trial_ready() -> None:
    plain = Doubt("x-mismatch", "It differs.", (), "void", at_once=True, answered="ours is right")
    for doubt, word in ((replace(plain, severity="doubtful"), "READY"), (plain, "LOSING")):
        asked = (Question("participant", "Q13", "Q01", "ours is right, says ann"),)
        _, head = headings(view(outlook=outlook(doubts=(doubt,)), questions=asked))[0]
        assert head.word == word
        if word == "READY":
            assert "1 doubt accepted (x-mismatch): it will be your call" in head.sentence


def test_own_driving_loses_nothing_while_another_trial_is_being_answered() -> None:
    for foreseen in ("lost", "fails"):
        seen = view(outlook=outlook(row(foreseen), in_horizon=True))
        assert headings(seen)[0][1].word == "LATER"
        assert headings(view(outlook=outlook(row(foreseen, by_driving=False), in_horizon=True)))[0][1].word in (
            "LOSING",
            "HOLD",
        )


# --- ten situations, second by second ---------------------------------------------------------------------------------

SECOND = """
[[trigger]]
name = "side-gust"
surprise_class = "gust"
[[trigger.fires_when]]
measure = "station"
at_least = {second}
edge = "rising"
[[trigger.condition]]
name = "lane offset"
measure = "lane_offset"
during = [-3.0, 0.0]
at_least = -0.6
at_most = 0.6
[[trigger.condition]]
name = "speed at the bridge"
measure = "speed"
at_least = 15.0
at_most = 25.0
"""


def study_text(second_t: float, first_t: float = 30.0, surprise_class: str = "gust") -> str:
    """The first trigger at `first_t`, the second at `second_t`; the car is at station 100 + 20 t."""
    text = STUDY.replace("at_least = 300.0", f"at_least = {100.0 + 20.0 * first_t}")
    return text + SECOND.format(second=100.0 + 20.0 * second_t).replace('"gust"\n', f'"{surprise_class}"\n', 1)


@dataclass
class Walk:
    """A drive with what the operator enters and when; `said` is what heads the screen from each time on."""

    drive: HandDrive
    text: str
    said: list[tuple[float, str]]
    entered: list[tuple[float, dict[str, Any]]] = field(default_factory=list)
    until_t: float = 60.0
    never: tuple[str, ...] = ()
    opening: dict[str, Any] = field(default_factory=dict)


def fires(*marks: tuple[float, str], **more: Any) -> HandDrive:
    markers: list[Mark] = [(t, "trigger", name, {}) for t, name in marks]
    markers += [(marks[0][0] + 0.3, "alert_on", "alert", {"modality": "sound", "measured": True})]
    return HandDrive(fire_t=None, markers=markers, end_t=more.pop("end_t", 60.0), van=gate_van(marks[0][0]), **more)


def gate_van(fire_t: float, more_m: float = 0.0) -> Any:
    """The van 30 m ahead (and `more_m` further) that brakes at 5 m/s² from the fire on for two seconds, and goes on."""

    def van(t: float) -> dict[str, float]:
        braking = min(max(t - fire_t, 0.0), 2.0)
        speed = 20.0 - 5.0 * braking if t < fire_t + 2.0 else 20.0
        back = 2.5 * braking * braking
        accel = -5.0 if fire_t < t < fire_t + 2.0 else 0.0
        return {
            "station": 135.25 + more_m + 20.0 * t - back,
            "x": 135.25 + more_m + 20.0 * t - back,
            "speed": speed,
            "accel": accel,
        }

    return van


def operator(kind: str, at: float, **more: Any) -> tuple[float, dict[str, Any]]:
    return at, {"type": kind, "at": at, "drive": 1, "by": "ops", "key": f"{kind}{at}", "wall": at, **more}


def _answered(t: float) -> float:
    """Own speed of a driver who answers the van: braking at 5 m/s² from 31 s on down to 12 m/s, back from 34 s on."""
    if t < 31.0:
        return 20.0
    if t < 34.0:
        return max(20.0 - 5.0 * (t - 31.0), 12.0)
    return min(12.0 + 2.0 * (t - 34.0), 20.0)


STEP_S = 1 / 600
WAY = np.concatenate([[0.0], np.cumsum([_answered(one * STEP_S) * STEP_S for one in range(round(61.0 / STEP_S))])])
"""Metres driven by then, every STEP_S."""


def way(t: float) -> float:
    return float(WAY[round(t / STEP_S)])


def pedals(accel: float) -> dict[str, float]:
    return {"brake": 0.5 if accel < -1.0 else 0.0, "accelerator": 0.3 + max(accel, -3.0) / 10.0}


def braking_own(t: float) -> dict[str, float]:
    before, after = _answered(t), _answered(t + STEP_S)
    place = 100.0 + way(t)
    accel = (after - before) / STEP_S
    return {"speed": before, "station": place, "x": place, **pedals(accel), "accel": accel}


BRAKING = fires((30.0, "gate-brake"), (55.0, "side-gust"), own=braking_own)

DRIFT = fires((30.0, "gate-brake"), (55.0, "side-gust"), own=lambda t: {"lane_offset": 0.9} if 53.0 < t < 55.5 else {})

FRAMES_LOST = frozenset(range(1799, 1803))
"""About the first fire."""


def _moved_aside(t: float) -> dict[str, float]:
    """Own car 1.2 m to the left from 45.6 s on, by its place, its heading and its lane offset alike."""
    aside = min(max(t - 45.0, 0.0) * 2.0, 1.2)
    return {"lane_offset": aside, "y": aside, "heading": 0.1 if 45.0 < t < 45.6 else 0.0}


SITUATIONS: dict[str, Walk] = {
    "unwell twenty seconds before": Walk(
        fires((30.0, "gate-brake"), (50.0, "side-gust")),
        study_text(50.0),
        [(1.0, "READY"), (10.5, "STOP"), (59.0, "STOP")],
        [operator("mark", 10.0, code="unwell", text="unwell, stopped")],
        until_t=59.0,
    ),
    "the instant after a fire with a second trigger near": Walk(
        fires((30.0, "gate-brake"), (36.0, "side-gust")),
        study_text(36.0),
        [(1.0, "READY"), (30.5, "FIRED"), (35.5, "READY"), (36.5, "FIRED"), (38.5, "VALID")],
        until_t=50.0,
    ),
    "the driver braking inside a horizon": Walk(
        BRAKING,
        study_text(55.0).replace("at_least = 1200.0", f"at_least = {100.0 + way(55.0)}"),
        [(1.0, "READY"), (30.5, "FIRED"), (35.5, "VALID"), (40.5, "READY"), (55.5, "FIRED"), (57.5, "VALID")],
        entered=[operator("seen", 40.0, trial="1/gate-brake/1", word="VALID")],
        until_t=59.0,
        never=("LOSING", "HOLD", "LET IT RUN"),
    ),
    "an invalid first trial and a second of its class": Walk(
        replace(fires((30.0, "gate-brake"), (50.0, "side-gust")), van=gate_van(30.0, more_m=30.0)),
        study_text(50.0, surprise_class="rear-end"),
        [
            (3.0, "HOLD"),
            (24.5, "LOSING"),
            (26.5, "LET IT RUN"),
            (30.5, "INVALID"),
            (35.5, "LOSING"),
            (46.5, "LET IT RUN"),
        ],
        until_t=49.5,
    ),
    "an undecided trial and another losing in eight seconds": Walk(
        replace(DRIFT, lost_frames=FRAMES_LOST, own=lambda t: {"lane_offset": 5.5} if t > 45.0 else {}),
        study_text(55.0),
        [(1.0, "READY"), (30.5, "FIRED"), (35.5, "UNDECIDED"), (38.5, "YOUR CALL"), (46.5, "LOSING"), (47.5, "LOSING")],
        entered=[operator("seen", 38.0, trial="1/gate-brake/1", word="UNDECIDED")],
        until_t=48.5,
    ),
    "an undecided trial and another that is out nine seconds before": Walk(
        replace(DRIFT, lost_frames=FRAMES_LOST, own=_moved_aside),
        study_text(55.0),
        [(1.0, "READY"), (30.5, "FIRED"), (35.5, "UNDECIDED"), (38.5, "YOUR CALL"), (46.5, "HOLD")],
        entered=[operator("seen", 38.0, trial="1/gate-brake/1", word="UNDECIDED")],
        until_t=47.0,
    ),
    "drift two seconds before": Walk(
        DRIFT,
        study_text(55.0),
        [(30.5, "FIRED"), (35.5, "VALID"), (37.5, "READY"), (53.5, "LET IT RUN"), (55.5, "INVALID")],
        entered=[operator("seen", 37.0, trial="1/gate-brake/1", word="VALID")],
    ),
    "the simulator off after the drive with a ruling open": Walk(
        replace(DRIFT, lost_frames=FRAMES_LOST, own=lambda t: {}, end_t=58.0),
        study_text(55.0),
        [(55.5, "FIRED"), (57.5, "UNDECIDED"), (58.5, "BETWEEN DRIVES"), (80.0, "BETWEEN DRIVES")],
        until_t=80.0,
        never=("STALE", "NO FEED"),
    ),
    "gaze silent where no condition needs it": Walk(
        fires(
            (30.0, "gate-brake"),
            (50.0, "side-gust"),
            signals=lambda t: {"eyes_on_road": float("nan")} if t > 5.0 else {},
        ),
        study_text(50.0),
        [(1.0, "READY"), (29.0, "READY"), (30.5, "FIRED")],
        until_t=34.0,
    ),
    "practice": Walk(
        HandDrive(fire_t=None, markers=[], end_t=20.0, scenario="practice"),
        study_text(50.0)
        .replace('surprise_class = "rear-end"', 'surprise_class = "rear-end"\nexpected_by_scenario = { practice = 0 }')
        .replace('surprise_class = "gust"', 'surprise_class = "gust"\nexpected_by_scenario = { practice = 0 }')
        .replace("[groups.chime]", '[scenarios]\npractice = "p"\n[groups.chime]', 1),
        [(1.0, "PRACTICE"), (19.0, "PRACTICE"), (20.5, "BETWEEN DRIVES")],
        until_t=22.0,
    ),
    "pause": Walk(
        HandDrive(fire_t=None, markers=[(10.0, "pause", "", {})], end_t=10.0, ends=False),
        study_text(50.0),
        [(1.0, "READY"), (10.5, "PAUSED"), (30.0, "PAUSED")],
        until_t=30.0,
        never=("STALE",),
    ),
}


def walked(walk: Walk) -> Iterator[tuple[float, LiveView]]:
    """The view at each half second."""
    study = study_of(walk.text)
    session, channels = Session(study, opening_of(study, **walk.opening)), ChannelWatch()
    entries = entries_of(walk.drive, close=False)
    rest = [(t, fields) for t, fields in walk.entered]
    number, at = 0, 0
    t = 0.5
    while t <= walk.until_t:
        taken: list[Entry] = []
        while at < len(entries) and entries[at].monotonic_ns <= t * 1e9:
            taken.append(entries[at])
            at += 1
        while rest and rest[0][0] <= t:
            taken.append(Entry(EntryKind.OPERATOR, 0, round(t * 1e9), 0, pack_map(rest.pop(0)[1])))
        renumbered = []
        for one in taken:
            number += 1
            renumbered.append(Entry(one.kind, number, one.monotonic_ns, one.wall_ns, one.payload))
        session.take(renumbered)
        age_s = max(t - entries[-1].monotonic_ns / 1e9, 0.0)
        yield (
            t,
            build_view(session, Viewing(record="r", recorder=RECORDING, age_s=age_s, revision=1), channels=channels),
        )
        t += 0.5


@pytest.mark.parametrize("name", SITUATIONS)
@pytest.mark.slow
def test_a_situation_second_by_second(name: str) -> None:
    walk = SITUATIONS[name]
    seen: list[tuple[float, str]] = []
    for t, now in walked(walk):
        _, head = headings(now)[0]
        if not seen or seen[-1][1] != head.word:
            seen.append((t, head.word))
        assert head.word not in walk.never, (t, head)
        assert head.now, (t, head)
    for t, word in walk.said:
        said = [one for since, one in seen if since <= t][-1]
        assert said == word, (t, seen)

"""What the operator enters: calls where there is no gaze signal, comfort ratings, rulings; laid over the trial."""

from __future__ import annotations

import math
from typing import Any

import pytest

from monitor.judging.case.trial import Retraction, Trial
from monitor.judging.entered.operator import OperatorLog
from monitor.judging.session import Session
from tests.judging.hand import STUDY, HandDrive, entries_of, opening_of, study_of

EYES = '[[trigger.condition]]\nname = "eyes off road"\nmeasure = "eyes_on_road"\nat_most = 0.5\n[trigger.alert]'
TEXT = STUDY.replace("[trigger.alert]", EYES, 1).replace("[groups.chime]", "comfort_stop_at = 12\n[groups.chime]", 1)
BLIND = HandDrive(signals=lambda t: {"eyes_on_road": math.nan}, end_t=18.0)
"""No gaze signal."""


def session_of(drive: HandDrive, *operator: dict[str, Any], text: str = TEXT) -> Session:
    study = study_of(text)
    session = Session(study, opening_of(study))
    session.take(entries_of(drive, operator=list(operator)))
    return session


def call(value: Any, trial: str = "1/gate-brake/1", key: str = "a") -> dict[str, Any]:
    return {"type": "eyes", "trial": trial, "value": value, "key": key, "by": "op", "wall": 1.0, "at": 12.0}


def eyes_of(trial: Trial) -> tuple[str, float | None, str | None]:
    condition = next(one for one in trial.conditions if one.name == "eyes off road")
    return condition.result, condition.value, condition.state


def test_without_a_gaze_signal_the_condition_is_undecided() -> None:
    (trial,) = session_of(BLIND).trials()
    assert eyes_of(trial) == ("undecided", None, "not measured")
    assert trial.verdict == "undecided"
    assert trial.what_now == "Your call on eyes off road: rule it valid or invalid, with a reason."


@pytest.mark.parametrize(
    ("on_road", "result", "value", "verdict"), [(False, "met", 0.0, "valid"), (True, "not met", 1.0, "invalid")]
)
def test_the_operators_call_takes_its_place_and_is_stated(
    on_road: bool, result: str, value: float, verdict: str
) -> None:
    (trial,) = session_of(BLIND, call(on_road)).trials()
    assert eyes_of(trial) == (result, value, None)
    assert trial.verdict == verdict
    (finding,) = trial.findings
    assert (finding.code, finding.severity) == ("eyes-called", "note")
    where = "on the road (1)" if on_road else "away from it (0)"
    assert finding.sentence == (
        f"eyes off road: eyes_on_road was not measured; the operator called the eyes {where} at the fire at 10.00 s."
    )


def test_a_call_never_takes_the_place_of_a_gaze_signal() -> None:
    seen = HandDrive(end_t=18.0)  # the eyes are off the road, and measured
    (trial,) = session_of(seen, call(True)).trials()
    assert eyes_of(trial) == ("met", 0.0, None)
    assert trial.findings == ()


def test_the_last_call_counts_and_a_call_on_another_trial_does_not() -> None:
    assert session_of(BLIND, call(True), call(False, key="b")).trials()[0].verdict == "valid"
    assert session_of(BLIND, call(False, trial="1/gate-brake/2")).trials()[0].verdict == "undecided"
    assert session_of(BLIND, call("maybe")).trials()[0].verdict == "undecided"


def test_a_call_may_come_before_or_after_the_trial_is_final() -> None:
    study = study_of(TEXT)
    entries = entries_of(BLIND, operator=[call(False)])
    operator = next(index for index, one in enumerate(entries) if one.number == len(entries) - 1)
    early = [*entries[:700], entries[operator], *entries[700:operator], *entries[operator + 1 :]]
    renumbered = [
        type(one)(one.kind, number, one.monotonic_ns, one.wall_ns, one.payload) for number, one in enumerate(early, 1)
    ]
    session = Session(study, opening_of(study))
    session.take(renumbered)
    assert session.trials()[0].verdict == "valid"


def test_a_signal_that_is_not_about_eyes_is_not_called() -> None:
    text = TEXT.replace("[signals.eyes_on_road]", '[signals.pulse]\nsource = "driver"\n[signals.eyes_on_road]').replace(
        'measure = "eyes_on_road"', 'measure = "pulse"'
    )
    assert session_of(BLIND, call(False), text=text).trials()[0].verdict == "undecided"


def rating(value: Any, at: float, drive: int = 1, key: str = "c") -> dict[str, Any]:
    return {"type": "comfort", "rating": value, "drive": drive, "at": at, "key": key, "by": "op", "wall": 2.0}


def unwell(at: float, key: str = "u", code: str = "unwell", drive: int = 1) -> dict[str, Any]:
    fields = {"type": "mark", "code": code, "text": "unwell, stopped", "drive": drive, "at": at, "key": key}
    return {**fields, "by": "op", "wall": 3.0}


LIFT = {"type": "answer", "about": "stop", "answer": "lifted", "words": "wants to go on", "key": "l", "by": "op"}


def test_a_rating_at_the_facilitys_stop_rule_stops_the_drive() -> None:
    session = session_of(HandDrive(end_t=18.0), rating(12, 5.0))
    stop = session.operator.standing_stop
    assert stop is not None
    assert (stop.code, stop.words) == ("comfort-high", "comfort rating 12, the facility's stop rule is 12 or more")
    assert session.operator.notes[-1].text == "comfort rating 12 (the facility's stop rule is 12 or more)"
    (trial,) = session.trials()
    assert [(one.code, one.severity) for one in trial.findings] == [("comfort-high", "void")]
    assert trial.findings[0].sentence == (
        "Comfort rating 12, the facility's stop rule is 12 or more: entered at 5.00 s by op."
    )
    assert trial.verdict == "invalid"


# the trigger fires at 10 s; its trial is over at 13.0 s, with the horizon of the response
@pytest.mark.parametrize(
    ("operator", "codes"),
    [
        ([unwell(9.9)], ["participant-unwell"]),
        ([unwell(12.9)], ["participant-unwell"]),  # it runs
        ([unwell(13.1)], []),  # an earlier trial is not touched
        ([unwell(9.9, code="emergency-stop")], ["emergency-stop"]),
        ([unwell(9.9, code="look")], []),
        ([unwell(3.0, drive=2)], []),
        ([unwell(3.0), {**LIFT, "at": 6.0, "drive": 1}], []),
        ([unwell(3.0), {**LIFT, "at": 11.0, "drive": 1}], ["participant-unwell"]),  # it fired while that stood
        ([unwell(3.0), {**LIFT, "at": 6.0, "drive": 1, "words": ""}], ["participant-unwell"]),  # no word why
        ([unwell(3.0), {"type": "retract", "what": "u", "key": "r", "words": "slipped"}], []),
        ([unwell(3.0), {"type": "retract", "what": "u", "key": "r"}], ["participant-unwell"]),
        ([rating(11.5, 5.0)], []),
        ([rating("much", 5.0)], []),
        ([rating(15, 5.0), rating(3, 6.0, key="d")], ["comfort-high"]),  # a lower rating lifts nothing
    ],
)
def test_what_stops_a_drive_voids_the_running_trial_and_later_ones(
    operator: list[dict[str, Any]], codes: list[str]
) -> None:
    (trial,) = session_of(HandDrive(end_t=18.0), *operator).trials()
    assert [one.code for one in trial.findings] == codes
    assert trial.verdict == ("invalid" if codes else "valid")


def test_a_later_drive_is_stopped_too() -> None:
    study = study_of(TEXT)
    session = Session(study, opening_of(study))
    second = HandDrive(run="run-b", end_t=18.0)
    entries = entries_of(HandDrive(end_t=18.0), second, operator=[unwell(14.0)])
    session.take(entries)
    first, later = session.trials()
    assert first.verdict == "valid"
    assert "participant-unwell" in [one.code for one in later.findings]


def test_what_is_taken_back_stays_and_says_by_whom() -> None:
    log = OperatorLog(12.0)
    log.take({"type": "note", "text": "door", "key": "n", "by": "ann", "wall": 1.0})
    log.take({"type": "retract", "what": "n", "key": "r", "by": "ben", "wall": 2.0})
    assert [(note.text, note.retracted) for note in log.notes] == [("door", Retraction("ben", 2.0, ""))]
    log.take(rating(14, 5.0))
    log.take({"type": "retract", "what": "c", "key": "s", "by": "ben", "wall": 2.0, "words": "was a 4"})
    assert (log.comfort, log.stops) == ([], [])
    assert log.notes[-1].retracted is not None
    log.take({"type": "retract", "what": "c", "key": "t", "by": "eve", "wall": 3.0, "words": "again"})
    assert log.notes[-1].retracted.by == "ben"  # once is enough


def test_a_ruling_that_contradicts_somebody_elses_is_contested_until_they_agree() -> None:
    log = OperatorLog()
    said = {"type": "ruling", "trial": "1/x/1", "reason": "other", "words": ""}
    log.take({**said, "verdict": "invalid", "by": "ann", "key": "a"})
    assert log.contested == {}
    log.take({**said, "verdict": "valid", "by": "ben", "key": "b"})
    assert [one.by for one in log.contested["1/x/1"]] == ["ann", "ben"]
    log.take({**said, "verdict": "valid", "by": "ann", "key": "c"})
    assert log.contested == {}


def test_an_entry_sent_twice_is_entered_once() -> None:
    log = OperatorLog()
    for _ in range(2):
        log.take({"type": "note", "text": "door", "key": "k1", "by": "op", "wall": 1.0, "at": 3.0, "drive": 1})
    assert [note.text for note in log.notes] == ["door"]


def test_entries_that_make_no_sense_are_passed_over() -> None:
    log = OperatorLog()
    for fields in (
        {},
        {"type": "ruling", "trial": "1/x/1", "verdict": "perfect"},
        {"type": "eyes", "trial": "1/x/1", "value": 3},
        {"type": "note", "text": "t", "at": "soon", "drive": "one", "wall": None},
    ):
        log.take(fields)
    assert (log.rulings, log.eyes) == ({}, {})
    assert (log.notes[0].at, log.notes[0].drive) == (None, None)


def test_a_ruling_stands_beside_the_verdict_and_the_last_one_counts() -> None:
    def ruling(verdict: str, key: str) -> dict[str, Any]:
        fields = {"type": "ruling", "trial": "1/gate-brake/1", "verdict": verdict, "reason": "other", "words": "w"}
        return {**fields, "key": key, "by": "op", "wall": 3.0, "at": 20.0}

    (trial,) = session_of(HandDrive(end_t=18.0), ruling("invalid", "x"), ruling("undecided", "y")).trials()
    assert (trial.verdict, trial.effective, trial.stage) == ("valid", "undecided", "ruled")
    assert trial.ruling is not None
    assert (trial.ruling.reason, trial.ruling.words, trial.ruling.by) == ("other", "w", "op")

"""When a trigger should have fired, against when it did: edges, delays, tolerance, losses, arming."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from monitor.judging.case.trial import Timing
from monitor.judging.firing import TermMemory, delayed_result, edge_result
from monitor.study.terms import Edge
from tests.judging.hand import FIRE_T, STUDY, HandDrive, Mark, found_codes, judged, live, only_trial, study_of

T, F = True, False
PERIOD_S = 1 / 60

# ASAM OpenSCENARIO XML, conditionEdge and delay: worked by hand for the expression T T F T T F at steps of 0.1 s.
# The rule for the first evaluation (an edge is false there) and for the delay are from memory of the standard's text.
EXPRESSION = np.array([T, T, F, T, T, F])
WORKED = [
    ("none", 0.0, [T, T, F, T, T, F]),
    ("rising", 0.0, [F, F, F, T, F, F]),
    ("falling", 0.0, [F, F, T, F, F, T]),
    ("risingOrFalling", 0.0, [F, F, T, T, F, T]),
    ("none", 0.2, [F, F, T, T, F, T]),
    ("rising", 0.2, [F, F, F, F, F, T]),
]


@pytest.mark.parametrize(("edge", "delay_s", "expected"), WORKED)
@pytest.mark.parametrize("cuts", [(), (1,), (3,), (2, 4), (1, 2, 3, 4, 5)])
def test_the_worked_edge_table(edge: Edge, delay_s: float, expected: list[bool], cuts: tuple[int, ...]) -> None:
    t = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5])
    memory, found = TermMemory(), []
    for first, stop in pairwise([0, *cuts, 6]):
        part = EXPRESSION[first:stop]
        result = edge_result(part, memory.last, edge)
        memory.last = bool(part[-1])
        found += delayed_result(memory, t[first:stop], result, delay_s).tolist()
    assert found == expected


@pytest.mark.parametrize(("edge", "delay_s", "expected"), WORKED)
def test_the_rule_of_a_trigger_begins_to_hold_where_the_table_says(
    edge: str, delay_s: float, expected: list[bool]
) -> None:
    text = STUDY.replace(
        'measure = "station"\nat_least = 300.0\nedge = "rising"',
        f'measure = "eyes_on_road"\nat_least = 0.5\nedge = "{edge}"\ndelay_s = {delay_s}',
    )
    flags = [bool(flag) for flag in EXPRESSION]
    drive = HandDrive(
        rate_hz=10.0,
        end_t=0.5,
        fire_t=None,
        markers=[],
        signals=lambda t: {"eyes_on_road": flags[round(t * 10)]},
    )
    session = judged(drive, study=study_of(text))
    watch = session.drives[0].watches["gate-brake"]
    begins = [k / 10 for k in range(6) if expected[k] and not (k and expected[k - 1])]
    assert [one.t for one in watch.expected] == pytest.approx(begins)


@pytest.mark.parametrize(
    ("frames", "result", "code"),
    [
        (-30.0, "early", ["fired-early"]),
        (-2.0, "early", ["fired-early"]),
        (-1.0, "on time", []),  # the simulator may give the marker of the frame that it is about to compute
        (0.0, "on time", []),
        (1.0, "on time", []),
        (2.0, "on time", []),  # one frame of sampling and one network hop
        (6.0, "on time", []),  # scenario engines run more slowly than frames: 0.1 s
        (7.0, "late", ["fired-late"]),
        (15.0, "late", ["fired-late"]),
    ],
)
def test_delay_in_seconds_and_frames(frames: float, result: str, code: list[str]) -> None:
    trial = only_trial(HandDrive(fire_t=FIRE_T + frames * PERIOD_S))
    assert trial.timing.result == result
    assert trial.timing.expected_at == pytest.approx(FIRE_T, abs=1e-9)
    assert trial.timing.delay_s == pytest.approx(frames * PERIOD_S, abs=1e-9)
    assert trial.timing.delay_frames == pytest.approx(frames, abs=1e-6)
    assert [one for one in found_codes(trial) if one.startswith("fired")] == code


def test_the_tolerance_is_the_studys() -> None:
    for given, frames in (("late_after_frames = 8.0", 8), ("late_after_s = 0.0", 2), ("late_after_s = 0.15", 9)):
        text = STUDY.replace('surprise_class = "rear-end"', f'surprise_class = "rear-end"\n{given}')
        assert only_trial(HandDrive(fire_t=FIRE_T + frames * PERIOD_S), text).timing.result == "on time"
        assert only_trial(HandDrive(fire_t=FIRE_T + (frames + 1) * PERIOD_S), text).timing.result == "late"


def test_a_sentence_says_how_late_in_seconds_and_frames() -> None:
    alert = [(FIRE_T + 0.6, "alert_on", "a", {"modality": "sound"})]
    (finding,) = only_trial(HandDrive(fire_t=FIRE_T + 15 * PERIOD_S, markers=alert)).findings
    assert finding.sentence == "gate-brake fired 0.25 s (15.0 frames) after its own rule held at 10.00 s."
    assert finding.severity == "doubtful"
    assert finding.at == pytest.approx(FIRE_T + 0.25)


def test_fired_and_the_rule_never_held_is_early() -> None:
    never = STUDY.replace("at_least = 300.0", "at_least = 9000.0")
    trial = only_trial(HandDrive(), never)
    assert trial.timing == Timing(None, None, None, "early")
    assert trial.verdict == "invalid"


def test_missed_names_when_the_rule_held() -> None:
    trial = only_trial(HandDrive(fire_t=None, markers=[]))
    assert trial.timing.result == "missed"
    assert trial.timing.expected_at == pytest.approx(FIRE_T)
    assert found_codes(trial) == ["trigger-missed"]
    assert (trial.verdict, trial.stage, trial.fired_at) == ("invalid", "final", None)


def test_missed_is_not_said_before_grace_and_marker_delay_are_over() -> None:
    # 2.0 s of grace and 2.0 s that a marker may be late
    waiting = HandDrive(fire_t=None, markers=[], end_t=FIRE_T + 3.9, ends=False)
    (trial,) = live(waiting).trials()
    assert (trial.stage, trial.verdict, trial.timing.result) == ("armed", "undecided", "not stated")
    (trial,) = live(replace(waiting, end_t=FIRE_T + 4.1)).trials()
    assert (trial.stage, trial.verdict, trial.timing.result) == ("armed", "invalid", "missed")
    (trial,) = judged(waiting).trials()  # here the record is closed, and nothing can come any more
    assert (trial.stage, trial.verdict, trial.timing.result) == ("final", "invalid", "missed")


def test_missed_is_undecided_where_a_marker_never_arrived() -> None:
    # marker 2 is the trigger's; more than 32 markers follow at once, so that no hello repeats it
    others: list[Mark] = [(FIRE_T + 0.001 * k, "other", "x", {}) for k in range(40)]
    trial = only_trial(HandDrive(markers=others, lost_markers=frozenset({2})))
    assert trial.timing.result == "missed"
    assert found_codes(trial) == ["marker-lost"]
    assert trial.verdict == "undecided"


def test_not_reached_names_the_end_of_the_drive() -> None:
    trial = only_trial(HandDrive(fire_t=None, markers=[], end_t=8.0))
    assert trial.timing.result == "not reached"
    assert found_codes(trial) == ["trigger-not-reached"]
    assert trial.verdict == "invalid"
    assert "8.00 s" in trial.findings[0].sentence


def test_a_second_marker_is_a_trial_of_its_own() -> None:
    twice = HandDrive(markers=[(10.3, "alert_on", "a", {"modality": "sound"}), (14.0, "trigger", "gate-brake", {})])
    first, second = judged(twice).trials()
    assert (first.id, first.timing.result, first.verdict, first.naive) == ("1/gate-brake/1", "on time", "valid", "yes")
    assert (second.id, second.timing.result, second.naive) == ("1/gate-brake/2", "double", "no")
    assert {"fired-twice", "not-naive"} <= set(found_codes(second))
    assert second.verdict == "invalid"


def test_a_practice_drive_that_fires_is_unexpected() -> None:
    text = STUDY.replace("[groups.chime]", '[scenarios]\npractice = "p"\n[groups.chime]').replace(
        "[trigger.alert]", "[trigger.expected_by_scenario]\npractice = 0\n[trigger.alert]"
    )
    quiet = judged(HandDrive(scenario="practice", fire_t=None, markers=[]), study=study_of(text))
    assert quiet.trials() == ()
    trial = only_trial(HandDrive(scenario="practice"), text)
    assert "fired-unexpected" in found_codes(trial)
    assert trial.verdict == "invalid"


def test_a_loss_before_the_first_frame_that_holds_makes_nobody_early() -> None:
    # the frames of the last 0.2 s before the rule was seen to hold are lost; the marker came inside that time
    lost = frozenset(range(round(9.9 * 60), round(10.1 * 60)))
    trial = only_trial(HandDrive(lost_frames=lost))
    assert trial.timing.expected_at == pytest.approx(10.1)
    assert trial.timing.result == "on time"
    assert "fired-early" not in found_codes(trial)
    # without the loss the same distance is early
    assert only_trial(HandDrive(fire_t=FIRE_T - 0.1)).timing.result == "early"


def test_the_rule_counts_from_where_the_trigger_is_armed() -> None:
    armed = '[[trigger.armed_when]]\nmeasure = "station"\nat_least = 260.0\n'
    level = STUDY.replace('at_least = 300.0\nedge = "rising"', "at_least = 200.0").replace(
        "[[trigger.fires_when]]", f"{armed}[[trigger.fires_when]]"
    )
    # the level of fires_when holds from station 200 on (5 s); armed at station 260, which is 8 s
    trial = only_trial(HandDrive(fire_t=8.0), level)
    assert trial.timing.expected_at == pytest.approx(8.0)
    assert trial.timing.result == "on time"
    # an edge before the arming is lost, as the standard's trigger would have lost it
    edge = STUDY.replace("at_least = 300.0", "at_least = 200.0").replace(
        "[[trigger.fires_when]]", f"{armed}[[trigger.fires_when]]"
    )
    assert only_trial(HandDrive(fire_t=None, markers=[]), edge).timing.result == "not reached"


def test_once_armed_it_stays_armed() -> None:
    armed = '[[trigger.armed_when]]\nmeasure = "eyes_on_road"\nat_least = 0.5\n'
    text = STUDY.replace("[[trigger.fires_when]]", f"{armed}[[trigger.fires_when]]", 1)
    glance = HandDrive(signals=lambda t: {"eyes_on_road": 3.0 <= t < 3.1})
    assert only_trial(glance, text).timing.result == "on time"
    never = HandDrive(signals=lambda t: {"eyes_on_road": False})
    assert only_trial(never, text).timing.result == "early"


def test_two_rising_edges_must_fall_in_the_same_step() -> None:
    # ASAM OpenSCENARIO XML: a group of two rising conditions holds only if both rise in the same evaluation
    second = '[[trigger.fires_when]]\nmeasure = "eyes_on_road"\nat_least = 0.5\nedge = "rising"\n'
    text = STUDY.replace("[[trigger.condition]]", f"{second}[[trigger.condition]]", 1)
    together = HandDrive(signals=lambda t: {"eyes_on_road": t >= FIRE_T - 1e-9})
    assert only_trial(together, text).timing.result == "on time"
    one_frame_apart = HandDrive(signals=lambda t: {"eyes_on_road": t >= FIRE_T + PERIOD_S - 1e-9})
    assert only_trial(one_frame_apart, text).timing.result == "early"


def test_a_rule_on_the_gap_to_the_lead_is_followed() -> None:
    text = STUDY.replace(
        'measure = "station"\nat_least = 300.0\nedge = "rising"',
        'measure = "ttc"\nrole = "lead"\nat_most = 2.4\nedge = "rising"',
    )
    # van brakes at a = 5 m/s² from 10 s on, gap 30 m: ½·a·t² + T·a·t − d = 0 → t = −2.4 + √(2.4² + 2·30/5) = 1.8143 s
    trial = only_trial(HandDrive(fire_t=FIRE_T), text)
    assert trial.timing.expected_at == pytest.approx(FIRE_T + 1.8143, abs=PERIOD_S)
    assert trial.timing.result == "early"

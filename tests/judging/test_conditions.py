"""Three-valued conditions on drives written by hand: every expected value here is worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from monitor.judging.case.trial import Trial
from tests.judging.hand import FIRE_T, STUDY, HandDrive, dips, only_trial


def result(trial: Trial, name: str) -> tuple[str, float | None, str | None]:
    condition = next(one for one in trial.conditions if one.name == name)
    return condition.result, condition.value, condition.state


def test_a_clean_drive_is_valid_with_the_values_of_the_hand() -> None:
    trial = only_trial(HandDrive())
    assert trial.verdict == "valid", trial
    assert trial.stage == "final"
    assert trial.findings == ()
    assert result(trial, "time gap")[0] == "met"
    # 30.0 m at 20 m/s; the station and the marker are exact at the fire
    assert result(trial, "time gap")[1] == pytest.approx(1.5, abs=1e-9)
    assert result(trial, "own speed") == ("met", 20.0, None)
    assert result(trial, "van braking") == ("met", -5.0, None)
    assert trial.timing.result == "on time"
    assert trial.timing.expected_at == pytest.approx(FIRE_T, abs=1e-9)
    assert trial.alert.result == "as assigned"
    assert trial.naive == "yes"
    assert trial.role_id == {"lead": 1}


@pytest.mark.parametrize(
    ("at_most", "tolerance", "expected", "at_edge"),
    [(1.49, 0.0, "not met", False), (1.49, 0.02, "met", True), (1.51, 0.0, "met", False)],
)
def test_a_tolerance_widens_the_band_and_marks_the_edge(
    at_most: float, tolerance: float, expected: str, at_edge: bool
) -> None:
    text = STUDY.replace("at_most = 1.9", f"at_most = {at_most}\ntolerance = {tolerance}")
    trial = only_trial(HandDrive(), text)
    condition = trial.conditions[0]
    assert (condition.result, condition.at_edge) == (expected, at_edge)
    assert condition.margin == pytest.approx(at_most - 1.5, abs=1e-9)
    assert trial.verdict == ("valid" if expected == "met" else "invalid")


def test_a_value_out_of_the_band_in_one_frame_of_the_window_is_not_met_and_named() -> None:
    slow = HandDrive(own_speed=dips(18.0, 8.5, 8.5))
    trial = only_trial(slow)
    state, value, why = result(trial, "own speed")
    assert (state, why) == ("not met", None)
    assert value == pytest.approx(18.0, abs=1e-6)
    assert trial.verdict == "invalid"


def test_no_lead_is_undecided_unless_the_condition_says_otherwise() -> None:
    gone = HandDrive(van=lambda t: {"lane": 2, "y": 3.5})
    trial = only_trial(gone)
    assert result(trial, "time gap") == ("undecided", None, "no lead")
    assert trial.verdict == "undecided"
    told = STUDY.replace("at_most = 1.9", 'at_most = 1.9\nif_missing = "not met"')
    assert only_trial(gone, told).verdict == "invalid"


def test_not_closing_passes_at_least_and_fails_at_most() -> None:
    ttc = '[[trigger.condition]]\nname = "ttc"\nmeasure = "ttc"\nrole = "lead"\n'
    for band, expected in (("at_least = 4.0", "met"), ("at_most = 4.0", "not met")):
        text = STUDY.replace("[trigger.alert]", f"{ttc}{band}\n[trigger.alert]")
        assert result(only_trial(HandDrive(), text), "ttc") == (expected, None, "not closing")


def test_a_lost_frame_inside_a_window_leaves_it_undecided_but_a_failure_stands() -> None:
    inside = frozenset({round(8.0 * 60)})
    trial = only_trial(HandDrive(lost_frames=inside))
    assert result(trial, "own speed")[0] == "undecided"
    assert [finding.code for finding in trial.findings] == ["witness-gap"]
    assert trial.verdict == "undecided"
    slow = HandDrive(lost_frames=inside, own_speed=dips(18.0, 6.0, 8.9))
    assert result(only_trial(slow), "own speed")[0] == "not met"
    assert only_trial(slow).verdict == "invalid"


def test_at_fire_between_frames_both_sides_must_agree() -> None:
    half = 0.5 / 60
    step = HandDrive(fire_t=FIRE_T + half, own=lambda t: {"speed": 20.0 if t < FIRE_T + half else 25.0})
    trial = only_trial(replace(step, markers=[(10.3, "alert_on", "a", {"modality": "sound"})]))
    # 1.5 s before the fire; 30 m / 25 m/s = 1.2 s after it: one in, one out
    state, value, _ = result(trial, "time gap")
    assert state == "undecided"
    assert value == pytest.approx(1.5, abs=1e-6)


def test_the_frame_beside_the_fire_must_be_within_two_periods() -> None:
    third = 1 / 180
    two_lost = frozenset(round(FIRE_T * 60) + k for k in (1, 2))
    trial = only_trial(HandDrive(fire_t=FIRE_T + third, lost_frames=two_lost))
    assert result(trial, "time gap")[0] == "undecided"
    one_lost = frozenset({round(FIRE_T * 60) + 1})
    assert result(only_trial(HandDrive(fire_t=FIRE_T + third, lost_frames=one_lost)), "time gap")[0] == "met"


def test_within_needs_the_band_to_be_held() -> None:
    blip = HandDrive(van_decel=lambda t: 5.0 if 10.2 < t < 10.5 else 0.0)
    assert result(only_trial(blip), "van braking")[0] == "not met"
    soft = HandDrive(brake_mps2=1.5)
    state, value, why = result(only_trial(soft), "van braking")
    assert (state, why) == ("not met", None)
    assert value == pytest.approx(-1.5)
    assert only_trial(soft).verdict == "invalid"


def test_within_is_undecided_where_a_loss_could_hide_it() -> None:
    late = HandDrive(van_decel=lambda t: 5.0 if t > 11.2 else 0.0)
    assert result(only_trial(late), "van braking")[0] == "not met"
    hidden = replace(late, lost_frames=frozenset(range(round(10.5 * 60), round(11.3 * 60))))
    assert result(only_trial(hidden), "van braking")[0] == "undecided"


def test_a_share_of_the_time_is_weighed_by_time() -> None:
    text = STUDY.replace("during = [-3.0, 0.0]", "during = [-3.0, 0.0]\nshare = 0.8")
    # out of the band for 0.5 s of 3.0 s: 83 % in
    short = HandDrive(own_speed=dips(18.0, 8.0, 8.4))
    assert result(only_trial(short, text), "own speed")[0] == "met"
    long = HandDrive(own_speed=dips(18.0, 8.0, 8.6))
    assert result(only_trial(long, text), "own speed")[0] == "not met"
    # 0.5 s out and 0.2 s lost: between 77 % and 83 %
    lost = replace(short, lost_frames=frozenset(range(round(9.0 * 60), round(9.2 * 60))))
    assert result(only_trial(lost, text), "own speed")[0] == "undecided"


def test_a_window_that_the_drive_cuts_is_undecided() -> None:
    trial = only_trial(HandDrive(end_t=10.4))
    assert result(trial, "van braking")[0] == "undecided"
    assert trial.verdict == "undecided"
    assert trial.stage == "final"


def test_a_rolling_measure_is_a_condition_like_any_other() -> None:
    # 0.3·sin(2·π·t/2 s) over 6 s, three whole periods of 120 frames and one frame more: its deviation is 0.3/√2 m
    text = STUDY.replace(
        "[trigger.alert]",
        '[[trigger.condition]]\nname = "steady"\nmeasure = "sdlp"\nover_s = 6.0\nat_most = 0.2\n[trigger.alert]',
    )
    weaving = HandDrive(own=lambda t: {"lane_offset": 0.3 * math.sin(math.pi * t)}, end_t=18.0)
    outcome, value, state = result(only_trial(weaving, text), "steady")
    assert (outcome, state) == ("not met", None)
    assert value == pytest.approx(0.3 / math.sqrt(2.0), rel=2e-3)
    calm = HandDrive(own=lambda t: {"lane_offset": 0.1 * math.sin(math.pi * t)}, end_t=18.0)
    assert result(only_trial(calm, text), "steady")[0] == "met"
    # a frame lost anywhere in its window leaves it unmeasured
    lost = replace(calm, lost_frames=frozenset({round(4.5 * 60)}))
    assert result(only_trial(lost, text), "steady")[0] == "undecided"

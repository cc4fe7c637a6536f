"""The response, apart from validity. Expected values are worked out by hand; the pedal example is checked at 100 Hz, so
that each of its instants falls on a frame."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from monitor.judging.case.trial import Response, Trial
from monitor.judging.response import release_times
from monitor.study.rules import ResponseRule
from tests.judging.hand import FIRE_T, GAP, SPEED, STUDY, HandDrive, judged, study_of


def ramp(t: float, start: float, stop: float, first: float, last: float) -> float:
    """A straight line from `first` at `start` to `last` at `stop`, constant outside."""
    share = min(max((t - start) / (stop - start), 0.0), 1.0)
    return first + (last - first) * share


def worked(t: float) -> dict[str, float]:
    """Accelerator 0.30 until 0.62 s, 0 at 0.78 s; brake over its threshold from 0.97 s; peak deceleration at 1.60 s."""
    after = t - FIRE_T
    return {
        "accelerator": ramp(after, 0.62, 0.7795, 0.30, 0.0),
        "brake": ramp(after, 0.96, 1.30, 0.015, 0.6) if after > 0.955 else 0.0,
        "accel": ramp(after, 0.96, 1.60, 0.0, -7.0) if after <= 1.6 else ramp(after, 1.6, 2.5, -7.0, -3.0),
    }


Own = Callable[[float], dict[str, float]]


def trial_of(drive: HandDrive, text: str = STUDY, group: str = "chime") -> Trial:
    trials = judged(drive, study=study_of(text), group=group).trials()
    return trials[0]


def response_of(drive: HandDrive, text: str = STUDY) -> Response:
    response = trial_of(drive, text).response
    assert response is not None
    return response


def test_the_worked_example() -> None:
    # definitions after SAE J2944 and Lee et al. 2002; the numbers follow from the stated pedal course
    response = response_of(HandDrive(rate_hz=100.0, own=worked, end_t=18.0))
    assert response.t0 == pytest.approx(FIRE_T)
    assert response.accelerator_release_s == pytest.approx(0.62, abs=1e-9)
    assert response.accelerator_full_release_s == pytest.approx(0.77, abs=1e-9)  # 0.01875: the first at most 0.02
    assert response.brake_onset_s == pytest.approx(0.97, abs=1e-9)
    assert response.transition_s == pytest.approx(0.97 - 0.77, abs=1e-9)
    assert response.onset_to_peak_s == pytest.approx(0.63, abs=1e-9)
    assert response.first == "accelerator"
    assert response.first_s == pytest.approx(0.62)
    assert (response.outcome, response.censored_at_s, response.release) == ("responded", None, "released")
    assert response.max_decel_mps2 == pytest.approx(7.0)
    assert response.from_alert_s == pytest.approx(0.62 - 0.3)


def test_with_a_zero_of_zero_the_release_is_full_where_the_pedal_is_up() -> None:
    text = STUDY.replace('origin = "fire"', 'origin = "fire"\naccelerator_zero = 0.0')
    response = response_of(HandDrive(rate_hz=100.0, own=worked, end_t=18.0), text)
    assert response.accelerator_full_release_s == pytest.approx(0.78, abs=1e-9)
    assert response.transition_s == pytest.approx(0.19, abs=1e-9)


def test_a_release_before_the_origin_is_not_defined_and_not_zero() -> None:
    coasting = HandDrive(own=lambda t: {"accelerator": 0.0, "brake": 0.5 if t > 11.0 else 0.0}, end_t=18.0)
    response = response_of(coasting)
    assert (response.accelerator_release_s, response.accelerator_full_release_s) == (None, None)
    assert response.release == "pre-released"
    assert response.transition_s is None
    assert (response.first, response.outcome) == ("brake", "responded")


def test_a_driver_who_brakes_at_the_origin_already_has_no_onset() -> None:
    braking = HandDrive(own=lambda t: {"accelerator": 0.0, "brake": 0.3 if t > 9.9 else 0.0}, end_t=18.0)
    response = response_of(braking)
    assert (response.outcome, response.brake_onset_s) == ("already responding", None)


def test_two_feet_give_a_negative_transition() -> None:
    two = HandDrive(
        rate_hz=100.0,
        own=lambda t: {
            "accelerator": ramp(t - FIRE_T, 1.2, 1.4, 0.3, 0.0),
            "brake": 0.4 if t - FIRE_T >= 0.795 else 0.0,
        },
        end_t=18.0,
    )
    response = response_of(two)
    assert response.brake_onset_s == pytest.approx(0.80)
    assert response.accelerator_full_release_s == pytest.approx(1.39)
    assert response.transition_s == pytest.approx(0.80 - 1.39)
    assert response.first == "brake"


def test_steering_is_a_response_and_not_a_missing_one() -> None:
    # threshold 0.052 rad (3 degrees) from the baseline of the last half second, which is 0.02 here
    wheel = HandDrive(own=lambda t: {"steering_angle": 0.02 + ramp(t - FIRE_T, 1.0, 2.0, 0.0, 0.104)}, end_t=18.0)
    response = response_of(wheel)
    assert response.steering_onset_s == pytest.approx(1.5, abs=1 / 60 + 1e-9)
    assert (response.first, response.outcome, response.brake_onset_s) == ("steering", "responded", None)


def test_no_response_is_censored_at_the_horizon_and_valid() -> None:
    # the van brakes gently, so that nothing touches within the horizon of 3.0 s
    text = STUDY.replace("at_most = -4.0", "at_most = -2.0")
    drive = HandDrive(brake_mps2=2.5, end_t=18.0)
    trial = trial_of(drive, text)
    assert trial.response is not None
    assert (trial.response.outcome, trial.response.censored_at_s) == ("no response", 3.0)
    assert (trial.response.first, trial.response.release) == (None, "kept pressed")
    assert trial.verdict == "valid"


@pytest.mark.parametrize(
    ("own", "outcome"),
    [
        ({"brake": math.nan, "accelerator": math.nan}, "not measured"),
        ({"brake": math.nan, "accelerator": math.nan, "steering_angle": math.nan}, "not measured"),
        ({"brake": math.nan, "accelerator": 0.0}, "not measured"),  # released before: braking would not show
        ({"brake": math.nan}, "no response"),  # the accelerator stays pressed
        ({"accelerator": math.nan}, "no response"),
    ],
)
def test_without_pedals_there_is_no_response_that_could_be_missing(own: dict[str, float], outcome: str) -> None:
    trial = judged(HandDrive(own=lambda t: own, end_t=18.0)).trials()[0]
    assert trial.response is not None
    assert (trial.response.outcome, trial.response.first_s) == (outcome, None)


def test_a_wheel_in_degrees_gives_no_false_steering_response() -> None:
    def own(t: float) -> dict[str, float]:
        yaw_rate = 0.02 * math.sin(0.8 * t)
        heading = -0.02 / 0.8 * (math.cos(0.8 * t) - 1.0)
        y = SPEED * 0.02 / 0.8 * (t - math.sin(0.8 * t) / 0.8)
        return {
            "yaw_rate": yaw_rate,
            "heading": heading,
            "y": y,
            "steering_angle": math.degrees(43.0 * yaw_rate / SPEED),
        }

    trial = judged(HandDrive(own=own, end_t=18.0)).trials()[0]
    assert trial.response is not None
    assert trial.response.first != "steering"


def test_a_contact_censors_the_response_and_the_trial_stays_valid() -> None:
    # 30 m closed at 5 m/s²: √(2·30/5) = 3.4641 s, before the van stands (4 s); closing speed 5 · 3.4641 = 17.32 m/s
    text = STUDY.replace("horizon_s = 3.0", "horizon_s = 5.0")
    trial = trial_of(HandDrive(end_t=20.0), text)
    response = trial.response
    assert response is not None
    assert response.outcome == "collision before response"
    assert response.censored_at_s == pytest.approx((2 * GAP / 5.0) ** 0.5, abs=1 / 60)
    assert response.impact_speed_mps == pytest.approx(17.32, abs=0.09)
    assert response.min_gap_m == pytest.approx(0.0, abs=0.3)
    assert trial.verdict == "valid"


def test_a_response_before_the_contact_is_no_censored_one() -> None:
    text = STUDY.replace("horizon_s = 3.0", "horizon_s = 5.0")
    late = HandDrive(own=lambda t: {"brake": 0.5 if t > FIRE_T + 3.0 else 0.0}, end_t=20.0)
    response = response_of(late, text)
    assert (response.outcome, response.censored_at_s) == ("collision", None)
    assert response.brake_onset_s == pytest.approx(3.0, abs=1 / 60 + 1e-9)


def test_a_contact_is_also_known_by_its_marker() -> None:
    told = HandDrive(markers=[*HandDrive().markers, (FIRE_T + 2.0, "collision", "van", {})], end_t=18.0)
    response = response_of(told)
    assert response.outcome == "collision before response"
    assert response.censored_at_s == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("own", "outcome"),
    [
        (lambda t: {"accelerator": 0.0 if t > FIRE_T + 0.08 else 0.3}, "anticipatory"),
        (lambda t: {"accelerator": 0.0 if t > FIRE_T + 0.12 else 0.3}, "responded"),
        (lambda t: {"brake": 0.5 if t > FIRE_T + 0.28 else 0.0}, "anticipatory"),
        (lambda t: {"brake": 0.5 if t > FIRE_T + 0.32 else 0.0}, "responded"),
    ],
)
def test_anticipation_is_an_outcome_by_the_studys_windows_and_no_finding(own: Own, outcome: str) -> None:
    # 0.10 s for a release and 0.30 s for the brake: common practice, no source
    trial = trial_of(HandDrive(own=own, end_t=18.0))
    assert trial.response is not None
    assert trial.response.outcome == outcome
    assert trial.findings == ()
    assert trial.verdict == "valid"


def test_a_drive_that_ends_first_cuts_the_response_short() -> None:
    response = response_of(HandDrive(end_t=FIRE_T + 2.0))
    assert response.outcome == "cut short"
    assert response.censored_at_s == pytest.approx(2.0, abs=0.02)


@pytest.mark.parametrize("origin", ["fire", "hazard onset"])
def test_all_groups_have_the_same_origin(origin: str) -> None:
    text = STUDY.replace('origin = "fire"', f'origin = "{origin}"')
    drive = HandDrive(own=worked, end_t=18.0)
    with_alert = trial_of(drive, text, group="chime")
    without = trial_of(replace(drive, group="no-alert", markers=[]), text, group="no-alert")
    assert with_alert.response is not None
    assert without.response is not None
    assert with_alert.response.t0 == without.response.t0
    assert with_alert.response.first_s == without.response.first_s
    assert with_alert.response.from_alert_s is not None
    assert without.response.from_alert_s is None


def test_the_alerts_criterion_is_an_origin_for_a_group_without_alert_too() -> None:
    text = STUDY.replace(
        'origin = "fire"',
        'origin = "alert criterion"\ncriterion = { measure = "ttc", role = "lead", at_most = 4.0 }',
    )
    # ½·a·t² + T·a·t − d = 0 with T = 4.0, a = 5, d = 30: t = −4 + √(16 + 12) = 1.2915 s
    drive = HandDrive(own=worked, end_t=18.0)
    for group, markers in (("chime", drive.markers), ("no-alert", [])):
        trial = trial_of(replace(drive, group=group, markers=markers), text, group=group)
        assert trial.response is not None
        assert trial.response.t0 == pytest.approx(FIRE_T + 1.2915, abs=1 / 60)


def test_the_hazards_onset_is_the_origin_where_the_study_says_so() -> None:
    text = STUDY.replace('origin = "fire"', 'origin = "hazard onset"')
    later = HandDrive(van=lambda t: {"accel": -5.0 if t > FIRE_T + 0.4 else 0.0}, own=worked, end_t=18.0)
    response = response_of(later, text)
    assert response.t0 == pytest.approx(FIRE_T + 0.4, abs=1 / 60 + 1e-9)


def test_latency_from_the_alert_counts_its_output_delay() -> None:
    text = STUDY.replace("latest_s = 0.6", "latest_s = 0.6\noutput_delay_s = { sound = 0.05 }")
    commanded = HandDrive(
        rate_hz=100.0, own=worked, markers=[(10.3, "alert_on", "a", {"modality": "sound"})], end_t=18.0
    )
    response = response_of(commanded, text)
    assert response.from_alert_s == pytest.approx(0.62 - 0.35)
    measured = replace(commanded, markers=[(10.3, "alert_on", "a", {"modality": "sound", "measured": True})])
    assert response_of(measured, text).from_alert_s == pytest.approx(0.62 - 0.30)


def test_a_body_edge_over_the_line_is_a_lane_departure() -> None:
    # lane 3.5 m, car 1.84 m: the edge is on the line at |offset| = 0.83 m
    def left_lane(offset: float) -> bool | None:
        aside = HandDrive(own=lambda t: {"lane_offset": offset if t > 11.0 else 0.0}, end_t=18.0)
        return response_of(aside).left_lane

    assert left_lane(0.82) is False
    assert left_lane(0.84) is True


def test_the_begin_of_the_fall_is_the_initial_release() -> None:
    # a pedal that trembles before it falls: the fall that crosses the threshold counts, and from where it begins
    t = np.arange(0.0, 1.0, 0.1)
    pedal = np.array([0.30, 0.29, 0.30, 0.30, 0.28, 0.20, 0.10, 0.0, 0.0, 0.0])
    rule = ResponseRule()
    assert release_times(t, pedal, rule) == pytest.approx((0.3, 0.7))
    assert release_times(t, np.concatenate([[0.0], pedal[1:]]), rule) == (None, None)
    assert release_times(t, np.full(10, np.nan), rule) == (None, None)


def test_the_fall_is_from_the_pedal_at_the_origin_whatever_it_was_before() -> None:
    # the pedal came down from 0.40 just before the origin, stands at 0.30 there, eases to 0.26 and is let go of at
    # 2.5 s: below the origin's pedal by more than 0.05 is below 0.25, so the release begins at 2.5 s and not at 1.0 s
    def eased(t: float) -> dict[str, float]:
        after = t - FIRE_T
        pedal = (
            0.40 if after < -0.2 else ramp(after, 1.0, 1.5, 0.30, 0.26) if after < 2.5 else 0.26 - 0.5 * (after - 2.5)
        )
        return {"accelerator": max(pedal, 0.0)}

    text = STUDY.replace("at_most = -4.0", "at_most = -2.0")
    response = response_of(HandDrive(rate_hz=100.0, own=eased, brake_mps2=2.5, end_t=18.0), text)
    assert response.accelerator_release_s == pytest.approx(2.5, abs=1e-9)

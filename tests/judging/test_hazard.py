"""The scripted hazard: there or not, weak, and its level, ramp and hold; another vehicle between; a bend under it."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from monitor.study.loading import load_study
from monitor.study.rules import HazardRule
from tests.judging.hand import (
    FIRE_T,
    GAP,
    OWN_LENGTH,
    SPEED,
    STUDY,
    VAN_LENGTH,
    HandDrive,
    first_trial,
    found_codes,
)
from tests.judging.simulated import CONFIGS

G = 9.80665
"""Standard gravity in m/s² (ISO 80000-3)."""

# the lead's braking of the US forward-collision confirmation test (NHTSA, February 2013, test 2; from memory): 0.3 g
# within 1.5 s of the begin, ± 0.03 g; a first peak of at most 0.375 g for at most 50 ms; at most 0.33 g 0.5 s after it
SHAPE = f"""[trigger.hazard]
role = "lead"
decel_at_least_mps2 = 1.47
within_s = 4.0
level_mps2 = {0.3 * G}
level_tolerance_mps2 = {0.03 * G}
reached_within_s = 1.5
held_s = 1.0
peak_at_most_mps2 = {0.375 * G}
peak_lasts_s = 0.05
settles_within_s = 0.5
"""


def text_with(hazard: str) -> str:
    start, stop = STUDY.index("[trigger.hazard]"), STUDY.index("[trigger.response]")
    braking = STUDY[STUDY.index('name = "van braking"') : STUDY.index("[trigger.alert]")]
    text = STUDY[:start] + hazard + STUDY[stop:]
    return text.replace(braking, braking.replace("at_most = -4.0", "at_most = 9.0"))


def braking(*points: tuple[float, float]) -> Any:
    """The van's deceleration in g by straight lines between (seconds from the fire, g)."""

    def decel(t: float) -> float:
        after = t - FIRE_T
        if after < points[0][0]:
            return 0.0
        for (t0, g0), (t1, g1) in pairwise(points):
            if t0 <= after < t1:
                return G * (g0 + (g1 - g0) * (after - t0) / (t1 - t0))
        return G * points[-1][1]

    return decel


@pytest.mark.parametrize(
    ("profile", "words"),
    [
        ([(0.0, 0.0), (1.0, 0.3), (4.0, 0.3)], None),
        ([(0.0, 0.0), (1.45, 0.3), (4.0, 0.3)], None),  # the slowest ramp that is allowed
        ([(0.0, 0.0), (2.2, 0.3), (4.0, 0.3)], "reached 2.25 m/s²"),
        ([(0.0, 0.0), (0.5, 0.25), (4.0, 0.25)], "reached 2.45 m/s²"),
        ([(0.0, 0.0), (0.5, 0.3), (1.2, 0.3), (1.3, 0.2), (4.0, 0.2)], "fell to"),
        ([(0.0, 0.0), (0.5, 0.36), (0.7, 0.3), (4.0, 0.3)], None),  # a first peak below 0.375 g that settles
        ([(0.0, 0.0), (0.5, 0.41), (0.8, 0.3), (4.0, 0.3)], "peaked at 4.02 m/s²"),
        ([(0.0, 0.0), (0.5, 0.36), (4.0, 0.34)], "still braked with"),
    ],
)
def test_level_ramp_peak_and_hold(profile: list[tuple[float, float]], words: str | None) -> None:
    trial = first_trial(HandDrive(van_decel=braking(*profile), end_t=18.0), text_with(SHAPE))
    if words is None:
        assert found_codes(trial) == []
        assert trial.verdict == "valid"
        return
    assert found_codes(trial) == ["hazard-profile"]
    assert words in trial.findings[0].sentence
    assert trial.verdict == "invalid"


def test_the_sentence_has_the_band_and_the_times() -> None:
    trial = first_trial(HandDrive(van_decel=braking((0.0, 0.0), (2.2, 0.3), (4.0, 0.3)), end_t=18.0), text_with(SHAPE))
    (finding,) = trial.findings
    # 0.3 g in 2.2 s: the limit of "no braking yet", 0.25 m/s², is passed after 0.187 s
    assert finding.sentence.endswith("within 1.50 s from the begin of braking at 10.18 s, band 2.65–3.24 m/s².")


def test_nothing_is_judged_after_a_contact() -> None:
    # the van is pushed on at 1.0 s: its braking ends there, and that is no fault of the script
    pushed = braking((0.0, 0.0), (0.5, 0.3), (1.0, 0.3), (1.01, -0.5), (4.0, 0.0))
    contact = HandDrive(
        van_decel=pushed, markers=[*HandDrive().markers, (FIRE_T + 1.0, "collision", "van", {})], end_t=18.0
    )
    assert found_codes(first_trial(contact, text_with(SHAPE))) == []
    assert found_codes(first_trial(replace(contact, markers=HandDrive().markers), text_with(SHAPE))) == [
        "hazard-profile"
    ]


@pytest.mark.parametrize(
    ("decel", "code", "severity", "verdict"),
    [
        (0.0, "hazard-missing", "void", "invalid"),
        (0.9, "hazard-missing", "void", "invalid"),
        (1.1, "hazard-weak", "doubtful", "undecided"),
        (1.9, "hazard-weak", "doubtful", "undecided"),
    ],
)
def test_a_hazard_that_did_not_come_or_was_weak(decel: float, code: str, severity: str, verdict: str) -> None:
    text = text_with('[trigger.hazard]\nrole = "lead"\ndecel_at_least_mps2 = 2.0\nwithin_s = 3.0\n')
    trial = first_trial(HandDrive(van_decel=braking((0.0, decel / G), (4.0, decel / G)), end_t=18.0), text)
    (finding,) = trial.findings
    assert (finding.code, finding.severity, trial.verdict) == (code, severity, verdict)
    assert finding.sentence == (
        f"The vehicle 1 braked with {decel:.2f} m/s² at most in the 3.0 s after the fire; "
        "the hazard begins at 2.00 m/s²."
    )


def test_a_hazard_is_not_called_missing_where_it_may_have_been_lost() -> None:
    text = text_with('[trigger.hazard]\nrole = "lead"\nwithin_s = 3.0\n')
    trial = first_trial(HandDrive(brake_mps2=0.0, lost_frames=frozenset(range(640, 660)), end_t=18.0), text)
    assert found_codes(trial) == ["witness-gap"]


def test_the_presets_shape_is_the_procedures() -> None:
    rule = load_study(CONFIGS / "rear-end-preset.toml").triggers[0].hazard
    assert rule is not None
    assert rule.level_mps2 == pytest.approx(0.3 * G, abs=1e-5)
    assert rule.level_tolerance_mps2 == pytest.approx(0.03 * G, abs=1e-5)
    assert (rule.reached_within_s, rule.peak_lasts_s, rule.settles_within_s) == (1.5, 0.05, 0.5)
    assert rule.peak_at_most_mps2 == pytest.approx(0.375 * G, abs=1e-5)
    assert HazardRule().level_mps2 is None  # without a level nothing is judged


# --- other vehicles ---------------------------------------------------------------------------------------------------


def car(
    number: int, ahead_m: float, *, lane: int = 1, y: float = 0.0, speed: float = SPEED, t: float
) -> dict[str, Any]:
    """Another car, its centre `ahead_m` from where the own car's would be at constant speed."""
    place = 100.0 + SPEED * t + ahead_m
    return {
        "id": number,
        "x": place,
        "y": y,
        "heading": 0.0,
        "speed": speed,
        "accel": 0.0,
        "length": 4.0,
        "width": 1.8,
        "station": place,
        "lane": lane,
    }


MIDDLE = GAP / 2 + OWN_LENGTH / 2


def test_a_vehicle_between_before_the_fire_is_a_changed_lead() -> None:
    def cuts_in(t: float) -> list[dict[str, Any]]:
        inside = 8.0 < t < 9.0
        return [car(7, MIDDLE, lane=1 if inside else 2, y=0.0 if inside else 3.5, t=t)]

    cut_in = HandDrive(more_vehicles=cuts_in, end_t=18.0)
    trial = first_trial(cut_in, STUDY)
    assert found_codes(trial) == ["lead-changed"]
    assert trial.findings[0].sentence == (
        "From 8.02 s the nearest vehicle ahead was the vehicle 7, not the vehicle 1 as at the fire."
    )
    assert trial.verdict == "undecided"
    assert (
        found_codes(first_trial(replace(cut_in, more_vehicles=lambda t: [car(7, MIDDLE, lane=2, y=3.5, t=t)]), STUDY))
        == []
    )


def test_a_vehicle_between_after_the_fire_is_a_changed_lead() -> None:
    def cuts_in(t: float) -> list[dict[str, Any]]:
        return [car(7, MIDDLE, lane=1 if t > FIRE_T + 0.5 else 2, y=0.0 if t > FIRE_T + 0.5 else 3.5, t=t)]

    trial = first_trial(HandDrive(more_vehicles=cuts_in, end_t=18.0), STUDY)
    assert found_codes(trial) == ["lead-changed"]
    assert "after the fire, the vehicle 7 was between the own car and the vehicle 1" in trial.findings[0].sentence


def test_where_the_driver_goes_after_the_fire_changes_no_lead() -> None:
    # the driver pulls out into the other lane, where another car is nearest ahead: that is the response
    pulls_out = HandDrive(
        own=lambda t: {"lane": 2, "y": 3.5, "lane_offset": 0.0} if t > FIRE_T + 1.0 else {},
        more_vehicles=lambda t: [car(7, 25.0, lane=2, y=3.5, t=t)],
        end_t=18.0,
    )
    assert found_codes(first_trial(pulls_out, STUDY)) == []


def test_a_follower_that_closes_up_is_no_intruder() -> None:
    # it was behind the own car at the fire, and passes the place where that one was
    follower = HandDrive(
        more_vehicles=lambda t: [car(7, -20.0 + (8.0 * (t - 10.0) if t > 10.0 else 0.0), t=t)], end_t=18.0
    )
    assert found_codes(first_trial(follower, STUDY)) == []


def test_an_oncoming_car_is_no_intruder() -> None:
    def oncoming(t: float) -> list[dict[str, Any]]:
        return [{**car(7, MIDDLE + 40.0 * (11.0 - t), lane=2, y=1.7, t=t), "heading": math.pi}]

    assert found_codes(first_trial(HandDrive(more_vehicles=oncoming, end_t=18.0), STUDY)) == []


def test_a_lead_that_vanishes_from_the_feed_is_told() -> None:
    swapped = HandDrive(van=lambda t: {"id": 8 if t > FIRE_T + 0.5 else 1}, end_t=18.0)
    trial = first_trial(swapped, STUDY)
    assert "lead-changed" in found_codes(trial)


# --- the road ---------------------------------------------------------------------------------------------------------


def on_arc(s: float, bend: float) -> dict[str, float]:
    """Place and heading at a distance along an arc that begins at the origin, eastwards."""
    if not bend:
        return {"x": s, "y": 0.0, "heading": 0.0}
    heading = math.remainder(s * bend, 2.0 * math.pi)
    return {"x": math.sin(s * bend) / bend, "y": (1.0 - math.cos(s * bend)) / bend, "heading": heading}


@pytest.mark.parametrize(("radius", "noted"), [(400.0, True), (900.0, True), (1300.0, False), (math.inf, False)])
def test_a_bend_under_the_event_is_a_note(radius: float, noted: bool) -> None:
    # without a road line the arc of yaw rate and speed is the way; 35.25 m from centre to centre
    assert OWN_LENGTH / 2 + GAP + VAN_LENGTH / 2 == pytest.approx(35.25)
    bend = 0.0 if math.isinf(radius) else 1.0 / radius

    def own(t: float) -> dict[str, float]:
        at = on_arc(100.0 + SPEED * t, bend)
        return {**at, "yaw_rate": SPEED * bend}

    def van(t: float) -> dict[str, float]:
        return on_arc(HandDrive().place_of_van(t), bend)

    turning = HandDrive(own=own, van=van, end_t=18.0)
    trial = first_trial(turning, STUDY)
    assert ("curved-path" in found_codes(trial)) is noted
    if noted:
        (note,) = trial.findings
        assert f"radius about {radius:.0f} m" in note.sentence
        assert trial.verdict == "valid"

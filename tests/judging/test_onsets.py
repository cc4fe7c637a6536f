"""The signs of a response that a study names: the first counts, each with threshold, direction, debounce and window.

The take-over is worked by hand: hands on the wheel at 2.10 s, automation off at 2.60 s, the wheel turned at 3.85 s.
"""

from __future__ import annotations

import math

import pytest

from monitor.judging.case.trial import Response
from monitor.judging.document import response_json
from tests.judging.hand import FIRE_T, STUDY, HandDrive, judged, study_of

SIGNS = """
[[trigger.response.sign]]
name = "hands"
measure = "hands_on_wheel"
at_least = 0.5
held_s = 0.2
anticipatory_s = 0.3
[[trigger.response.sign]]
name = "automation off"
measure = "automation"
at_most = 0.5
[[trigger.response.sign]]
name = "wheel turned"
measure = "steering_angle"
outside = [-0.05, 0.05]
from_baseline = true
"""
TEXT = (
    STUDY.replace(
        "[signals.eyes_on_road]", "[signals.hands_on_wheel]\n[signals.automation]\n[signals.eyes_on_road]"
    ).replace("horizon_s = 3.0\n", f"horizon_s = 6.0\n{SIGNS}")
    + '[trigger.response.stable]\nmeasure = "lane_offset"\nat_least = -0.2\nat_most = 0.2\nheld_s = 1.0\n'
)


def take_over(
    hands_s: float = 2.10, off_s: float = 2.60, wheel_s: float = 3.85, touch_s: float | None = None, sign: float = 1.0
) -> HandDrive:
    """Hands, automation and wheel at these seconds after the fire; a touch of a tenth of a second at `touch_s`."""

    def signals(t: float) -> dict[str, float]:
        after = t - FIRE_T
        touched = touch_s is not None and touch_s - 1e-9 <= after < touch_s + 0.1 - 1e-9
        return {
            "hands_on_wheel": float(after >= hands_s - 1e-9 or touched),
            "automation": float(after < off_s - 1e-9),
            "eyes_on_road": 0.0,
        }

    def own(t: float) -> dict[str, float]:
        after = t - FIRE_T
        # 0.02 rad of sensor offset all along; 0.1 rad from wheel_s on; the offset swings out to 0.7 m and comes back
        swing = 0.7 * math.sin(math.pi * (after - wheel_s)) if wheel_s <= after < wheel_s + 1.0 else 0.0
        turned = sign * 0.1 if after >= wheel_s - 1e-9 else 0.0
        return {"steering_angle": 0.02 + turned, "lane_offset": 0.1 + sign * swing}

    return HandDrive(rate_hz=20.0, end_t=20.0, signals=signals, own=own, brake_mps2=0.5)


def response_of(drive: HandDrive, text: str = TEXT) -> Response:
    response = judged(drive, study=study_of(text)).trials()[0].response
    assert response is not None
    return response


def test_the_first_sign_is_the_response() -> None:
    response = response_of(take_over())
    assert response.first == "hands"
    assert response.first_s == pytest.approx(2.10)
    assert response.signs == pytest.approx({"hands": 2.10, "automation off": 2.60, "wheel turned": 3.85})
    assert set(response.sign_states.values()) == {"came"}
    assert response.outcome == "responded"
    assert response_json(response)["signs"] == response.signs


def test_without_the_signs_only_the_wheel_would_have_told() -> None:
    response = response_of(take_over(), TEXT.replace(SIGNS, "steering_threshold_rad = 0.05\n"))
    assert (response.first, response.signs) == ("steering", {})
    assert response.first_s == pytest.approx(3.85)


def test_a_touch_shorter_than_the_debounce_is_none() -> None:
    assert response_of(take_over(touch_s=1.0)).signs["hands"] == pytest.approx(2.10)
    assert response_of(take_over(touch_s=1.0), TEXT.replace("held_s = 0.2\n", "")).signs["hands"] == pytest.approx(1.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_wheel_counts_to_either_side_and_from_its_baseline(sign: float) -> None:
    # with the offset of 0.02 rad taken for a turn the threshold would differ between the two sides
    text = TEXT.replace("outside = [-0.05, 0.05]", "outside = [-0.09, 0.09]")
    response = response_of(take_over(hands_s=9.0, off_s=9.0, sign=sign), text)
    assert response.first == "wheel turned"
    assert response.first_s == pytest.approx(3.85)
    assert response.sign_states["hands"] == "did not come"


def test_one_direction_alone() -> None:
    text = TEXT.replace("outside = [-0.05, 0.05]", "at_least = 0.05")
    assert response_of(take_over(sign=-1.0), text).sign_states["wheel turned"] == "did not come"


def test_what_was_there_at_the_origin_cannot_come_and_another_sign_counts() -> None:
    response = response_of(take_over(hands_s=-5.0))
    assert response.sign_states["hands"] == "already there"
    assert (response.first, response.outcome) == ("automation off", "responded")
    wheel = SIGNS.index('[[trigger.response.sign]]\nname = "wheel')
    already = response_of(take_over(hands_s=-5.0, off_s=-5.0), TEXT.replace(SIGNS[wheel:], ""))
    assert already.outcome == "already responding"
    assert already.first is None


def test_sooner_than_its_window_it_is_anticipation() -> None:
    assert response_of(take_over(hands_s=0.25)).outcome == "anticipatory"
    assert response_of(take_over(hands_s=0.30)).outcome == "responded"


def test_signs_that_are_not_measured_are_no_missing_response() -> None:
    drive = take_over()
    drive.signals = lambda t: {}
    drive.own = lambda t: {"steering_angle": math.nan}
    response = response_of(drive)
    assert set(response.sign_states.values()) == {"not measured"}
    assert (response.outcome, response.first) == ("not measured", None)


def test_no_sign_within_the_horizon_is_censored_there() -> None:
    response = response_of(take_over(hands_s=9.0, off_s=9.0, wheel_s=9.0))
    assert (response.outcome, response.censored_at_s) == ("no response", 6.0)


def test_how_well_the_car_was_kept_after_it() -> None:
    # 0.7 m out of the baseline of 0.1 m (at a frame: sin(π/2) half a second after the wheel); calm again 1.0 s after it
    response = response_of(take_over())
    assert response.max_lateral_deviation_m == pytest.approx(0.7)
    # counted from the last sign, the wheel at 3.85 s: |0.1 + swing| is at most 0.2 m again from 4.85 s on
    assert response.time_to_stable_s == pytest.approx(4.85, abs=0.051)
    never_turned = response_of(take_over(wheel_s=9.0))
    assert never_turned.time_to_stable_s == pytest.approx(2.60)  # calm all along: from the last sign on


@pytest.mark.parametrize(
    ("lost_s", "state", "first"),
    [
        ((1.90, 2.05), "came", "hands"),  # seen away in the frame at 2.05 s
        ((2.00, 2.10), "came", "hands"),  # two frames of 0.05 s not measured: known to a tenth of a second
        ((1.90, 2.10), "not measured", None),
        ((-3.0, 2.10), "not measured", None),  # never seen away
        ((2.10, 2.40), "not measured", None),  # came at 2.10 s, and is there when it is measured again
        ((2.50, 2.90), "came", "hands"),
    ],
)
def test_a_sign_that_came_while_it_was_not_measured_gives_no_time(
    lost_s: tuple[float, float], state: str, first: str | None
) -> None:
    """Hands come at 2.10 s, automation goes off at 2.60 s: with the hands unseen the automation is not the response."""
    drive = take_over()
    whole = drive.signals

    def lost(t: float) -> dict[str, float]:
        signals = dict(whole(t))
        if lost_s[0] - 1e-9 <= t - FIRE_T < lost_s[1] - 1e-9:
            del signals["hands_on_wheel"]
        return signals

    drive.signals = lost
    response = response_of(drive)
    assert response.sign_states["hands"] == state
    assert response.first == first
    assert response.outcome == ("responded" if first else "not measured")


def test_a_sign_that_came_unseen_after_the_first_changes_nothing() -> None:
    drive = take_over(off_s=1.0)
    drive.signals = lambda t: (
        {"automation": float(t - FIRE_T < 1.0 - 1e-9), "hands_on_wheel": 1.0}
        if t > FIRE_T + 2
        else {"automation": float(t - FIRE_T < 1.0 - 1e-9)}
    )
    response = response_of(drive)
    assert (response.first, response.outcome) == ("automation off", "responded")
    assert response.first_s == pytest.approx(1.0)


def test_without_a_response_nothing_is_stable_after_it() -> None:
    response = response_of(take_over(hands_s=9.0, off_s=9.0, wheel_s=9.0))
    assert (response.outcome, response.time_to_stable_s) == ("no response", None)


def test_the_least_time_until_the_bodies_touch_is_that_of_the_gap_in_line() -> None:
    response = response_of(take_over())
    assert response.min_ttc_s is not None
    assert response.min_ttc_bodies_s == pytest.approx(response.min_ttc_s, rel=1e-6)
    assert response_json(response)["min_ttc_bodies_s"] == response.min_ttc_bodies_s
    assert "min_ttc_bodies_s" not in response_json(response_of(take_over(), STUDY))

"""Each finding about the feed by a feed made by hand, and its absence on feeds in order, a perfect one included."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import Any

import pytest

from monitor.judging.case.trial import Trial
from tests.judging.hand import (
    FIRE_T,
    GAP,
    OWN_LENGTH,
    SPEED,
    STUDY,
    VAN_LENGTH,
    HandDrive,
    Mark,
    dips,
    first_trial,
    found_codes,
)

WALL = 1_772_469_000.0
ALERT = (10.3, "alert_on", "alert", {"modality": "sound"})


def sentence(trial: Trial, code: str) -> str:
    return next(one.sentence for one in trial.findings if one.code == code)


# --- feeds that are in order ------------------------------------------------------------------------------------------


def weaving(t: float, *, sign: float = 1.0, factor: float = 1.0) -> dict[str, float]:
    """A car that weaves: y = 0.3·sin(0.8·t), with heading, yaw rate, steering and offset of that path."""
    y, rate = 0.3 * math.sin(0.8 * t), 0.3 * 0.8 * math.cos(0.8 * t)
    yaw_rate = -0.3 * 0.64 * math.sin(0.8 * t) / SPEED
    return {
        "y": y,
        "heading": math.asin(rate / SPEED),
        "lane_offset": sign * y,
        "yaw_rate": sign * factor * yaw_rate,
        "steering_angle": sign * 40.0 * yaw_rate / SPEED,
    }


def surging(t: float, *, factor: float = 1.0, frozen_from: float = math.inf) -> dict[str, float]:
    """A speed of 20 + 0.4·sin(0.5·t) m/s with the place and acceleration of it."""
    way = SPEED * t + 0.4 / 0.5 * (1.0 - math.cos(0.5 * t))
    speed = SPEED + 0.4 * math.sin(0.5 * min(t, frozen_from))
    return {
        "x": 100.0 + way,
        "station": 100.0 + way,
        "speed": factor * speed,
        "accel": 0.2 * math.cos(0.5 * t),
        "accelerator": 0.3 + 0.1 * math.cos(0.5 * t),
    }


@pytest.mark.parametrize(
    "own",
    [
        lambda t: {},  # a perfect straight drive at a constant speed: nothing ever changes but the place
        weaving,
        surging,
        lambda t: {"accelerator": 0.3 + 0.01 * math.sin(t), "brake": 0.0},
        lambda t: {"yaw_rate": math.nan, "steering_angle": math.nan, "accelerator": math.nan, "brake": math.nan},
        lambda t: {"lane_offset": math.nan, "lane_width": math.nan},
        lambda t: {"accelerator": 0.0},  # a car that holds its speed by itself
    ],
)
@pytest.mark.parametrize("wall", [lambda t: None, lambda t: WALL + t, lambda t: WALL + 1.005 * t])
def test_nothing_is_found_where_nothing_is_wrong(
    own: Callable[[float], dict[str, float]], wall: Callable[[float], float | None]
) -> None:
    trial = first_trial(HandDrive(own=own, wall=wall, end_t=16.0))
    assert found_codes(trial) == []
    assert trial.verdict == "valid"


def test_a_feed_without_names_lanes_and_signals_gives_no_finding() -> None:
    bare = HandDrive(own=lambda t: {"lane": math.nan}, van=lambda t: {"lane": math.nan}, end_t=16.0)
    assert found_codes(first_trial(bare)) == []


# --- losses -----------------------------------------------------------------------------------------------------------


def test_lost_frames_inside_the_window_are_counted_and_placed() -> None:
    trial = first_trial(HandDrive(lost_frames=frozenset(range(560, 563)), end_t=16.0))
    assert sentence(trial, "witness-gap") == (
        "3 frames did not reach the recorder between 9.32 and 9.38 s, inside the trial's window."
    )
    assert trial.verdict == "undecided"


def test_lost_frames_outside_the_window_do_not_matter() -> None:
    assert found_codes(first_trial(HandDrive(lost_frames=frozenset(range(300, 330)), end_t=16.0))) == []


def test_a_recording_that_began_late_lacks_the_time_before() -> None:
    trial = first_trial(HandDrive(lost_frames=frozenset(range(540)), end_t=16.0))
    assert sentence(trial, "witness-gap") == (
        "Recording began at 9.00 s; the conditions look back to 7.00 s, 2.00 s earlier."
    )
    assert trial.verdict == "undecided"
    assert found_codes(first_trial(HandDrive(lost_frames=frozenset(range(418)), end_t=16.0))) == []


def test_a_failure_seen_stands_whatever_was_not_recorded() -> None:
    late = HandDrive(lost_frames=frozenset(range(540)), own_speed=dips(16.0, 9.5, 9.6, ramp_s=0.3), end_t=16.0)
    assert first_trial(late).verdict == "invalid"


def test_no_frame_at_all_about_the_trigger() -> None:
    trial = first_trial(HandDrive(lost_frames=frozenset(range(2000)), end_t=16.0))
    assert sentence(trial, "witness-gap") == "No frame was received about the trigger."
    assert trial.verdict == "undecided"


@pytest.mark.parametrize(("end", "cut"), [(FIRE_T + 1.3, True), (FIRE_T + 1.7, False)])
def test_a_drive_that_ends_inside_the_window_is_cut(end: float, cut: bool) -> None:
    # the conditions look until 1.5 s after the fire; the hazard came, and is not waited for any more
    trial = first_trial(HandDrive(end_t=end))
    assert ("window-cut" in found_codes(trial)) is cut
    assert trial.stage == "final"


def test_a_cut_drive_in_which_no_hazard_came_was_not_seen_to_its_end() -> None:
    text = STUDY.replace("at_most = -4.0", "at_most = 9.0")
    trial = first_trial(HandDrive(end_t=FIRE_T + 2.0, brake_mps2=0.0, markers=[ALERT]), text)
    assert found_codes(trial) == ["window-cut"]
    assert "hazard-missing" not in found_codes(trial)


def test_markers_that_never_arrive_inside_the_window() -> None:
    others: list[Mark] = [(FIRE_T + 0.3 + 0.0001 * k, "other", "x", {}) for k in range(41)]
    trial = first_trial(HandDrive(markers=[(10.25, *ALERT[1:]), *others], lost_markers=frozenset({5, 6}), end_t=16.0))
    assert sentence(trial, "marker-lost") == "2 markers sent until 10.32 s did not arrive; what they said is not known."


def test_an_unknown_trigger_inside_the_window_is_told() -> None:
    trial = first_trial(HandDrive(markers=[ALERT, (9.5, "trigger", "deer", {})], end_t=16.0))
    assert found_codes(trial) == ["trigger-unknown"]
    assert "deer" in trial.findings[0].sentence
    assert trial.verdict == "undecided"
    before = first_trial(HandDrive(markers=[ALERT, (2.0, "trigger", "deer", {})], end_t=16.0))
    assert found_codes(before) == []


def test_an_unknown_trigger_is_told_of_a_trial_that_never_fired() -> None:
    trial = first_trial(HandDrive(fire_t=None, markers=[(10.0, "trigger", "gate-brakes", {})], end_t=16.0))
    assert set(found_codes(trial)) == {"trigger-missed", "trigger-unknown"}


# --- the simulator's time ---------------------------------------------------------------------------------------------


def stretched(extra: Callable[[float], float]) -> Callable[[float], float]:
    """A wall clock that is `extra(t)` ahead."""
    return lambda t: WALL + t + extra(t)


def test_a_freeze_shows_in_the_wall_clock() -> None:
    trial = first_trial(HandDrive(wall=stretched(lambda t: 0.25 if t > 10.0 else 0.0), end_t=16.0))
    assert sentence(trial, "display-stutter") == (
        "The simulator stood still for 0.25 s at 10.00 s: its wall clock ran on and its own time did not."
    )
    assert trial.verdict == "invalid"
    short = first_trial(HandDrive(wall=stretched(lambda t: 0.08 if t > 10.0 else 0.0), end_t=16.0))
    assert "display-stutter" not in found_codes(short)
    outside = first_trial(HandDrive(wall=stretched(lambda t: 0.25 if t > 4.0 else 0.0), end_t=16.0))
    assert found_codes(outside) == []


def test_a_pause_inside_the_window_is_called_a_pause_and_no_freeze() -> None:
    trial = first_trial(
        HandDrive(
            markers=[ALERT, (9.0, "pause", "", {}), (9.0, "resume", "", {})],
            wall=stretched(lambda t: 30.0 if t > 9.0 else 0.0),
            end_t=16.0,
        )
    )
    assert found_codes(trial) == ["paused-in-window"]


def held(from_t: float, until_t: float) -> Callable[[float], float]:
    """Simulated time as the picture shows it: it stands between two times and then jumps on."""
    return lambda t: from_t if from_t <= t < until_t else t


def test_the_same_picture_in_a_moving_car_is_a_stutter() -> None:
    shown = held(9.5, 9.65)

    def own(t: float) -> dict[str, float]:
        return {"x": 100.0 + SPEED * shown(t), "station": 100.0 + SPEED * shown(t)}

    def van(t: float) -> dict[str, float]:
        place = 100.0 + GAP + (OWN_LENGTH + VAN_LENGTH) / 2 + SPEED * shown(t)
        return {"x": place, "station": place} if t < FIRE_T else {}

    trial = first_trial(HandDrive(own=own, van=van, end_t=16.0))
    assert sentence(trial, "display-stutter").startswith(
        "The simulator repeated the same picture for 8 frames from 9.50"
    )
    assert trial.verdict == "invalid"
    # own car's channels alone stand: that is the feed, and not the picture
    alone = first_trial(HandDrive(own=own, end_t=16.0))
    assert "display-stutter" not in found_codes(alone)
    assert (sentence(alone, "channel-frozen")[:47], alone.verdict) == (
        "Own car's place kept its last digit for 0.13 s ",
        "undecided",
    )


@pytest.mark.parametrize(
    ("shift_s", "at_t", "code", "verdict"),
    [
        (0.15, 9.5, "display-stutter", "invalid"),
        (0.15, 8.0, "frame-late", "valid"),  # seen long before the event
        (0.05, 9.5, "frame-late", "valid"),  # too little to be seen
    ],
)
def test_motion_shown_late_counts_about_the_event_and_from_a_tenth_of_a_second_on(
    shift_s: float, at_t: float, code: str, verdict: str
) -> None:
    trial = first_trial(HandDrive(warp=lambda t: t + (shift_s if t > at_t else 0.0), end_t=16.0))
    assert (found_codes(trial), trial.verdict) == ([code], verdict)


def test_of_a_source_that_numbers_no_frames_an_overrun_may_be_a_loss() -> None:
    drive = HandDrive(warp=lambda t: t + (0.15 if t > 9.5 else 0.0), end_t=16.0, unnumbered=True)
    trial = first_trial(drive)
    assert (found_codes(trial), trial.verdict) == (["witness-gap"], "undecided")
    assert sentence(trial, "witness-gap").startswith("The simulator overran, or frames were lost on their way: ")
    small = HandDrive(warp=lambda t: t + (0.05 if t > 9.5 else 0.0), end_t=16.0, unnumbered=True)
    assert (found_codes(first_trial(small)), first_trial(small).verdict) == (["frame-late"], "valid")


@pytest.mark.parametrize("tick_s", [0.01, 0.0156, 0.016])
def test_a_clock_that_ticks_or_jitters_is_no_stutter(tick_s: float) -> None:
    ticking = HandDrive(stamp=lambda t: math.floor(t / tick_s + 1e-6) * tick_s, end_t=16.0)
    assert (found_codes(first_trial(ticking)), first_trial(ticking).verdict) == ([], "valid")
    jitter = random.Random(3)
    noisy = HandDrive(stamp=lambda t: t + jitter.gauss(0.0, 0.002) * (t > 1.0), end_t=16.0)
    trial = first_trial(noisy)
    assert ([one.severity for one in trial.findings if one.severity != "note"], trial.verdict) == ([], "valid")


def test_times_in_milliseconds_are_named() -> None:
    trial = first_trial(HandDrive(stamp=lambda t: 1000.0 * t, end_t=16.0))
    assert "times in milliseconds?" in sentence(trial, "unit-implausible")
    assert trial.verdict != "valid"


def test_a_clock_that_jumps_while_the_car_does_not_is_doubtful_both_ways() -> None:
    forth = first_trial(HandDrive(stamp=lambda t: t + (3600.0 if t > 9.0 else 0.0), end_t=16.0))
    assert (found_codes(forth).count("clock-jumped"), forth.verdict) == (1, "undecided")
    assert "display-stutter" not in found_codes(forth)
    back = first_trial(HandDrive(stamp=lambda t: t - (3600.0 if t > 9.0 else 0.0), end_t=16.0))
    assert "clock-jumped" in found_codes(back)
    assert back.verdict == "undecided"


@pytest.mark.parametrize(("after_t", "code"), [(10.05, "alert-unknown"), (10.25, "alert-unknown"), (10.5, None)])
def test_an_alert_that_a_clock_took_beyond_its_time_is_not_called_missing(after_t: float, code: str | None) -> None:
    """It is given at 10.3 s; in between the clock jumps, by minutes or years."""
    for by_s in (3.0, 60.0, 3e7, 1e15):

        def jumps(t: float, by_s: float = by_s) -> float:
            return t + (by_s if t > after_t else 0.0)

        trial = first_trial(HandDrive(stamp=jumps, end_t=16.0))
        assert [one for one in found_codes(trial) if one.startswith("alert")] == ([code] if code else [])
        assert trial.verdict == "undecided"


def test_where_the_clock_jumped_within_the_time_that_is_searched_a_missing_alert_is_missing() -> None:
    trial = first_trial(HandDrive(markers=[], stamp=lambda t: t + (0.6 if t > 10.2 else 0.0), end_t=16.0))
    assert "alert-missing" in found_codes(trial)


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_numbers_that_are_set_back_are_named() -> None:
    trial = first_trial(HandDrive(number=lambda seq: seq if seq < 570 else seq - 500, end_t=16.0))
    assert "went back from 569 to 70 at 9.48 s" in sentence(trial, "sequence-reset")
    assert trial.verdict == "undecided"


@pytest.mark.parametrize(
    ("pace", "words"),
    [
        (
            1.0 / 0.9,
            "ran slower than the simulator's wall clock: 6.00 s from 7.00 s took 6.67 s (0.90 times real time)",
        ),
        (1.0 / 1.1, "ran faster"),
        (1.02, None),
        (0.98, None),
    ],
)
def test_slow_motion_both_ways(pace: float, words: str | None) -> None:
    trial = first_trial(HandDrive(wall=lambda t: WALL + pace * t, end_t=16.0))
    if words is None:
        assert found_codes(trial) == []
    else:
        assert words in sentence(trial, "slow-motion")
        assert trial.verdict == "undecided"


def test_irregular_steps_on_the_wall_clock_are_a_note() -> None:
    uneven = first_trial(HandDrive(wall=stretched(lambda t: 0.012 * (round(t * 60) % 2)), end_t=16.0))
    assert found_codes(uneven) == ["frame-jitter"]
    assert uneven.verdict == "valid"
    # a clock that ticks in steps of 1/64 s, as one on some systems does, is no jitter
    coarse = first_trial(HandDrive(wall=lambda t: WALL + math.floor(t * 64.0) / 64.0, end_t=16.0))
    assert found_codes(coarse) == []


# --- speed and place --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("factor", "cause"), [(3.6, "km/h?"), (2.2369362920544, "mph?"), (3.280839895, "ft/s?")])
def test_a_speed_in_another_unit_is_named(factor: float, cause: str) -> None:
    trial = first_trial(HandDrive(own=lambda t: {"speed": factor * SPEED}, end_t=16.0))
    assert sentence(trial, "unit-implausible") == (
        f"Own car's speed is {factor:.3g} times what the other says: {cause}"
    )
    told = sentence(trial, "channels-disagree")
    assert f"the speed says {factor * SPEED:.2f} m/s, x, y 20.00 m/s" in told
    # and nothing that is computed from it decides
    results = {one.name: one.result for one in trial.conditions}
    assert (results["time gap"], results["own speed"]) == ("undecided", "undecided")
    assert trial.verdict == "undecided"


def test_the_leads_speed_in_another_unit_is_named() -> None:
    trial = first_trial(HandDrive(van=lambda t: {"speed": 3.6 * SPEED} if t < FIRE_T else {}, end_t=16.0))
    # the way after the fire is in it, where the speed is in m/s
    assert sentence(trial, "unit-implausible") == "The vehicle 1's speed is 3.54 times what the other says: km/h?"


def test_a_frozen_speed_is_known_by_the_moved_distance() -> None:
    trial = first_trial(HandDrive(own=lambda t: surging(t, frozen_from=2.0), end_t=16.0))
    assert "speed kept its last digit for 8.00 s from 2.00 s" in sentence(trial, "channel-frozen")
    assert trial.verdict == "undecided"


def test_a_jump_of_the_own_car_inside_the_window_is_told() -> None:
    trial = first_trial(HandDrive(own=lambda t: {"x": 100.0 + SPEED * t + (5.0 if t > 9.0 else 0.0)}, end_t=16.0))
    assert sentence(trial, "implausible-jump") == "Own car's place jumped by 5.0 m at 9.02 s."
    assert trial.verdict == "undecided"


def test_a_jump_of_the_lead_is_told() -> None:
    jump = HandDrive(
        van=lambda t: {"x": 155.25 + SPEED * t + (4.0 if t > 9.0 else 0.0)} if t < FIRE_T else {}, end_t=16.0
    )
    assert "vehicle 1's place jumped" in sentence(first_trial(jump), "implausible-jump")


@pytest.mark.parametrize(("channel", "value"), [("length", 4.2), ("width", 1.7)])
def test_another_body_under_the_same_id_is_told(channel: str, value: float) -> None:
    trial = first_trial(HandDrive(van=lambda t: {channel: value} if t > 9.0 else {}, end_t=16.0))
    before = VAN_LENGTH if channel == "length" else 2.0
    assert sentence(trial, "body-changed") == (
        f"The vehicle 1's {channel} changed from {before:.2f} to {value:.2f} m at 9.02 s: another vehicle under the "
        "same id?"
    )
    assert trial.verdict == "undecided"


# --- signs ------------------------------------------------------------------------------------------------------------


def test_mirrored_axes_are_named() -> None:
    trial = first_trial(HandDrive(own=lambda t: weaving(t, sign=-1.0), end_t=16.0))
    told = " ".join(one.sentence for one in trial.findings if one.code == "axis-implausible")
    assert all(name in told for name in ("yaw rate", "steering_angle", "lane offset"))
    assert trial.verdict == "undecided"


def test_one_mirrored_channel_is_named_alone() -> None:
    def own(t: float) -> dict[str, float]:
        return {**weaving(t), "lane_offset": -weaving(t)["lane_offset"]}

    trial = first_trial(HandDrive(own=own, end_t=16.0))
    assert sentence(trial, "axis-implausible") == "Own car's lane offset has the opposite sign of the car's path."
    assert found_codes(trial).count("axis-implausible") == 1


def test_a_yaw_rate_in_degrees_is_named() -> None:
    trial = first_trial(HandDrive(own=lambda t: weaving(t, factor=math.degrees(1.0)), end_t=16.0))
    assert sentence(trial, "unit-implausible") == (
        "Own car's yaw rate is 57.3 times what the other says: degrees a second?"
    )


def test_a_steering_wheel_in_degrees_is_named() -> None:
    def own(t: float) -> dict[str, float]:
        return {**weaving(t), "steering_angle": math.degrees(1.0) * weaving(t)["yaw_rate"] * 43.0 / SPEED}

    assert "degrees?" in sentence(first_trial(HandDrive(own=own, end_t=16.0)), "unit-implausible")


@pytest.mark.parametrize("signed", [True, False])
def test_a_car_that_backs_up_is_in_no_other_unit_and_has_no_other_sign(signed: bool) -> None:
    """Some feeds give the size of a speed, so that a car that backs up has a positive one."""

    def own(t: float) -> dict[str, float]:
        moved = -2.0 * t + 0.1 * math.sin(t)
        speed = -2.0 + 0.1 * math.cos(t)
        turn = 0.05 * math.sin(0.5 * t)
        return {
            **({"x": 100.0 + moved, "station": 100.0 + moved, "heading": 0.0, "speed": speed if signed else -speed}),
            **({"accel": -0.1 * math.sin(t) if signed else 0.1 * math.sin(t), "yaw_rate": 0.0 * turn}),
        }

    codes = found_codes(first_trial(HandDrive(own=own, end_t=16.0)))
    assert not {"unit-implausible", "axis-implausible", "channels-disagree", "implausible-jump"} & set(codes)


# --- pedals and wheel -------------------------------------------------------------------------------------------------


def test_a_stuck_accelerator_contradicts_the_acceleration() -> None:
    def strong(t: float) -> dict[str, float]:
        return {**surging(t), "accelerator": 0.285}

    # the pedal is pressed, keeps every digit, and the acceleration changes by 0.4 m/s² all the same
    drive = HandDrive(own=strong, end_t=16.0)
    assert "kept exactly 0.285 for 10.0 s" in sentence(first_trial(drive), "channel-frozen")

    def released(t: float) -> dict[str, float]:
        return {**surging(t), "accelerator": 0.0}

    assert found_codes(first_trial(HandDrive(own=released, end_t=16.0))) == []  # the car may hold its speed by itself


@pytest.mark.parametrize(
    ("own", "code", "words"),
    [
        (
            {"accelerator": 1.0},
            "pedal-saturated",
            "The accelerator pedal read 1.00 for 10.0 s from 0.00 s while the speed",
        ),
        ({"brake": 1.0}, "pedal-saturated", "The brake pedal read 1.00 for 10.0 s"),
        (
            {"brake": 0.08},
            "pedal-offset",
            "The brake pedal read exactly 0.080 for 10.0 s from 0.00 s while the car did not",
        ),
        ({"steering_angle": 0.12}, "wheel-offset", "The steering wheel read +0.120 rad on a straight way"),
    ],
)
def test_sensors_that_no_foot_or_hand_explains(own: dict[str, float], code: str, words: str) -> None:
    trial = first_trial(HandDrive(own=lambda t: own, end_t=16.0))
    assert found_codes(trial) == [code]
    assert sentence(trial, code).startswith(words)


def test_a_brake_that_is_pressed_and_brakes_nothing_is_named() -> None:
    drive = HandDrive(own=lambda t: {"brake": 0.4 + 0.01 * math.sin(9.0 * t) if 7.0 < t < 8.5 else 0.0}, end_t=16.0)
    assert "is it the brake pedal?" in sentence(first_trial(drive), "pedal-offset")


BEFORE = STUDY.replace("[trigger.hazard]", "[trigger.before]\nbrake_at_most = 0.03\n[trigger.hazard]")


@pytest.mark.parametrize(
    ("own", "slows", "codes", "verdict"),
    [
        ({"brake": 0.08}, False, ["braking-unsure"], "undecided"),  # one of the two alone
        ({"brake": 0.08}, True, ["braking-before-hazard"], "invalid"),
        ({"brake": 0.02}, False, [], "valid"),  # a resting foot
        ({"brake": 0.02}, True, ["braking-unsure"], "undecided"),
        ({"brake": math.nan}, True, ["braking-unsure"], "undecided"),  # no pedal, and the car slows down
        ({"brake": math.nan}, False, ["pedals-not-measured"], "valid"),  # a note: by its acceleration it did not
    ],
)
def test_braking_is_a_pedal_and_a_car_that_slows_down(
    own: dict[str, float], slows: bool, codes: list[str], verdict: str
) -> None:
    def pressed(t: float) -> dict[str, float]:
        foot = {"accelerator": 0.0 if slows and t > 9.4 else 0.3 + 0.01 * math.sin(3.0 * t)}
        return foot | (own if math.isnan(own["brake"]) or t > 9.5 else {})

    slowing = (lambda t: SPEED - 2.0 * max(min(t, 10.0) - 9.5, 0.0)) if slows else None
    text = BEFORE.replace("at_least = 19.0", "at_least = 17.0")
    trial = first_trial(HandDrive(own=pressed, own_speed=slowing, end_t=16.0), text)
    assert (found_codes(trial), trial.verdict) == (codes, verdict)


def test_a_sensor_is_doubted_before_the_driver_is() -> None:
    offset = first_trial(HandDrive(own=lambda t: {"brake": 0.08}, end_t=16.0), BEFORE)
    assert (found_codes(offset), offset.verdict) == (["pedal-offset"], "undecided")


def test_without_pedals_and_acceleration_nobody_says_that_the_driver_did_not_brake() -> None:
    gone = {"brake": math.nan, "accel": math.nan, "speed": math.nan}
    trial = first_trial(HandDrive(own=lambda t: gone, end_t=16.0), BEFORE)
    assert "neither is whether the car slowed down" in sentence(trial, "pedals-not-measured")
    assert trial.verdict == "undecided"


# --- clocks -----------------------------------------------------------------------------------------------------------


def syncs(rate: float, **data: Any) -> list[tuple[float, str, str, dict[str, Any]]]:
    return [(t, "sync", "tablet", {"clock_s": 5.0 + t * (1.0 + rate), **data}) for t in (0.5, 4.5, 8.5)]


def test_a_clock_that_drifts_is_named_with_its_rate() -> None:
    trial = first_trial(HandDrive(markers=[ALERT, *syncs(0.003)], end_t=16.0))
    assert sentence(trial, "clock-drift") == (
        "The clock of tablet gained 24 ms on the simulation between 0.5 and 8.5 s (3.0 ms a second)."
    )
    assert trial.verdict == "undecided"
    lost = first_trial(HandDrive(markers=[ALERT, *syncs(-0.003)], end_t=16.0))
    assert "lost 24 ms" in sentence(lost, "clock-drift")


def test_a_clock_that_is_only_set_otherwise_does_not_drift() -> None:
    assert found_codes(first_trial(HandDrive(markers=[ALERT, *syncs(0.002)], end_t=16.0))) == []  # 16 ms
    assert found_codes(first_trial(HandDrive(markers=[ALERT, *syncs(0.003)[:1]], end_t=16.0))) == []
    unread = [(t, "sync", "tablet", {"clock_s": "soon"}) for t in (0.5, 8.5)]
    assert found_codes(first_trial(HandDrive(markers=[ALERT, *unread], end_t=16.0))) == []

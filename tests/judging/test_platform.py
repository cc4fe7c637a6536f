"""The motion platform. Common practice, no source: a large moving base travels about 12 ft along and across and 6 ft up
and down, half of each to a side; 12 ft are 3.66 m and 6 ft are 1.83 m (1 ft = 0.3048 m, international foot)."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from monitor.judging.case.trial import Trial
from tests.judging.hand import FIRE_T, STUDY, HandDrive, found_codes, judged, study_of
from tests.judging.simulated import dusk_road

PLATFORM = """
[signals.platform_x]
unit = "m"
source = "platform"
lower_limit = -1.83
upper_limit = 1.83
[signals.platform_z]
unit = "m"
source = "platform"
lower_limit = -0.91
upper_limit = 0.91
[[trigger]]"""
TEXT = STUDY.replace("\n[[trigger]]", PLATFORM, 1)


def trial_of(**signals: Callable[[float], float | None]) -> Trial:
    def both(t: float) -> dict[str, float]:
        moving = {"platform_x": 0.4 * math.sin(1.3 * t), "platform_z": 0.1 * math.sin(7.1 * t)}
        given = {name: value(t) for name, value in signals.items()}
        return {**moving, **{name: value for name, value in given.items() if value is not None}}

    return judged(HandDrive(signals=both, end_t=20.0), study=study_of(TEXT)).trials()[0]


def test_the_limits_of_this_study_are_half_of_the_travel_to_each_side() -> None:
    signals = study_of(TEXT).signals
    for name, feet in (("platform_x", 12.0), ("platform_z", 6.0)):
        half_m = feet * 0.3048 / 2.0
        limits = (signals[name].lower_limit, signals[name].upper_limit)
        assert limits == pytest.approx((-half_m, half_m), abs=0.005)


def test_the_limits_of_the_demo_are_invented_and_round() -> None:
    signals = dusk_road().signals
    limits = [signals[name].upper_limit for name in ("platform_x", "platform_y", "platform_z")]
    assert limits == [2.0, 2.0, 1.0]
    assert "common practice" not in dusk_road().text.lower()


def test_a_moving_platform_inside_its_travel_gives_nothing() -> None:
    assert found_codes(trial_of()) == []


@pytest.mark.parametrize(("place", "codes"), [(1.82, []), (1.83, ["platform-limit"]), (-1.83, ["platform-limit"])])
def test_at_or_beyond_a_limit(place: float, codes: list[str]) -> None:
    trial = trial_of(platform_x=lambda t: place if 9.0 < t < 9.5 else None)
    assert found_codes(trial) == codes
    assert trial.verdict == "valid"  # a note: quality, not validity


def test_the_sentence_has_value_unit_limits_and_time() -> None:
    (finding,) = trial_of(platform_x=lambda t: 1.9 if 9.0 < t < 9.5 else None).findings
    assert finding.sentence == "platform_x stood at 1.90 m at 9.02 s; its limits are -1.83 and 1.83."


def test_a_limit_after_the_fire_is_a_note_whatever_the_study_says() -> None:
    # the platform moves as the driver brakes: the response must not decide
    stricter = TEXT + '\n[reasons.platform-limit]\nseverity = "void"\n'

    def at(begin: float) -> Trial:
        def signals(t: float) -> dict[str, float]:
            return {"platform_x": 1.9 if begin < t < begin + 0.3 else 0.4 * math.sin(1.3 * t)}

        drive = HandDrive(signals=signals, end_t=20.0)
        return judged(drive, study=study_of(stricter)).trials()[0]

    assert at(FIRE_T - 1.0).verdict == "invalid"
    after = at(FIRE_T + 1.0)
    assert (found_codes(after), after.findings[0].severity, after.verdict) == (["platform-limit"], "note", "valid")
    assert "after the fire" in after.findings[0].sentence


def test_a_limit_outside_the_window_is_nobodys_business() -> None:
    assert found_codes(trial_of(platform_x=lambda t: 1.9 if 3.0 < t < 3.5 else None)) == []


@pytest.mark.parametrize("stops", [FIRE_T - 4.0, FIRE_T - 0.5, FIRE_T + 0.5])
def test_a_platform_that_stops_is_void(stops: float) -> None:
    trial = trial_of(
        platform_x=lambda t: 0.4 * math.sin(1.3 * stops) if t > stops else None,
        platform_z=lambda t: 0.0 if t > stops else None,
    )
    assert found_codes(trial) == ["platform-stopped"]
    assert trial.verdict == "invalid"
    assert f"stopped at {stops + 1 / 60:.2f} s" in trial.findings[0].sentence


def test_a_platform_that_never_moved_is_switched_off_on_purpose() -> None:
    assert found_codes(trial_of(platform_x=lambda t: 0.0, platform_z=lambda t: 0.0)) == []


def test_one_signal_that_still_moves_is_a_platform_that_moves() -> None:
    assert found_codes(trial_of(platform_x=lambda t: 0.0 if t > 9.0 else None)) == []

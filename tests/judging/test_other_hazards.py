"""A hazard that is no braking, at its edges: the fire is at 10.0 s, a frame each twentieth of a second."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.judging.case.trial import Trial
from tests.judging.hand import HandDrive, first_trial, found_codes

STUDY = """
[study]
name = "hand"
participant_pattern = "Q[0-9]+"
[groups.chime]
alert = ["sound"]
[signals.eyes_on_road]
[signals.door]
source = "scripted"
[[trigger]]
name = "gate-brake"
[trigger.response]
origin = "hazard onset"
horizon_s = 1.5
[trigger.hazard]
within_s = 2.0
[trigger.hazard.onset]
measure = "door"
at_least = 0.5
"""


def trial_of(door: Callable[[float], float | None]) -> Trial:
    def signals(t: float) -> dict[str, float]:
        value = door(t)
        return {} if value is None else {"door": value}

    return first_trial(HandDrive(rate_hz=20.0, end_t=14.0, brake_mps2=0.0, signals=signals), STUDY)


@pytest.mark.parametrize(
    ("at", "codes", "origin"),
    [
        (9.90, [], 9.90),  # a marker may come some frames after what it tells of
        (10.0, [], 10.0),
        (12.0, [], 12.0),
        (12.05, ["hazard-missing"], None),
        (9.0, ["hazard-unsure"], 9.85),  # there since before the window: when it began is not known
    ],
)
def test_from_the_first_frame_in_its_band_on(at: float, codes: list[str], origin: float | None) -> None:
    trial = trial_of(lambda t: float(t >= at - 1e-9))
    assert found_codes(trial) == codes
    assert (trial.response and trial.response.t0) == (None if origin is None else pytest.approx(origin))


def test_a_measure_that_is_never_sent_tells_of_no_hazard() -> None:
    trial = trial_of(lambda t: None)
    assert (trial.verdict, found_codes(trial)) == ("undecided", ["hazard-unsure"])
    assert trial.findings[0].sentence.endswith("whether the hazard came cannot be told.")


@pytest.mark.parametrize(("until", "codes"), [(10.2, []), (10.7, ["hazard-unsure"])])
def test_an_onset_that_nobody_saw_is_not_known_to_a_tenth_of_a_second(until: float, codes: list[str]) -> None:
    # no value from 10.1 s to `until`, and then it is there
    trial = trial_of(lambda t: None if 10.1 - 1e-9 <= t < until - 1e-9 else float(t >= 10.1 - 1e-9))
    assert found_codes(trial) == codes

"""Who drives what: the simulator's hello against the plan."""

from __future__ import annotations

import pytest

from monitor.judging.case.trial import Trial
from tests.judging.hand import STUDY, HandDrive, judged, study_of

TEXT = STUDY.replace("[groups.chime]", '[scenarios]\ndusk-road = "d"\npractice = "p"\n[groups.chime]', 1)


def trial_of(drive: HandDrive, group: str | None = "chime") -> Trial:
    return judged(drive, study=study_of(TEXT), group=group).trials()[0]


@pytest.mark.parametrize(
    ("fields", "code", "sentence", "verdict"),
    [
        (
            {"participant": "Q02"},
            "participant-mismatch",
            "The simulator says participant Q02, the run is of Q01.",
            "undecided",
        ),
        (
            {"group": "no-alert"},
            "group-mismatch",
            "The simulator says group no-alert, the participant is assigned chime.",
            "invalid",
        ),
        (
            {"scenario": "night-road"},
            "scenario-mismatch",
            "The simulator says scenario night-road, which the study file does not list.",
            "invalid",
        ),
    ],
)
def test_the_simulator_runs_what_was_meant(fields: dict[str, str], code: str, sentence: str, verdict: str) -> None:
    trial = trial_of(HandDrive(end_t=18.0, **fields))  # type: ignore[arg-type]
    (finding,) = trial.findings
    assert (finding.code, finding.sentence, trial.verdict) == (code, sentence, verdict)


def test_what_the_simulator_does_not_say_is_no_mismatch() -> None:
    silent = HandDrive(participant=None, group=None, scenario=None, end_t=18.0)
    assert trial_of(silent).findings == ()
    agreeing = HandDrive(participant="Q01", group="chime", scenario="dusk-road", end_t=18.0)
    assert trial_of(agreeing).findings == ()


def test_a_group_that_only_the_simulator_knows_is_taken_from_it() -> None:
    trial = trial_of(HandDrive(group="chime", end_t=18.0), group=None)
    assert (trial.alert.expected, trial.findings, trial.verdict) == (("sound",), (), "valid")


def test_a_drive_that_never_fired_is_checked_as_well() -> None:
    trial = trial_of(HandDrive(fire_t=None, markers=[], participant="Q02", end_t=16.0))
    assert {one.code for one in trial.findings} == {"trigger-missed", "participant-mismatch"}


def test_a_contact_before_the_fire_voids_the_trial() -> None:
    alert = HandDrive().markers
    trial = trial_of(HandDrive(markers=[(9.0, "collision", "deer", {}), *alert], end_t=18.0))
    assert [one.code for one in trial.findings] == ["collision-before-fire"]
    assert trial.verdict == "invalid"
    long_ago = trial_of(HandDrive(markers=[(2.0, "collision", "deer", {}), *alert], end_t=18.0))
    assert long_ago.findings == ()

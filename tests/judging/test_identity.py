"""Who drives what: the simulator's hello against the plan."""

from __future__ import annotations

import pytest

from monitor.judging.case.trial import Trial
from monitor.judging.session import Session
from monitor.study.standing import Standing
from tests.judging.hand import STUDY, HandDrive, entries_of, judged, opening_of, study_of

TEXT = STUDY.replace("[groups.chime]", '[scenarios]\ndusk-road = "d"\npractice = "p"\n[groups.chime]', 1)


def trial_of(drive: HandDrive, group: str | None = "chime") -> Trial:
    return judged(drive, study=study_of(TEXT), group=group).trials()[0]


@pytest.mark.parametrize(
    ("drive", "code", "sentence", "verdict"),
    [
        (
            HandDrive(end_t=18.0, participant="Q02"),
            "participant-mismatch",
            "The simulator says participant Q02, the run is of Q01.",
            "undecided",
        ),
        (
            HandDrive(end_t=18.0, group="no-alert"),
            "group-mismatch",
            "The simulator says group no-alert, the participant is assigned chime.",
            "invalid",
        ),
        (
            HandDrive(end_t=18.0, scenario="night-road"),
            "scenario-mismatch",
            "The simulator says scenario night-road, which the study file does not list.",
            "invalid",
        ),
    ],
)
def test_the_simulator_runs_what_was_meant(drive: HandDrive, code: str, sentence: str, verdict: str) -> None:
    trial = trial_of(drive)
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


@pytest.mark.parametrize(("words", "code"), [(None, ["group-mismatch"]), ("their arm was full", [])])
def test_another_group_than_the_allocated_one_is_not_taken_from_the_simulator(
    words: str | None, code: list[str]
) -> None:
    standing = Standing({}, "gate-brake", proposed="no-alert", words=words).as_map()
    session = judged(HandDrive(end_t=18.0), study=study_of(TEXT), group=None, standing=standing)
    (trial,) = session.trials()
    assert [one.code for one in trial.findings] == code
    assert trial.verdict == ("invalid" if code else "valid")


def test_an_answer_stands_in_the_finding_and_changes_no_verdict() -> None:
    def answer(said: str) -> dict[str, str]:
        return {"type": "answer", "about": "group", "answer": said, "by": "ann", "key": said}

    for said, words in (("simulator", "the simulator's is right"), ("unknown", "nobody knows")):
        study = study_of(TEXT)
        session = Session(study, opening_of(study))
        session.take(entries_of(HandDrive(group="no-alert", end_t=18.0), operator=[answer(said)]))
        (trial,) = session.trials()
        (finding,) = trial.findings
        assert finding.sentence == (
            f"The simulator says group no-alert, the participant is assigned chime. Answered: {words}, says ann."
        )
        assert (finding.severity, trial.verdict) == ("void", "invalid")

"""Who is still naive: by the evidence of the hazard, not by the marker alone; a lost marker makes nobody naive."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from monitor.judging.case.trial import Trial
from monitor.judging.rules.exposure import Exposure, Shown, exposure_before
from monitor.judging.session import Session
from tests.judging.hand import FIRE_T, STUDY, HandDrive, Mark, judged, study_of

QUIET = HandDrive(fire_t=None, markers=[], group=None)
PLAIN = HandDrive(markers=[], group="no-alert")
NEXT = replace(PLAIN, run="run-b")


def shown_of(session: Session) -> list[Shown]:
    return [shown for _, _, shown in session.shown()]


def second_of(*drives: HandDrive, text: str = STUDY, **more: Any) -> Trial:
    return judged(*drives, study=study_of(text), **more).trials()[-1]


# --- the rule itself --------------------------------------------------------------------------------------------------


def piece(naive: str, surprise_class: str = "rear-end") -> dict[str, Any]:
    return {"surprise_class": surprise_class, "naive": naive, "record": "Q01-a.run", "trial": "1/x/1", "why": "w"}


@pytest.mark.parametrize(
    ("runs", "known", "trials", "naive"),
    [
        ([], True, [], "yes"),
        ([piece("no")], True, [], "no"),
        ([piece("unknown")], True, [], "unknown"),
        ([piece("no", "gust")], True, [], "yes"),  # another class spends nobody
        ([piece("unknown", "*")], True, [], "unknown"),  # a damaged record: any class
        ([piece("unknown"), piece("no")], True, [], "no"),  # the worst counts
        ([], False, [], "unknown"),  # earlier records that could not be read
        ([piece("no")], False, [], "no"),
        ([], True, [("1/x/1", Shown.YES)], "no"),
        ([], True, [("1/x/1", Shown.UNKNOWN)], "unknown"),
        ([], True, [("1/x/1", Shown.NO)], "yes"),
        ([], True, [("1/x/1", Shown.UNKNOWN), ("1/x/2", Shown.YES)], "no"),
    ],
)
def test_yes_no_unknown(runs: list[dict[str, Any]], known: bool, trials: list[tuple[str, Shown]], naive: str) -> None:
    found = exposure_before("rear-end", runs, known, trials)
    assert found.naive == naive
    assert bool(found.why) == (naive != "yes")


def test_the_sentence_names_the_run_and_the_trial() -> None:
    assert exposure_before("rear-end", [piece("no")], True, []) == Exposure(
        "no", "The participant met a surprise of this class in the earlier run Q01-a.run (trial 1/x/1)."
    )


# --- evidence ---------------------------------------------------------------------------------------------------------


def test_the_braking_van_is_evidence() -> None:
    assert shown_of(judged(PLAIN, group="no-alert")) == [Shown.YES]


def test_a_marker_with_nothing_after_it_surprised_nobody() -> None:
    nothing = replace(PLAIN, brake_mps2=0.0)
    session = judged(nothing, group="no-alert")
    assert shown_of(session) == [Shown.NO]
    second = second_of(nothing, NEXT, group="no-alert")
    assert (second.naive, second.verdict) == ("yes", "valid")


def test_the_alert_alone_is_evidence() -> None:
    assert shown_of(judged(HandDrive(brake_mps2=0.0))) == [Shown.YES]


def test_a_contact_alone_is_evidence() -> None:
    contact = replace(PLAIN, brake_mps2=0.0, markers=[(FIRE_T + 1.0, "collision", "van", {})])
    assert shown_of(judged(contact, group="no-alert")) == [Shown.YES]


def test_without_a_rule_about_the_hazard_the_marker_counts() -> None:
    start = STUDY.index("[trigger.hazard]")
    text = STUDY[:start] + STUDY[STUDY.index("[trigger.response]") :]
    session = judged(replace(PLAIN, brake_mps2=0.0), study=study_of(text), group="no-alert")
    assert shown_of(session) == [Shown.YES]


def test_lost_frames_leave_it_unknown_and_unknown_counts_as_spent() -> None:
    lost = replace(PLAIN, brake_mps2=0.0, lost_frames=frozenset(range(620, 640)))
    assert shown_of(judged(lost, group="no-alert")) == [Shown.UNKNOWN]
    second = second_of(lost, NEXT, group="no-alert")
    assert (second.naive, second.verdict) == ("unknown", "undecided")
    assert "naive-unknown" in [one.code for one in second.findings]


def test_a_soft_hazard_may_have_been_seen() -> None:
    # 1.5 m/s² lights the brake lights and is not the scripted hazard of 2.0 m/s²
    assert shown_of(judged(replace(PLAIN, brake_mps2=1.5), group="no-alert")) == [Shown.UNKNOWN]


# --- evidence without a marker ----------------------------------------------------------------------------------------


def test_a_hazard_without_its_marker_spends_the_participant() -> None:
    # the van brakes at 10 s where the rule holds, and no trigger marker comes: the simulator forgot to send it
    unsaid = replace(QUIET, van=lambda t: {"accel": -5.0} if 10.0 < t < 13.0 else {})
    session = judged(unsaid, group="no-alert")
    assert session.trials()[0].timing.result == "missed"
    assert shown_of(session) == [Shown.YES]
    second = second_of(unsaid, NEXT, group="no-alert")
    assert (second.naive, second.verdict) == ("no", "invalid")


def test_an_alert_without_a_trigger_spends_the_participant() -> None:
    alone = replace(QUIET, markers=[(6.0, "alert_on", "alert", {"modality": "sound"})])
    assert shown_of(judged(alone)) == [Shown.YES]


@pytest.mark.parametrize("rule", [True, False])
def test_a_lost_marker_makes_nobody_naive(rule: bool) -> None:
    text = STUDY
    if not rule:
        start = text.index("[[trigger.fires_when]]")
        text = text[:start] + text[text.index("[[trigger.condition]]") :]
    others: list[Mark] = [(FIRE_T + 0.001 * k, "other", "x", {}) for k in range(40)]
    lost = replace(PLAIN, brake_mps2=0.0, markers=others, lost_markers=frozenset({2}))
    session = judged(lost, study=study_of(text), group="no-alert")
    assert session.trials()[0].fired_at is None
    assert shown_of(session) == [Shown.UNKNOWN]
    second = second_of(lost, NEXT, text=text, group="no-alert")
    assert second.naive == "unknown"


def test_a_drive_that_never_came_there_leaves_the_participant_naive() -> None:
    session = judged(replace(QUIET, end_t=8.0))
    assert shown_of(session) == [Shown.NO]
    assert "still naive" in session.trials()[0].what_now


def test_the_next_trial_knows_as_much_as_there_was_when_it_fired() -> None:
    # two drives: the first is cut off before the hazard could show; nothing of the second drive changes that
    cut = replace(PLAIN, end_t=FIRE_T + 0.5, brake_mps2=0.0, ends=False)
    second = second_of(cut, NEXT, group="no-alert")
    assert second.naive == "unknown"


def test_exposures_of_earlier_runs_come_with_the_opening() -> None:
    spent = second_of(HandDrive(), exposures=(piece("no"),))
    assert (spent.naive, spent.verdict) == ("no", "invalid")
    unread = second_of(HandDrive(), exposures_known=False)
    assert (unread.naive, unread.verdict) == ("unknown", "undecided")
    other = second_of(HandDrive(), exposures=(piece("no", "gust"),))
    assert (other.naive, other.verdict) == ("yes", "valid")

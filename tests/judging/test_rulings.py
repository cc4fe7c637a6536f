"""Rulings: which are refused, what their author knew, and how all of them are told."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from monitor.judging.case.trial import Finding, Ruling, Seen, Trial, Verdict
from monitor.judging.document import ruling_json
from monitor.judging.entered.operator import OperatorLog
from monitor.judging.entered.rulings import contradicted, fitting, refused, rulings_in_words, seen_in_words, seen_now
from monitor.study.reasons import BUILT_IN_REASONS, FINDING_REASONS
from tests.judging.hand import STUDY, HandDrive, judged, study_of

(COMPUTED,) = judged(HandDrive()).trials()
OWN = study_of(
    STUDY + '[reasons.van-late]\nwords = "The van was late and it does no harm"\nseverity = "note"\n'
).reasons


def computed(verdict: Verdict, *codes: str) -> Trial:
    findings = tuple(Finding(code, "void", "Said so.", 1.0) for code in codes)
    return replace(COMPUTED, verdict=verdict, findings=findings)


@pytest.mark.parametrize(
    ("was", "verdict", "reason", "taken"),
    [
        ("valid", "valid", "", True),
        ("invalid", "invalid", "", True),
        ("undecided", "undecided", "", True),
        ("valid", "valid", "confirmed", True),
        # overruling, and losing a trial, takes a reason
        ("valid", "invalid", "", False),
        ("undecided", "invalid", "", False),
        ("undecided", "valid", "", False),
        ("invalid", "valid", "", False),
        ("valid", "undecided", "", False),
        # a reason of loss makes nothing valid
        ("valid", "valid", "participant-unwell", False),
        ("undecided", "valid", "interruption", False),
        ("undecided", "valid", "witness-gap", False),
        ("valid", "invalid", "participant-unwell", True),
        ("valid", "undecided", "interruption", True),
        # to overrule to valid has reasons of its own
        ("invalid", "valid", "monitor-mistaken", True),
        ("invalid", "valid", "deviation-accepted", True),
        ("invalid", "valid", "van-late", True),
        ("invalid", "valid", "judged-harmless", False),
        ("invalid", "valid", "other", False),
        ("undecided", "valid", "judged-harmless", True),
        ("undecided", "valid", "other", True),
        # what does not fit together
        ("invalid", "valid", "confirmed", False),
        ("valid", "invalid", "confirmed", False),
        ("valid", "invalid", "judged-harmless", False),
        ("valid", "valid", "no-such-code", False),
    ],
)
def test_which_rulings_are_taken(was: Verdict, verdict: Verdict, reason: str, taken: bool) -> None:
    said = refused(computed(was), verdict, reason, OWN)
    assert (said is None) is taken, said
    assert said is None or said.endswith(".")


@pytest.mark.parametrize("code", sorted(FINDING_REASONS))
def test_no_finding_that_loses_a_trial_is_a_reason_for_valid(code: str) -> None:
    weighs = BUILT_IN_REASONS[code].severity != "note"
    assert (refused(computed("undecided"), "valid", code, BUILT_IN_REASONS) is not None) is weighs


def test_another_group_than_planned_cannot_be_ruled_valid() -> None:
    said = refused(computed("invalid", "group-mismatch"), "valid", "deviation-accepted", BUILT_IN_REASONS)
    assert said == "1/gate-brake/1 was run in another group than planned (group-mismatch), and cannot be ruled valid."


def test_the_dialog_is_offered_what_would_be_taken() -> None:
    offered = [one.code for one in fitting(computed("invalid"), "valid", OWN.values())]
    assert offered == ["monitor-mistaken", "deviation-accepted", "van-late"]
    assert "participant-unwell" in [one.code for one in fitting(computed("valid"), "invalid", OWN.values())]


def test_what_was_seen_is_what_stood_there_and_is_written_with_the_ruling() -> None:
    assert seen_now(COMPUTED, 7) == {"verdict": True, "response": True, "looks": 7}
    hidden = replace(COMPUTED, blind=True, response=None)
    assert seen_now(hidden, 0) == {"verdict": True, "response": False, "looks": 0}
    log = OperatorLog()
    said: list[dict[str, object]] = [
        {"seen": seen_now(hidden, None)},
        {},
        {"seen": {"verdict": 1}},
        {"seen": "all"},
        {"seen": seen_now(COMPUTED, 2)},
    ]
    for number, fields in enumerate(said):
        log.take({"type": "ruling", "key": f"k{number}", "trial": "t", "verdict": "valid", "wall": 1.0, **fields})
    assert [one.seen for one in log.rulings["t"]] == [
        Seen(True, False, None),
        None,
        None,
        None,
        Seen(True, True, 2),
    ]


def made(verdict: Verdict, **more: Any) -> Ruling:
    fields: dict[str, Any] = {"reason": "other", "words": "", "by": "anna", "at": None, "wall": 1_764_000_000.0}
    return Ruling(verdict, **{**fields, **more})


def test_all_rulings_are_told_with_their_times_and_a_contradiction_at_both() -> None:
    one = made("invalid", by="ben", seen=Seen(True, False, 0))
    two = made("valid", wall=1_764_100_000.0, seen=Seen(False, True, 1))
    trial = replace(COMPUTED, rulings=(one, two))
    assert (trial.ruling, trial.effective) == (two, "valid")
    assert contradicted(trial)
    first, second = rulings_in_words(trial)
    assert first == (
        "Ruled invalid by ben, 2025-11-24 16:00 UTC (other): no words; computed valid; the computed verdict seen, "
        "after 0 looks (not in force: a later one is). CONTRADICTED by valid by anna (2025-11-25 19:46 UTC)."
    )
    assert second.endswith("the response seen, after 1 look. CONTRADICTED by invalid by ben (2025-11-24 16:00 UTC).")
    again = replace(COMPUTED, rulings=(two, made("valid")))
    assert not contradicted(again)
    assert not any("CONTRADICTED" in said for said in rulings_in_words(again))


def test_not_recorded_is_not_nothing() -> None:
    assert seen_in_words(made("valid")) == "what was seen before it: not recorded"
    assert ruling_json(made("valid"))["seen"] is None
    assert ruling_json(made("valid", seen=Seen(True, False, None)))["seen"] == {
        "verdict": True,
        "response": False,
        "looks": None,
    }
    assert "neither computed verdict nor response seen, with the drive in view, looks not counted" == seen_in_words(
        made("valid", at=20.0, seen=Seen(False, False, None))
    )

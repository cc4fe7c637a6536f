"""What now, after a trial: the study's rule and the tally of the earlier runs, as the record's opening has them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.record.entries import pack_opening, unpack_opening
from monitor.study.model import Study
from monitor.study.standing import Standing, standing_from_map
from tests.judging.hand import STUDY, HandDrive, judged, opening_of, study_of

BLOCKS = '[assignment]\nmethod = "blocks"\nblock_sizes = [4]\nseed = 5\n'
TOO_LONG = HandDrive(own=lambda t: {"x": 92.0 + 20.0 * t, "station": 92.0 + 20.0 * t})
"""8 m further behind: a time gap of 1.9 s and more at the fire, and the van brakes all the same."""
NOT_REACHED = HandDrive(end_t=8.0, fire_t=None, markers=[])
STANDING = Standing(
    valid={"gate-brake": {"chime": 7, "no-alert": 12}},
    trigger="gate-brake",
)


def study(replacement: str, planned: int | None = 12) -> Study:
    plan = "" if planned is None else f"planned = {planned}\n"
    text = STUDY.replace('alert = ["sound"]\n', f'alert = ["sound"]\n{plan}', 1).replace(
        "alert = []\n", f"alert = []\n{plan}", 1
    )
    text = text.replace("[groups.chime]", f'replacement = "{replacement}"\n{BLOCKS}[groups.chime]')
    return study_of(text)


def what_now(drive: HandDrive, of: Study, standing: Standing | None, group: str = "chime") -> str:
    fields = None if standing is None else standing.as_map()
    if group == "no-alert":
        drive = replace(drive, group=group, markers=[])
    return judged(drive, study=of, group=group, standing=fields).trials()[0].what_now


SPENT = "Stop and replace: the hazard showed itself; "


@pytest.mark.parametrize(
    ("replacement", "said"),
    [
        ("same group next", "the next participant takes the place in group chime"),
        ("end of block", "group chime gets one more at the end of the block"),
        ("none", "group chime stays one short"),
    ],
)
def test_a_lost_trial_names_the_studys_rule_and_what_is_needed(replacement: str, said: str) -> None:
    needs = "; group chime has 7 of 12 valid and needs 5 more."
    assert what_now(TOO_LONG, study(replacement), STANDING) == SPENT + said + needs


def test_of_sealed_lots_nothing_is_said_of_the_next_ones_group() -> None:
    for replacement in ("same group next", "end of block", "none"):
        said = what_now(TOO_LONG, study(replacement), replace(STANDING, sealed=True))
        assert said.startswith(f"{SPENT}a further participant takes the next lot; ")
        assert "no-alert" not in said


def test_a_group_that_is_complete_needs_nobody_for_the_place() -> None:
    assert what_now(TOO_LONG, study("same group next"), STANDING, group="no-alert") == (
        SPENT + "nobody has to take the place, group no-alert has its 12 valid already."
    )


def test_without_a_plan_the_number_is_told_and_without_a_tally_the_rule_alone() -> None:
    rule = "the next participant takes the place in group chime"
    unplanned = study("same group next", planned=None)
    assert what_now(TOO_LONG, unplanned, STANDING) == f"{SPENT}{rule}; group chime has 7 valid."
    assert what_now(TOO_LONG, study("same group next"), None) == f"{SPENT}{rule}."
    assert what_now(TOO_LONG, study("same group next"), replace(STANDING, valid=None)) == f"{SPENT}{rule}."


def test_who_is_still_naive_is_run_again_and_the_need_is_told() -> None:
    said = what_now(NOT_REACHED, study("same group next"), STANDING)
    assert said == (
        "Run again: still naive, because the drive ended before the trigger; "
        "group chime has 7 of 12 valid and needs 5 more."
    )


def test_need_is_not_told_with_a_call_that_it_could_sway() -> None:
    open_gap = HandDrive(lost_frames=frozenset(range(560, 600)))
    said = what_now(open_gap, study("same group next"), STANDING)
    assert said.startswith("Your call on ")
    assert "needs" not in said


def test_a_ruling_changes_what_is_to_be_done() -> None:
    of = study("same group next")
    ruling = {"type": "ruling", "trial": "1/gate-brake/1", "reason": "other", "words": "", "by": "anna", "wall": 0.0}
    for drive, verdict, said in (
        (TOO_LONG, "valid", "Go on: the trial is valid."),
        (HandDrive(), "invalid", f"{SPENT}the next participant takes the place in group chime"),
    ):
        session = judged(drive, study=of, standing=STANDING.as_map())
        session.take_addendum({**ruling, "verdict": verdict})
        assert session.trials()[0].what_now.startswith(said)


def test_the_standing_goes_through_the_records_opening() -> None:
    opening = unpack_opening(pack_opening(opening_of(study_of(), standing=STANDING.as_map())))
    assert standing_from_map(opening.standing) == STANDING

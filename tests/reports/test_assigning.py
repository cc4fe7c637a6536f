"""Who is next: from the runs so far, in permuted blocks or from a list; and what `watch` does with it."""

from __future__ import annotations

import argparse
import json
from itertools import islice
from pathlib import Path

import pytest

from monitor.archive.review import review_record
from monitor.commands.assign import MOST_TO_JUDGE, plan_run
from monitor.commands.assign import run as assign
from monitor.errors import WitnessError
from monitor.record.entries import Opening
from monitor.record.writer import RecordWriter
from monitor.reports.assigning import earlier_runs, next_group
from monitor.study.assignment import permuted_blocks
from monitor.study.standing import Due, standing_from_map
from tests.commands.running import simulator, the_record, watching
from tests.judging.hand import STUDY, study_of
from tests.reports.making import NOON, ManualClock, hand_record
from tests.reports.test_tally import TRIAL, ruling, too_long_gap

BLOCKS = STUDY.replace(
    "[groups.chime]",
    'replacement = "same group next"\n[assignment]\nmethod = "blocks"\nblock_sizes = [4]\nseed = 5\n[groups.chime]',
)
STRATA = BLOCKS.replace("seed = 5", 'seed = 5\nstrata = ["young", "old"]')
BLOCKS_SAY = "the study's permuted blocks would have it"
LISTED = STUDY.replace("[groups.chime]", '[assignment]\nmethod = "list"\nfile = "list.csv"\n[groups.chime]')


def options(directory: Path, text: str, **more: object) -> argparse.Namespace:
    path = directory / "study.toml"
    path.write_text(text)
    given = {
        "study": str(path), "records": str(directory / "records"), "participant": "Q01", "group": None,
        "group_words": None, "stratum": None, "json": True,
    }  # fmt: skip
    return argparse.Namespace(**{**given, **more})


@pytest.fixture
def records(tmp_path: Path) -> Path:
    (tmp_path / "records").mkdir()
    return tmp_path / "records"


def test_each_next_participant_has_the_next_group_of_the_blocks(records: Path) -> None:
    study = study_of(BLOCKS)
    order = [group for block in islice(permuted_blocks(study.assignment, tuple(study.groups)), 2) for group in block]  # type: ignore[arg-type]
    for number in range(6):
        code = f"Q1{number}"
        group = next_group(study, code, earlier_runs(study, records)).group
        assert group == order[number]
        hand_record(records, code, group, text=BLOCKS, day=number)


def test_a_lost_trial_is_replaced_by_the_studys_rule_and_an_undecided_one_not_yet(records: Path) -> None:
    study = study_of(BLOCKS)
    first = next_group(study, "Q10", earlier_runs(study, records)).group
    path = hand_record(records, "Q10", first, text=BLOCKS, drive=too_long_gap())
    assert earlier_runs(study, records).placed[0].lost
    assert next_group(study, "Q11", earlier_runs(study, records)).group == first
    hand_record(records, "Q11", first, text=BLOCKS, day=1, operator=[ruling(TRIAL, "undecided", "other")])
    assert [one.lost for one in earlier_runs(study, records).placed] == [True, False]
    assert path.is_dir()


def test_a_run_that_is_being_recorded_has_its_place_in_the_order(records: Path) -> None:
    hand_record(records, "Q10", "chime", text=BLOCKS)
    study = study_of(BLOCKS)
    opening = Opening("Q11", "no-alert", study.name, study.text, study.sha256, ("tcp://127.0.0.1:1",), {})
    clock = ManualClock(NOON.replace(day=NOON.day + 1))
    running = RecordWriter.create(records / "Q11-20261103T120000Z-0000.run", opening, clock=clock)
    try:
        hand_record(records, "Q12", "no-alert", text=BLOCKS, day=2)
        placed = earlier_runs(study, records).placed
    finally:
        running.close("test")
    assert [(one.participant, one.lost) for one in placed] == [("Q10", False), ("Q11", False), ("Q12", False)]


def test_a_participant_who_comes_again_keeps_the_group(records: Path) -> None:
    study = study_of(BLOCKS)
    hand_record(records, "Q10", "no-alert", text=BLOCKS)
    assert next_group(study, "Q10", earlier_runs(study, records)).group == "no-alert"


def test_strata_are_kept_in_the_record(records: Path) -> None:
    study = study_of(STRATA)
    hand_record(records, "Q10", "chime", text=STRATA, stratum="old")
    hand_record(records, "Q11", "chime", text=STRATA, stratum="young", day=1)
    assert [one.stratum for one in earlier_runs(study, records).placed] == ["old", "young"]
    alone = study_of(STRATA)
    old = next_group(alone, "Q12", earlier_runs(alone, records), stratum="old").group
    assert old in study.groups
    with pytest.raises(WitnessError, match="no stratum was given"):
        next_group(study, "Q12", earlier_runs(study, records))


def test_what_cannot_be_taken_into_account_is_said(records: Path) -> None:
    study = study_of(BLOCKS)
    bad = hand_record(records, "Q10", "chime", text=BLOCKS)
    part = bad / "part-0001.twr"
    part.write_bytes(bytes(len(part.read_bytes())))
    hand_record(records, "Q11", "chime", text=STUDY.replace('name = "hand"', 'name = "other"'))
    found = earlier_runs(study, records)
    assert found.placed == ()
    assert len(found.left_out) == 1
    assert bad.name in found.left_out[0]


def test_assign_tells_the_next_one_of_a_list_only(
    tmp_path: Path, records: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "list.csv").write_text("participant,group\nQ10,chime\nQ11,no-alert\nQ12,chime\n")
    hand_record(records, "Q10", "chime", text=LISTED)
    assert assign(options(tmp_path, LISTED, participant=None)) == 0
    printed = capsys.readouterr().out
    assert json.loads(printed)["participant"] == "Q11"
    assert json.loads(printed)["group"] == "no-alert"
    assert "Q12" not in printed


# What `watch` does with it


def planned(text: str, directory: Path, **more: object) -> tuple[str | None, str | None]:
    """The group and the note that `watch` plans."""
    plan = plan_run(study_of(text), options(directory, text, **more))
    return plan.group, plan.note


def test_a_list_is_a_plan_and_a_silent_change_is_refused(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text("participant,group\nQ01,no-alert\n")
    assert planned(LISTED, tmp_path) == ("no-alert", None)
    assert planned(LISTED, tmp_path, group="no-alert") == ("no-alert", None)
    with pytest.raises(WitnessError, match=r"Q01 is in group no-alert by the allocation list.*--group-words"):
        planned(LISTED, tmp_path, group="chime")
    group, note = planned(LISTED, tmp_path, group="chime", group_words="seat broken")
    assert (group, note) == (
        "chime",
        "group chime instead of no-alert, as the allocation list would have it: seat broken",
    )


def test_a_faulty_list_is_said_and_keeps_no_run_from_beginning(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "list.csv").write_text("participant,group\nQ01,chime\nQ01,no-alert\n")
    assert planned(LISTED, tmp_path, group="chime") == ("chime", None)
    assert "line 3: 'Q01' stands in line 2 already" in capsys.readouterr().err.replace('"', "'")


def test_of_blocks_the_proposal_is_said_and_not_set(
    tmp_path: Path, records: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    due = next_group(study_of(BLOCKS), "Q01", earlier_runs(study_of(BLOCKS), records)).group
    (other,) = {"chime", "no-alert"} - {due}
    assert planned(BLOCKS, tmp_path) == (None, None)
    assert f"Proposed group for Q01: {due}" in capsys.readouterr().err
    assert planned(BLOCKS, tmp_path, group=due) == (due, None)
    with pytest.raises(WitnessError, match=rf"Q01 is in group {due} by the study's permuted blocks.*--group-words"):
        planned(BLOCKS, tmp_path, group=other)
    group, note = planned(BLOCKS, tmp_path, group=other, group_words="chime is broken")
    assert (group, note) == (
        other,
        f"group {other} instead of {due}, as {BLOCKS_SAY}: chime is broken",
    )
    assert planned(STUDY, tmp_path) == (None, None)
    assert capsys.readouterr().err == ""


def test_where_too_many_records_would_have_to_be_judged_first_nothing_is_proposed(
    tmp_path: Path, records: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number in range(MOST_TO_JUDGE + 1):
        hand_record(records, f"Q{20 + number}", text=BLOCKS, day=number)
    plan = plan_run(study_of(BLOCKS), options(tmp_path, BLOCKS, group="chime"))
    assert (plan.group, plan.standing.proposed, plan.standing.valid) == ("chime", None, None)
    assert "11 records have to be judged first" in capsys.readouterr().err


# How far the study is, as entered in a record


def test_a_run_begins_with_the_tally_and_with_who_is_next(tmp_path: Path, records: Path) -> None:
    hand_record(records, "Q10", "chime", text=BLOCKS)
    hand_record(records, "Q11", "chime", text=BLOCKS, day=1, drive=too_long_gap())
    hand_record(records, "Q12", "no-alert", text=BLOCKS, day=2)
    standing = plan_run(study_of(BLOCKS), options(tmp_path, BLOCKS, participant="Q13")).standing
    assert standing.valid == {"gate-brake": {"chime": 1, "no-alert": 1}}
    assert standing.trigger == "gate-brake"
    # of the block of four (two each) one of both groups is left: the lost chime is made up for next
    assert standing.proposed == "chime"
    assert standing.due == {"chime": Due("no-alert", "chime"), "no-alert": Due("chime", "no-alert")}
    assert standing_from_map(standing.as_map()) == standing


def test_of_a_list_the_next_line_is_next_whatever_becomes_of_the_trial(tmp_path: Path, records: Path) -> None:
    (tmp_path / "list.csv").write_text("participant,group\nQ10,chime\nQ11,no-alert\nQ12,chime\n")
    hand_record(records, "Q10", "chime", text=LISTED)
    standing = plan_run(study_of(LISTED), options(tmp_path, LISTED, participant="Q11")).standing
    assert standing.due["no-alert"] == Due("chime", "chime")
    assert plan_run(study_of(LISTED), options(tmp_path, LISTED, participant="Q12")).standing.due["chime"] == Due(
        "no-alert", "no-alert"
    )


def test_of_a_study_with_strata_nobody_can_say_whose_turn_is_next(tmp_path: Path, records: Path) -> None:
    standing = plan_run(study_of(STRATA), options(tmp_path, STRATA, stratum="old")).standing
    assert standing.due == {}
    assert standing.proposed in study_of(STRATA).groups


def test_an_opening_without_or_with_another_standing_is_read(records: Path) -> None:
    assert standing_from_map(None) is None
    assert standing_from_map({"valid": 3}) is None
    assert standing_from_map({"valid": {}, "due": {"a": ["b"]}, "trigger": "", "proposed": None, "words": None}) is None


def test_the_words_are_a_note_of_the_record(tmp_path: Path) -> None:
    with simulator("--group", "chime", speed=20.0) as endpoint:
        arguments = ("--until-end", "--group", "chime", "--group-words", "the list was wrong", "--by", "anna")
        with watching(endpoint, tmp_path, *arguments) as process:
            out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    (note,) = json.loads(out.splitlines()[-1])["notes"]
    assert (note["by"], note["text"]) == (
        "anna",
        f"group chime instead of light-strip, as {BLOCKS_SAY}: the list was wrong",
    )
    assert review_record(the_record(tmp_path)).session.operator.notes[0].text == note["text"]


def test_watch_without_a_group_takes_the_simulators(tmp_path: Path) -> None:
    with simulator("--group", "seat-pulse", speed=20.0) as endpoint:
        with watching(endpoint, tmp_path, "--until-end") as process:
            out, err = process.communicate(timeout=60)
    document = json.loads(out.splitlines()[-1])
    assert process.returncode == 0, err
    assert document["group"] == "seat-pulse"
    assert "Proposed group for Q07: " in err
    assert not any(one["code"] == "group-mismatch" for trial in document["trials"] for one in trial["findings"])

"""Groups by sealed lots and by a list: opened one by one by an entry, verified at the end; and what `watch` does."""

from __future__ import annotations

import argparse
import json
import stat
import threading
from pathlib import Path
from typing import Any

import pytest

from monitor.archive.chained_lines import entries
from monitor.archive.looks import AUDIT_NAME
from monitor.archive.review import review_record
from monitor.commands.shared.planning import MOST_TO_JUDGE, plan_run
from monitor.commands.study.assign import run as assign
from monitor.errors import WitnessError
from monitor.record.entries import Opening
from monitor.record.reader import RecordReading
from monitor.record.withdrawing import withdraw_record
from monitor.record.writer import RecordWriter, Writing
from monitor.reports.assigning.earlier import earlier_runs, placed_by_openings
from monitor.reports.assigning.sealed import prepare, sealed_lots, sealed_root, sites
from monitor.reports.assigning.verifying import verify_lots
from monitor.study.model import Study
from monitor.study.standing import standing_from_map
from tests.commands.running import call, run, simulator, the_record, watching
from tests.judging.hand import STUDY, HandDrive, judged, study_of
from tests.reports.making import NOON, ManualClock, hand_record
from tests.reports.test_tally import too_long_gap

BLOCKS = STUDY.replace(
    "[groups.chime]",
    'replacement = "same group next"\n[assignment]\nmethod = "blocks"\nblock_sizes = [2, 4]\n[groups.chime]',
)
STRATA = BLOCKS.replace("block_sizes = [2, 4]", 'block_sizes = [2, 4]\nstrata = ["young", "old"]')
LISTED = STUDY.replace("[groups.chime]", '[assignment]\nmethod = "list"\nfile = "list.csv"\n[groups.chime]')
SITE = "north"


def options(directory: Path, text: str, **more: object) -> argparse.Namespace:
    path = directory / "study.toml"
    path.write_text(text)
    given = {
        "study": str(path), "records": str(directory / "records"), "participant": "Q01", "group": None,
        "group_words": None, "stratum": None, "json": True, "site": SITE, "by": "anna", "lot": None,
        "prepare": False, "verify": False, "lots": None,
        "no_show": False, "excluded": None, "take_back": None, "words": None,
    }  # fmt: skip
    return argparse.Namespace(**{**given, **more})


@pytest.fixture
def records(tmp_path: Path) -> Path:
    (tmp_path / "records").mkdir()
    return tmp_path / "records"


def opening_with(study: Study, participant: str, group: str | None, **more: Any) -> Opening:
    return Opening(participant, group, study.name, study.text, study.sha256, ("tcp://127.0.0.1:1",), {}, **more)


def run_of(records: Path, code: str, lot: dict[str, Any], text: str = BLOCKS, **more: Any) -> Path:
    """A record whose group a lot gave."""
    return hand_record(records, code, lot["group"], text=text, lot=lot, **more)


# The order, sealed and opened


def test_the_order_is_sealed_and_its_root_is_known_before_anybody_is_assigned(records: Path) -> None:
    lots = prepare(records, study_of(BLOCKS), SITE, "anna")
    file = records / "lots-north.json"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    (line,) = entries(records, AUDIT_NAME)
    assert line["lots"] == {"study": "hand", "site": "north", "root": lots.order.root, "lots": len(lots.order.lots)}
    with pytest.raises(WitnessError, match="is sealed already, and stays"):
        prepare(records, study_of(BLOCKS), SITE, "anna")
    prepare(records, study_of(BLOCKS), "south", "ben")
    assert sites(records) == ["north", "south"]


def test_lots_are_opened_one_after_the_other_and_each_opening_is_an_entry(records: Path) -> None:
    lots = prepare(records, study_of(BLOCKS), SITE, "anna", 8)
    given = [lots.open_next("", "anna") for _ in range(len(lots.order.lots))]
    assert [lot.number for lot in given] == list(range(1, len(given) + 1))
    assert lots.opened() == [("", lot.number) for lot in given]
    with pytest.raises(WitnessError, match=r"All \d+ lots of site north are opened; draw more under another name"):
        lots.open_next("", "anna")
    text = (records / lots.log_name).read_text()
    assert "chime" not in text, "what was opened says no group"
    assert "no-alert" not in text


def test_two_who_open_at_once_never_get_the_same_lot(records: Path) -> None:
    lots = prepare(records, study_of(BLOCKS), SITE, "anna", 60)
    given: list[int] = []

    def open_some() -> None:
        given.extend(lots.open_next("", "anna").number for _ in range(10))

    threads = [threading.Thread(target=open_some) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(given) == list(range(1, 41))


def test_strata_have_lots_of_their_own(records: Path) -> None:
    lots = prepare(records, study_of(STRATA), SITE, "anna", 8)
    first = [lots.open_next(stratum, "anna") for stratum in ("young", "old", "old")]
    assert [(lot.stratum, lot.number) for lot in first] == [("young", 1), ("old", 1), ("old", 2)]


def test_a_changed_file_or_another_study_opens_nothing(records: Path, tmp_path: Path) -> None:
    prepare(records, study_of(BLOCKS), SITE, "anna")
    assert sealed_lots(records, study_of(BLOCKS.replace("at_most = 1.9", "at_most = 2.0")), SITE) is not None
    for text in (
        BLOCKS.replace("[2, 4]", "[2]"),
        STRATA,
        BLOCKS.replace("block_sizes = [2, 4]", "block_sizes = [2, 4]\nseed = 7"),
        BLOCKS.replace('alert = ["sound"]', 'alert = ["sound", "light"]'),
    ):
        with pytest.raises(WitnessError, match=r"were drawn for another study file: .* --site north-2"):
            sealed_lots(records, study_of(text), SITE)
    file = records / "lots-north.json"
    whole = file.read_text()
    file.write_text(whole.replace('"chime"', '"no-alert"', 1))
    with pytest.raises(WitnessError, match="changed after it was sealed; no lot is opened"):
        sealed_lots(records, study_of(BLOCKS), SITE)
    file.write_text(whole)
    other = prepare(tmp_path / "elsewhere", study_of(BLOCKS), SITE, "eve")
    (tmp_path / "elsewhere" / "lots-north.json").rename(file)
    with pytest.raises(WitnessError, match=f"its root is not the one that {AUDIT_NAME} has"):
        sealed_lots(records, study_of(BLOCKS), SITE)
    assert other.order.site == SITE


# Verified at the end


@pytest.fixture
def study_run(records: Path) -> tuple[Path, Any]:
    """Four participants of eight lots, the third one twice; the fourth lot was opened for somebody who did not come."""
    lots = prepare(records, study_of(BLOCKS), SITE, "anna", 8)
    for day, code in enumerate(("Q10", "Q11", "Q12", None, "Q14")):
        lot = lots.open_next("", "anna")
        if code is None:
            continue
        record = run_of(records, code, lots.for_opening(lot), day=day)
        lots.bind(lot, RecordReading(record).record_id, "anna")
    again = run_of(records, "Q12", lots.for_opening(lots.opened_lot("", 3)), day=6)
    assert again.is_dir()
    return records, lots


def test_a_study_that_went_as_sealed_has_no_fault(study_run: tuple[Path, Any]) -> None:
    records, lots = study_run
    found = verify_lots(lots)
    assert found.faults == ()
    assert (found.opened, found.used, found.root) == (5, 4, lots.order.root)
    assert found.remarks == ("Lot 4 was opened and has no record: the place is spent.",)
    for name in (lots.log_name, "lots-north.json", AUDIT_NAME):
        assert "Q1" not in (records / name).read_text(), "no participant's code"
    withdraw_record(next(records.glob("Q10*")), "anna")
    assert verify_lots(lots).faults == ()


def test_what_went_otherwise_is_named(study_run: tuple[Path, Any]) -> None:
    records, lots = study_run
    third = lots.for_opening(lots.opened_lot("", 3))
    other = {"chime": "no-alert", "no-alert": "chime"}[third["group"]]
    run_of(records, "Q20", third, day=7)
    swapped = hand_record(records, "Q21", other, text=BLOCKS, day=8, lot=lots.for_opening(lots.opened_lot("", 4)))
    run_of(records, "Q22", {**third, "number": 8, "group": lots.order.lot("", 8).group}, day=9)
    run_of(records, "Q23", {**third, "root": "00"}, day=10)
    run_of(records, "Q14", third, day=11)
    said = " ".join(verify_lots(lots).faults)
    assert "Lot 3 was given to 4 participants." in said
    assert f"{swapped.name} has group {other}, its lot 4 is" in said or lots.order.lot("", 4).group == other
    assert "names lot 8, which was never opened" in said
    assert "names lot 3 of another order" in said
    assert "Q14 was given 2 lots." in said
    log = records / lots.log_name
    lines = log.read_text().splitlines(keepends=True)
    log.write_text("".join(lines[1:]))
    said = " ".join(verify_lots(lots).faults)
    assert "does not follow the line before it" in said
    assert "used in a record and was never opened" in said or "not opened one after the other" in said


def test_records_from_before_the_order_was_sealed_are_remarked_on(study_run: tuple[Path, Any]) -> None:
    records, lots = study_run
    seeded = BLOCKS.replace("block_sizes = [2, 4]", "block_sizes = [2, 4]\nseed = 7")
    hand_record(records, "Q05", "chime", text=seeded, day=12)
    found = verify_lots(lots)
    assert found.faults == ()
    said = " ".join(found.remarks)
    assert "1 record of this study without a lot: Q05" in said
    assert "The first 1 lot could be computed: their study file has a seed." in said


def test_judging_holds_the_simulator_against_the_lot() -> None:
    lot = {"site": SITE, "stratum": "", "number": 1, "group": "no-alert", "root": "00"}
    (trial,) = judged(HandDrive(group="chime"), study=study_of(BLOCKS), group="no-alert", lot=lot).trials()
    assert "group-mismatch" in {one.code for one in trial.findings}
    assert trial.verdict == "invalid"
    # whatever group was entered beside it, the lot is what was meant
    (trial,) = judged(HandDrive(group="chime"), study=study_of(BLOCKS), group="chime", lot=lot).trials()
    assert "group-mismatch" in {one.code for one in trial.findings}


# The command


def told(capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    return document


def test_assign_prepares_opens_and_verifies(tmp_path: Path, records: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert assign(options(tmp_path, BLOCKS, prepare=True, lots=8)) == 0
    root = told(capsys)["root"]
    assert assign(options(tmp_path, BLOCKS)) == 0
    first = told(capsys)
    assert first["lot"] == 1
    assert first["group"] in ("chime", "no-alert")
    with pytest.raises(WitnessError, match=r"Lot 1 was opened and has no record yet\. If it was opened for Q02, say"):
        assign(options(tmp_path, BLOCKS, participant="Q02"))
    assert assign(options(tmp_path, BLOCKS, participant="Q02", lot="next")) == 0
    assert told(capsys)["lot"] == 2
    assert assign(options(tmp_path, BLOCKS, participant="Q01", lot="1")) == 0
    assert told(capsys) | {"why": ""} == first | {"why": ""}
    with pytest.raises(WitnessError, match="Lot 5 of site north was not opened"):
        assign(options(tmp_path, BLOCKS, lot="5"))
    assert assign(options(tmp_path, BLOCKS, verify=True)) == 0
    assert told(capsys)["root"] == root


def test_no_command_names_a_group_that_is_not_entered(
    tmp_path: Path, records: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lots = prepare(records, study_of(BLOCKS), SITE, "anna", 8)
    assert assign(options(tmp_path, BLOCKS, participant=None)) == 0
    assert told(capsys)["group"] is None
    for group in ("chime", "no-alert"):  # a refusal says the same whichever is next
        with pytest.raises(WitnessError, match=r"leave --group out. \(It would be a way to ask"):
            plan_run(study_of(BLOCKS), options(tmp_path, BLOCKS, group=group))
    assert lots.opened() == []
    printed = capsys.readouterr()
    assert "chime" not in printed.out + printed.err


def test_a_withdrawal_is_said_and_is_no_fault_for_ever(
    tmp_path: Path, records: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    prepare(records, study_of(BLOCKS), SITE, "anna", 8)
    other = BLOCKS.replace('name = "hand"', 'name = "other"')
    for participant, text in (("Q07", BLOCKS), ("Q08", other)):
        withdraw_record(hand_record(records, participant, text=text), "anna")
    assert assign(options(tmp_path, BLOCKS)) == 0
    said = capsys.readouterr()
    assert "Q07" in said.err
    assert "Q08" not in said.err
    assert len(json.loads(said.out)["withdrawn"]) == 1


def test_who_comes_again_keeps_group_and_lot(records: Path, tmp_path: Path) -> None:
    lots = prepare(records, study_of(BLOCKS), SITE, "anna", 8)
    lot = lots.for_opening(lots.open_next("", "anna"))
    lots.bind(lots.opened_lot("", 1), RecordReading(run_of(records, "Q01", lot)).record_id, "anna")
    plan = plan_run(study_of(BLOCKS), options(tmp_path, BLOCKS))
    assert (plan.group, plan.given.lot) == (lot["group"], lot)
    assert len(lots.opened()) == 1


def test_a_lost_trial_is_made_up_for_by_the_next_lot(records: Path, tmp_path: Path) -> None:
    lots = prepare(records, study_of(BLOCKS), SITE, "anna", 8)
    lot = lots.open_next("", "anna")
    hand_record(records, "Q10", lot.group, text=BLOCKS, lot=lots.for_opening(lot), drive=too_long_gap())
    lots.bind(lot, "ab", "anna")
    plan = plan_run(study_of(BLOCKS), options(tmp_path, BLOCKS))
    assert plan.given.drawn == lots.order.lot("", 2)
    assert plan.standing.sealed


def test_a_study_with_strata_asks_for_the_stratum(records: Path, tmp_path: Path) -> None:
    prepare(records, study_of(STRATA), SITE, "anna", 8)
    with pytest.raises(WitnessError, match='no stratum was given; the strata are "young" and "old"'):
        plan_run(study_of(STRATA), options(tmp_path, STRATA))
    plan = plan_run(study_of(STRATA), options(tmp_path, STRATA, stratum="old"))
    assert plan.given.lot is not None
    assert (plan.given.lot["stratum"], plan.given.lot["number"]) == ("old", 1)


def test_without_sealed_lots_the_operator_names_the_group(
    tmp_path: Path, records: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = plan_run(study_of(BLOCKS), options(tmp_path, BLOCKS, group="chime"))
    assert (plan.group, plan.given.lot) == ("chime", None)
    assert plan_run(study_of(BLOCKS), options(tmp_path, BLOCKS)).group is None
    assert "No lots are sealed for site north: trialwitness assign --prepare" in capsys.readouterr().err
    assert plan_run(study_of(STUDY), options(tmp_path, STUDY)).group is None
    assert capsys.readouterr().err == ""


# The runs so far


def test_a_run_that_is_being_recorded_has_its_place_in_the_order(records: Path) -> None:
    hand_record(records, "Q10", "chime", text=BLOCKS)
    study = study_of(BLOCKS)
    opening = opening_with(study, "Q11", "no-alert")
    clock = ManualClock(NOON.replace(day=NOON.day + 1))
    running = RecordWriter.create(records / "Q11-20261103T120000Z-0000.run", opening, Writing(clock=clock))
    try:
        hand_record(records, "Q12", "no-alert", text=BLOCKS, day=2)
        placed = earlier_runs(study, records).placed
        assert placed_by_openings(study, records) == placed
    finally:
        running.close("test")
    assert [one.participant for one in placed] == ["Q10", "Q11", "Q12"]


def test_strata_are_kept_in_the_record(records: Path) -> None:
    hand_record(records, "Q10", "chime", text=STRATA, stratum="old")
    hand_record(records, "Q11", "chime", text=STRATA, stratum="young", day=1)
    assert [one.stratum for one in earlier_runs(study_of(STRATA), records).placed] == ["old", "young"]


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


# A list


def test_assign_tells_who_is_next_on_a_list_and_the_group_only_of_who_is_named(
    tmp_path: Path, records: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "list.csv").write_text("participant,group\nQ10,chime\nQ11,no-alert\nQ12,chime\n")
    hand_record(records, "Q10", "chime", text=LISTED)
    assert assign(options(tmp_path, LISTED, participant=None)) == 0
    document = told(capsys)
    assert (document["participant"], document["group"]) == ("Q11", None)
    assert assign(options(tmp_path, LISTED, participant="Q11")) == 0
    assert told(capsys)["group"] == "no-alert"
    with pytest.raises(WitnessError, match="has no participant Q13"):
        assign(options(tmp_path, LISTED, participant="Q13"))


# What `watch` does with it


def planned(text: str, directory: Path, **more: object) -> tuple[str | None, str | None]:
    """The group and the note that `watch` plans."""
    plan = plan_run(study_of(text), options(directory, text, **more))
    return plan.group, plan.note


def test_a_list_is_a_plan_and_a_silent_change_is_refused(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text("participant,group\nQ01,no-alert\n")
    assert planned(LISTED, tmp_path) == ("no-alert", None)
    assert planned(LISTED, tmp_path, group="no-alert") == ("no-alert", None)
    with pytest.raises(WitnessError, match=r"Q01 is in group no-alert, and --group says chime\. .*--group-words"):
        planned(LISTED, tmp_path, group="chime")
    group, note = planned(LISTED, tmp_path, group="chime", group_words="seat broken")
    assert (group, note) == (
        "chime",
        "group chime instead of no-alert: seat broken",
    )


def test_a_faulty_list_is_said_and_keeps_no_run_from_beginning(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "list.csv").write_text("participant,group\nQ01,chime\nQ01,no-alert\n")
    assert planned(LISTED, tmp_path, group="chime") == ("chime", None)
    assert "line 3: 'Q01' stands in line 2 already" in capsys.readouterr().err.replace('"', "'")


def test_where_too_many_records_would_have_to_be_judged_first_nothing_is_proposed(
    tmp_path: Path, records: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number in range(MOST_TO_JUDGE + 1):
        hand_record(records, f"Q{20 + number}", text=BLOCKS, day=number)
    plan = plan_run(study_of(BLOCKS), options(tmp_path, BLOCKS, group="chime"))
    assert (plan.group, plan.standing.proposed, plan.standing.valid) == ("chime", None, None)
    assert "11 records have to be judged first" in capsys.readouterr().err


# How far the study is, as entered in a record


def test_a_run_begins_with_the_tally_and_nothing_of_who_is_next(tmp_path: Path, records: Path) -> None:
    hand_record(records, "Q10", "chime", text=BLOCKS)
    hand_record(records, "Q11", "chime", text=BLOCKS, day=1, drive=too_long_gap())
    hand_record(records, "Q12", "no-alert", text=BLOCKS, day=2)
    standing = plan_run(study_of(BLOCKS), options(tmp_path, BLOCKS, participant="Q13")).standing
    assert standing.valid == {"gate-brake": {"chime": 1, "no-alert": 1}}
    assert standing.trigger == "gate-brake"
    assert standing_from_map(standing.as_map()) == standing
    assert "due" not in standing.as_map()


def test_an_opening_without_or_with_another_standing_is_read(records: Path) -> None:
    assert standing_from_map(None) is None
    assert standing_from_map({"valid": 3}) is None
    older = {"valid": {}, "due": {"a": ["b", "c"]}, "trigger": "t", "proposed": None, "words": None}
    read = standing_from_map(older)
    assert read is not None, "of an older version, which knew who was due: that is passed over"
    assert not read.sealed


@pytest.mark.slow
def test_watch_opens_the_next_lot_and_enters_it_in_the_record(tmp_path: Path) -> None:
    study = tmp_path / "study.toml"
    study.write_text((Path(__file__).parents[2] / "configs" / "dusk-road.toml").read_text())
    directory = str(tmp_path / "records")
    sealed = call("assign", "--prepare", "--study", str(study), "--records", directory, "--by", "lead", "--json")
    assert sealed.returncode == 0, sealed.stderr
    root = json.loads(sealed.stdout)["root"]
    with simulator("--group", "chime", speed=20.0) as endpoint:
        watch = ("watch", "--headless", "--json", "--study", str(study), "--feed", endpoint, "--until-end")
        done = run(*watch, "--participant", "Q07", "--records", directory, "--by", "anna")
    assert done.returncode == 0, done.stderr
    opening = RecordReading(the_record(tmp_path / "records")).opening
    assert opening.lot is not None
    assert (opening.lot["number"], opening.lot["root"], opening.lot["site"]) == (1, root, "site")
    assert opening.group == opening.lot["group"]
    document = json.loads(done.stdout.splitlines()[-1])
    codes = {one["code"] for one in document["trials"][0]["findings"]}
    assert ("group-mismatch" in codes) is (opening.group != "chime")
    assert "Next is" not in done.stderr
    verified = call("assign", "--verify", "--study", str(study), "--records", directory, "--json")
    assert verified.returncode == 0, verified.stdout
    assert json.loads(verified.stdout)["used"] == 1


def test_sealing_that_a_power_cut_interrupted_is_ended_by_the_next_try(
    records: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Wherever it stops: no root without its lots, and no second order under the same name."""
    study = study_of(BLOCKS)
    stops = ("os.fsync", "pathlib.Path.rename", "monitor.archive.chained_lines.ChainedLines.enter")
    for place, stop in enumerate(stops):
        site = f"north{place}"
        with monkeypatch.context() as patch:
            patch.setattr(stop, stopped)
            with pytest.raises(KeyboardInterrupt):
                prepare(records, study, site, "anna")
        assert not (records / f"lots-{site}.json").exists()
        entered = sealed_root(records, site)
        if entered is not None:
            with pytest.raises(WitnessError, match="put it back from a copy"):
                sealed_lots(records, study, site)
        lots = prepare(records, study, site, "anna")
        assert entered in (None, lots.order.root)
        assert sealed_root(records, site) == lots.order.root
        assert lots.open_next("", "anna").number == 1
    (records / "lots-north0.json").unlink()
    with pytest.raises(WitnessError, match="its file of lots is gone"):
        prepare(records, study, "north0", "anna")


def stopped(*arguments: object, **more: object) -> None:
    raise KeyboardInterrupt


def test_no_lot_is_given_twice_where_a_line_is_torn_or_gone(records: Path) -> None:
    lots = prepare(records, study_of(BLOCKS), SITE, "anna")
    given = [lots.open_next("", "anna") for _ in range(3)]
    log = records / lots.log_name
    log.write_bytes(log.read_bytes()[:-20])
    assert [lots.open_next("", "anna").number for _ in range(2)] == [4, 5]
    assert "does not follow the line before it" in " ".join(verify_lots(lots).faults)
    log.unlink()
    assert lots.open_next("", "anna", [lots.for_opening(one) for one in given]).number == 4


@pytest.mark.slow
def test_the_words_are_a_note_of_the_record(tmp_path: Path) -> None:
    with simulator("--group", "chime", speed=20.0) as endpoint:
        arguments = ("--until-end", "--group", "chime", "--group-words", "the list was wrong", "--by", "anna")
        with watching(endpoint, tmp_path, *arguments) as process:
            out, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    (note,) = json.loads(out.splitlines()[-1])["notes"]
    assert (note["by"], note["text"]) == ("anna", "group chime: the list was wrong")
    assert review_record(the_record(tmp_path)).session.operator.notes[0].text == note["text"]


@pytest.mark.slow
def test_watch_without_a_group_takes_the_simulators(tmp_path: Path) -> None:
    with simulator("--group", "seat-pulse", speed=20.0) as endpoint:
        with watching(endpoint, tmp_path, "--until-end", group=()) as process:
            out, err = process.communicate(timeout=120)
    document = json.loads(out.splitlines()[-1])
    assert process.returncode == 0, err
    assert document["group"] == "seat-pulse"
    assert "No lots are sealed for site site" in err
    assert not any(one["code"] == "group-mismatch" for trial in document["trials"] for one in trial["findings"])

"""The study file is frozen before the first look; judging by another one afterwards is possible and always says so."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.archive.chained_lines import chain_fault
from monitor.archive.looks import AUDIT_NAME, count_looks, enter_look, freeze, frozen
from monitor.errors import WitnessError
from monitor.study.loading import load_study
from tests.commands.running import call
from tests.reports.making import BLIND, hand_record

WIDER = BLIND.replace("at_most = 1.9", "at_most = 2.4")


@pytest.fixture
def records(tmp_path: Path) -> Path:
    (tmp_path / "own.toml").write_text(BLIND)
    (tmp_path / "wider.toml").write_text(WIDER)
    (tmp_path / "records").mkdir()
    hand_record(tmp_path / "records", "Q07", text=BLIND)
    return tmp_path / "records"


def checked(records: Path, name: str) -> tuple[int, str]:
    study = str(records.parent / name)
    done = call("check", "--study", study, "--freeze", "--records", str(records), "--by", "anna")
    return done.returncode, done.stdout + done.stderr


@pytest.mark.slow
def test_the_digest_is_entered_once_and_another_file_is_refused(records: Path) -> None:
    status, said = checked(records, "own.toml")
    assert (status, "frozen on " in said) == (0, True)
    assert checked(records, "own.toml")[0] == 0, "once more is nothing new"
    status, said = checked(records, "wider.toml")
    assert (status, "what is frozen stays" in said) == (2, True)
    assert len((records / AUDIT_NAME).read_text().splitlines()) == 1
    kept = frozen(records, "hand")
    assert kept is not None
    assert (kept.by, kept.after_looks) == ("anna", 0)
    assert count_looks(records) == 0, "to freeze a file is no look"
    assert chain_fault(records / AUDIT_NAME) is None


def test_frozen_after_a_look_says_so(tmp_path: Path) -> None:
    enter_look(tmp_path, "ben", "compare", {}, {})
    own, wider = tmp_path / "own.toml", tmp_path / "wider.toml"
    own.write_text(BLIND)
    wider.write_text(WIDER)
    assert freeze(tmp_path, "anna", load_study(own)).after_looks == 1
    with pytest.raises(WitnessError, match="Another file of the study hand was frozen"):
        freeze(tmp_path, "anna", load_study(wider))


def test_a_file_that_changed_since_it_was_read_is_not_frozen(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text(BLIND)
    read = load_study(file)
    file.write_text(WIDER)
    with pytest.raises(WitnessError, match="was changed while it was to be frozen, and nothing is frozen"):
        freeze(tmp_path, "anna", read)
    assert frozen(tmp_path, "hand") is None


def test_what_may_have_frozen_another_file_is_told(records: Path) -> None:
    checked(records, "wider.toml")
    (records / AUDIT_NAME).write_text("{torn\n")
    status, said = checked(records, "own.toml")
    assert status == 0
    assert "line 1 does not follow the line before it" in said


@pytest.mark.slow
def test_whoever_judges_by_another_file_is_told_so_everywhere(records: Path) -> None:
    checked(records, "own.toml")
    look = call("compare", str(records), "--unblind", "--by", "ben", "--test", "gehan", "--why", "interim", "--json")
    assert look.returncode == 0, look.stderr
    assert "judged by another" not in call("tally", str(records)).stdout
    study = ("--study", str(records.parent / "wider.toml"))
    told = " ".join(call("tally", str(records), *study).stdout.split())
    assert "judged by another study file" in told
    assert "after 1 look at responses" in told
    assert "than the one that was frozen on" in told
    (record,) = records.glob("*.run")
    assert "judged by another study file than its own" in call("review", str(record), *study).stdout
    assert "was frozen on" in call("review", str(record), *study).stdout
    assert len(json.loads(call("review", str(record), *study, "--json").stdout)[0]["judged_by"]) == 64
    exported = call("export", str(records), *study, "--to", "csv", "--out", str(records.parent / "out"))
    assert "judged by another study file" in exported.stderr
    assert "judged by another study file" in call("replay", str(record), *study, "--why", "1/gate-brake/1").stderr


def test_a_look_has_the_whole_analysis_and_no_participants_code(records: Path) -> None:
    study = str(records.parent / "wider.toml")
    call("compare", str(records), "--unblind", "--by", "ben", "--test", "gehan", "--why", "interim", "--study", study)
    (line,) = (records / AUDIT_NAME).read_text().splitlines()
    fields = json.loads(line)
    assert (fields["by"], fields["command"], fields["why"], fields["look"]) == ("ben", "compare", "interim", 1)
    text = json.dumps(fields["what"])
    for part in ("gehan", "gate-brake", "first", "3.0", "2.5"):
        assert part in text, part
    assert fields["what"]["judged_by"] == fields["what"]["studies"]["hand"][0]
    (record_id,) = fields["records"]
    assert len(record_id) == 32
    assert "Q07" not in line, "a withdrawal leaves nothing here"

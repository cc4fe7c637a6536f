"""`rule` and what it leaves behind in `review`, `closeout`, `tally` and `export`, before and after a look."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from monitor.archive.looks import enter_look
from tests.commands.running import call
from tests.lazily import Lazily
from tests.reports.making import BLIND, hand_drive, hand_record

pd = Lazily("pandas")

TRIAL = "1/gate-brake/1"


def rule(path: Path, *more: str) -> tuple[int, str, str]:
    done = call("rule", str(path), "--trial", TRIAL, "--by", "anna", *more)
    return done.returncode, done.stdout, done.stderr


def reviewed(path: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(call("review", str(path), "--json").stdout)[0]["trials"][0]
    return document


@pytest.fixture
def record(tmp_path: Path) -> Path:
    (tmp_path / "records").mkdir()
    return hand_record(tmp_path / "records", "Q07", text=BLIND)


@pytest.mark.slow
def test_refusals_leave_nothing_behind(record: Path) -> None:
    for arguments, said in (
        (("--verdict", "valid", "--reason", "participant-unwell"), "cannot make one valid"),
        (("--verdict", "invalid"), "takes a reason code"),
        (("--verdict", "invalid", "--reason", "confirmed"), "does not confirm that"),
        (("--verdict", "valid", "--reason", "nonsense"), "has no reason code nonsense"),
        ((), "rule needs --verdict"),
        (("--reveal",), "why the response is to be seen"),
        (("--reveal", "--verdict", "valid", "--words", "w"), "takes no --verdict"),
    ):
        status, _, error = rule(record, *arguments)
        assert (status, said in error) == (2, True), error
    assert reviewed(record)["rulings"] == []
    assert not list(record.glob("addendum*"))


@pytest.mark.slow
def test_undecided_does_not_unblind_and_a_reveal_is_entered_with_why(record: Path) -> None:
    assert rule(record, "--verdict", "undecided", "--reason", "other")[0] == 0
    assert "The response is hidden" in call("closeout", str(record)).stdout
    assert reviewed(record)["response"] is None
    status, _, error = rule(record, "--reveal", "--words", "the participant asked")
    assert (status, error) == (0, "")
    assert reviewed(record)["response"]["outcome"] == "responded"
    assert "Response: responded" in call("closeout", str(record)).stdout


def test_every_ruling_is_kept_with_what_its_author_knew(record: Path) -> None:
    assert rule(record, "--verdict", "valid")[0] == 0, "confirming needs no reason"
    enter_look(record.parent, "ben", "compare", {}, {})
    status, told, _ = rule(record, "--verdict", "invalid", "--reason", "equipment", "--words", "lamp failed")
    assert status == 0
    assert told.count("CONTRADICTED by") == 2
    trial = reviewed(record)
    assert [(one["verdict"], one["by"], one["seen"]) for one in trial["rulings"]] == [
        ("valid", "anna", {"verdict": True, "response": False, "looks": 0}),
        ("invalid", "anna", {"verdict": True, "response": True, "looks": 1}),
    ]
    assert trial["ruling"] == trial["rulings"][1]
    assert trial["effective"] == "invalid"
    assert all(one["wall"] > 1.7e9 for one in trial["rulings"])
    report = " ".join(call("closeout", str(record)).stdout.split())
    assert "the computed verdict seen, after 0 looks (not in force: a later one is). CONTRADICTED by" in report
    assert "the computed verdict and the response seen, after 1 look. CONTRADICTED by" in report


@pytest.mark.slow
def test_tally_and_export_before_and_after_a_look(record: Path) -> None:
    other = hand_record(record.parent, "Q08", text=BLIND, drive=hand_drive(lost_frames=frozenset(range(196, 204))))
    rule(record, "--verdict", "valid")
    before = call("tally", str(record.parent)).stdout
    assert "after a look" not in before
    enter_look(record.parent, "ben", "compare", {}, {})
    rule(other, "--verdict", "valid", "--reason", "judged-harmless")
    after = " ".join(call("tally", str(record.parent)).stdout.split())
    assert "ruled after a look at responses by group: chime 1 (of 2 rulings)" in after
    groups = json.loads(call("tally", str(record.parent), "--json").stdout)["studies"][0]["triggers"][0]["groups"]
    chime = next(one for one in groups if one["group"] == "chime")
    assert (chime["ruled"], chime["ruled_after_look"], chime["rulings_not_recorded"]) == (2, 1, 0)
    out = record.parent.parent / "out"
    assert call("export", str(record.parent), "--to", "csv", "--out", str(out)).returncode == 0
    trials = pd.read_csv(out / "trials.csv").set_index("participant")
    assert trials["ruling_after_look"].to_dict() == {"Q07": 0, "Q08": 1}
    assert trials["ruled_utc"].notna().all()
    rulings = pd.read_csv(out / "rulings.csv")
    assert rulings["looks"].tolist() == [0, 1]
    assert rulings["seen_response"].tolist() == [0, 0]


@pytest.mark.slow
def test_a_contradiction_is_counted_in_the_tally(record: Path) -> None:
    rule(record, "--verdict", "valid")
    rule(record, "--verdict", "invalid", "--reason", "equipment")
    assert "rulings that contradict each other: chime 1" in call("tally", str(record.parent)).stdout


@pytest.mark.slow
def test_a_comparison_repeats_itself_by_the_computed_verdicts_alone(record: Path) -> None:
    directory = record.parent
    late = hand_record(directory, "Q09", "no-alert", 1.4, text=BLIND)
    hand_record(directory, "Q10", "no-alert", 0.9, text=BLIND)

    def compared() -> tuple[dict[str, Any], str]:
        run_ = ("compare", str(directory), "--unblind", "--by", "ben")
        return json.loads(call(*run_, "--json").stdout)["comparisons"][0], " ".join(call(*run_).stdout.split())

    before, said = compared()
    assert before["rulings"] == {"ruled": 0, "after_look": 0, "not_recorded": 0, "overruled": 0}
    assert before["trials"] == before["by_computed_verdicts"]["trials"] == 3
    assert "RULED AFTER A LOOK" not in said
    rule(late, "--verdict", "invalid", "--reason", "equipment")
    after, said = compared()
    assert after["trials"] == 2
    assert after["rulings"] == {"ruled": 1, "after_look": 1, "not_recorded": 0, "overruled": 1}
    # the other test is the one that was there before anybody ruled
    assert after["by_computed_verdicts"]["test"]["p"] == before["test"]["p"] != after["test"]["p"]
    assert "RULED AFTER A LOOK: 1 of 1 ruling were made by somebody who may have seen responses by group." in said
    assert "By the computed verdicts alone (3 trials; 1 of 1 rulings say otherwise, 1 made after a look): χ²" in said

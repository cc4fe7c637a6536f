"""Bad input to the commands on a directory of records: each thing said, none fatal, nothing counted silently."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.archive.looks import AUDIT_NAME
from tests.commands.running import call
from tests.judging.hand import STUDY
from tests.reports.making import hand_record

OTHER_BAND = STUDY.replace("at_most = 1.9", "at_most = 1.95")
OTHER_STUDY = STUDY.replace('name = "hand"', 'name = "other"')
LISTED = STUDY.replace("[groups.chime]", '[assignment]\nmethod = "list"\nfile = "list.csv"\n[groups.chime]')
SHOW = ("--unblind", "--by", "anna")


@pytest.fixture(scope="module")
def mixed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two good runs, one with a flipped bit, one of another study, one by a changed study file, one that is no record
    any more."""
    directory = tmp_path_factory.mktemp("mixed")
    hand_record(directory, "Q01")
    hand_record(directory, "Q02", "no-alert", day=1)
    part = hand_record(directory, "Q03", day=2) / "part-0001.twr"
    flipped = bytearray(part.read_bytes())
    flipped[20_000] ^= 1
    part.write_bytes(bytes(flipped))
    hand_record(directory, "Q04", text=OTHER_STUDY, day=3)
    hand_record(directory, "Q05", text=OTHER_BAND, day=4)
    (hand_record(directory, "Q06", day=5) / "part-0001.twr").write_bytes(bytes(5000))
    return directory


@pytest.mark.parametrize("command", ["tally", "compare", "export"])
def test_everything_that_is_wrong_is_said_and_the_rest_is_counted(command: str, mixed: Path, tmp_path: Path) -> None:
    more = {"tally": (), "compare": SHOW, "export": ("--to", "csv", "--out", str(tmp_path / "out"))}[command]
    done = call(command, str(mixed), *more)
    assert done.returncode == 1, done.stderr
    said = " ".join((done.stderr + done.stdout).split())
    assert "Traceback" not in said
    for words in (
        "Q06-20261107T120000Z-",
        "is not counted: no opening entry can be read",
        "is damaged: Part 1, byte ",
        "2 studies are mixed in",
        "hand (4 runs), other (1 run); each is counted by itself",
        "The study file of hand was changed in mid-study:",
    ):
        assert words in said
    if command == "tally":
        studies = json.loads(call("tally", "--json", str(mixed)).stdout)["studies"]
        runs = {one["study"]: sum(group["run"] for group in one["triggers"][0]["groups"]) for one in studies}
        assert runs == {"hand": 4, "other": 1}


@pytest.mark.slow
def test_an_empty_directory_is_said(tmp_path: Path) -> None:
    for command, more, words in (
        ("tally", (), "holds no run that can be counted"),
        ("compare", SHOW, "holds no run that can be compared"),
        ("export", ("--to", "csv", "--out", str(tmp_path / "csv")), "0 records, 0 trials, as CSV"),
    ):
        done = call(command, str(tmp_path), *more)
        assert done.returncode == 0, done.stderr
        assert words in done.stdout + done.stderr
    assert not (tmp_path / AUDIT_NAME).exists()  # nothing was shown: no look
    bids = call("export", str(tmp_path), "--to", "bids", "--out", str(tmp_path / "bids"))
    assert bids.returncode == 2
    assert "holds no run, and a BIDS data set needs one" in bids.stderr
    assert not (tmp_path / "bids").exists()


def test_a_doubled_participant_of_an_allocation_list_is_said_by_its_lines(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text(LISTED)
    (tmp_path / "list.csv").write_text("participant,group\nQ01,chime\nQ02,no-alert\nQ01,no-alert\n")
    done = call("assign", "--study", str(tmp_path / "study.toml"), "--records", str(tmp_path / "none"))
    assert done.returncode == 2
    assert 'line 4: "Q01" stands in line 2 already' in done.stderr.replace("'", '"')


def test_without_a_plan_nothing_is_said_to_be_planned(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q01", text=STUDY)
    tally = call("tally", str(tmp_path)).stdout
    (everybody,) = [line.split() for line in tally.splitlines() if line.strip().startswith("all ")]
    assert everybody == ["all", "–", "1", "1", "0", "0", "–"]
    assert "Valid trials only: 1; no number is planned." in call("compare", str(tmp_path), *SHOW).stdout

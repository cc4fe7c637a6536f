"""The `replay` command where there is no screen: the list, the explanation, the sweep."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import pytest

from monitor.commands.desk import replay
from monitor.errors import WitnessError
from tests.judging.hand import STUDY, HandDrive
from tests.replay.conftest import flip_byte, write_record


def options(*arguments: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    replay.add_to(parser.add_subparsers())
    return parser.parse_args(["replay", *arguments])


def two_records(folder: Path) -> list[Path]:
    drive = HandDrive(rate_hz=20.0)
    first = write_record(folder, drive, name="Q01-20261003T101500Z-0a1b.run")
    narrow = STUDY.replace("at_most = 1.9", "at_most = 1.4")
    return [first, write_record(folder, drive, name="Q02-20261003T111500Z-0a1c.run", study_text=narrow)]


def test_a_directory_without_a_terminal_is_listed_and_asks_for_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    two_records(tmp_path)
    with pytest.raises(WitnessError, match="holds 2 records: name one of them") as raised:
        replay.run(options(str(tmp_path)))
    assert raised.value.exit_code == 2
    first, second = capsys.readouterr().out.splitlines()
    assert first == "  1  Q01    2026-10-03 10:15  gate-brake valid  (closed)  Q01-20261003T101500Z-0a1b.run"
    assert second.startswith("  2  Q01    2026-10-03 11:15  gate-brake invalid  (closed)")


def test_a_record_without_a_terminal_says_what_to_use(tmp_path: Path) -> None:
    path, _ = two_records(tmp_path)
    with pytest.raises(WitnessError, match=r"needs a terminal; without one.*--why TRIAL"):
        replay.run(options(str(path)))


def test_why_is_printed_in_sentences_and_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, path = two_records(tmp_path)
    assert replay.run(options(str(path), "--why", "1/gate-brake/1")) == 0
    said = capsys.readouterr().out
    assert "time gap was 1.50 s at the fire, band 1.3 to 1.4 s, 0.10 s over." in said
    assert replay.run(options(str(path), "--why", "1/gate-brake/1", "--json")) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["record"] == str(path)
    assert document["needed"][0]["condition"] == "time gap"


def test_damage_is_said_and_gives_status_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, _ = two_records(tmp_path)
    flip_byte(path, 0.9)
    assert replay.run(options(str(path), "--why", "1/gate-brake/1")) == 1
    assert "1 entry lost" in capsys.readouterr().err


def test_another_study_explains_by_its_own_bands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, _ = two_records(tmp_path)
    other = tmp_path / "other.toml"
    other.write_text(STUDY.replace("at_most = 1.9", "at_most = 1.45"))
    replay.run(options(str(path), "--why", "1/gate-brake/1", "--study", str(other)))
    assert "band 1.3 to 1.45 s, 0.05 s over." in capsys.readouterr().out


def test_a_sweep_over_a_directory(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    two_records(tmp_path)
    sweep = ("--sweep", "gate-brake/time gap", "--up-to", "0.2")
    assert replay.run(options(str(tmp_path), *sweep, "--json")) == 0
    document = json.loads(capsys.readouterr().out)
    assert [round(one["needed"], 5) for one in document["trials"]] == [0.0, 0.1]
    valid = {round(row["tolerance"], 3): row["valid"] for row in document["rows"]}
    assert (valid[0.0], valid[0.09], valid[0.11], valid[0.2]) == (1, 1, 2, 2)
    assert replay.run(options(str(tmp_path), *sweep)) == 0
    said = capsys.readouterr().out
    assert "Q02-20261003T111500Z-0a1c.run 1/gate-brake/1 becomes valid with 0.1 s" in said


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--json",), "goes with --why, --sweep or --beside"),
        (("--at", "nan"), "seconds of the record"),
        (("--speed", "-2"), "seconds of the record"),
        (("--why", "1/gate-brake/9"), "it has 1/gate-brake/1"),
        (("--sweep", "gate-brake/time gap", "--up-to", "0"), "greater than 0"),
    ],
)
def test_wrong_usage_is_one_sentence(tmp_path: Path, arguments: tuple[str, ...], message: str) -> None:
    path = write_record(tmp_path, HandDrive(rate_hz=20.0, end_t=3.0))
    with pytest.raises(WitnessError, match=message):
        replay.run(options(str(path), *arguments))


def test_a_sweep_of_a_condition_that_a_record_has_not_names_those_that_it_has(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_record(tmp_path, HandDrive(rate_hz=20.0, end_t=3.0))
    assert replay.run(options(str(path), "--sweep", "gate-brake/nothing")) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.endswith("it has gate-brake/time gap, gate-brake/own speed, gate-brake/van braking.\n")

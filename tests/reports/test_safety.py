"""The safety report: all that was entered, numbered, for somebody who knows nothing of the program; and no response."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from monitor.commands.records.closeout import harmless_text
from monitor.record.withdrawing import withdraw_record
from monitor.reports.assigning.asked import Asked, Exclusion, asked_of, enter_no_show, enter_not_taken
from monitor.reports.closeout.text import markdown
from monitor.reports.safety.document import safety_report
from monitor.reports.safety.sessions import safety_facts
from monitor.reports.safety.values import safety_json
from tests.commands.running import call
from tests.reports.making import NOON, REPORT_STUDY, hand_record

SAFETY = (
    REPORT_STUDY.replace('title = "Written by hand"', 'title = "Written by hand"\ncomfort_stop_at = 12')
    + """
[safety]
questionnaire = ["before", "after"]
fit_to_leave = true
"""
)
BLIND = SAFETY.replace('name = "hand"', 'name = "hand"\nblind = true')
AT = NOON.timestamp()
NOTHING = Asked(0, ())


def entered(kind: str, minutes: float, **fields: Any) -> dict[str, Any]:
    return {"type": kind, "drive": 1, "at": 12.0, "wall": AT + 60.0 * minutes, **fields}


UNWELL: tuple[Mapping[str, Any], ...] = (
    entered("symptoms", 0, when="before", answers=[0] * 16),
    entered("comfort", 5, rating=4),
    entered("mark", 9, code="unwell", text="unwell, stopped"),
    entered("adverse", 11, text="nausea | cold sweat\x1b[31m"),
    entered("adverse", 12, text="headache"),
    entered("retract", 13, what="4", words="said of another participant"),
    entered("symptoms", 14, when="after", answers=[1, 1, 0, 2, 1, 0, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0]),
    entered("fit", 40, fit=False, words="collected by family"),
)


@pytest.fixture
def records(tmp_path: Path) -> Path:
    directory = tmp_path / "records"
    directory.mkdir()
    return directory


def text_of(records: Path, asked: Asked = NOTHING) -> str:
    return harmless_text(markdown(safety_report(safety_facts(records, alone=False), asked)))


def rows_under(text: str, heading: str) -> list[list[str]]:
    """The cells of the table under a heading."""
    part = text.split(f"## {heading}\n", 1)[1].split("\n## ", 1)[0]
    lines = [line for line in part.splitlines() if line.startswith("|")][2:]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines]


def test_all_that_was_entered_is_there_with_its_number_and_time(records: Path) -> None:
    hand_record(records, "Q01", text=SAFETY, operator=UNWELL)
    text = text_of(records)
    assert rows_under(text, "Stopped sessions") == [["Q01", "2026-11-02 12:09", "unwell, stopped", "anna", "no"]]
    first, second = rows_under(text, "Adverse events")
    assert first[:4] == ["1", "Q01", "A1", "2026-11-02 12:11"]
    assert "nausea \\| cold sweat" in first[4]
    assert "\x1b" not in text
    assert "taken back by anna" in second[4], "what was taken back stays, with why"
    assert rows_under(text, "Symptoms")[0][2:5] == ["0.00", "52.36", "+52.36"]
    assert rows_under(text, "Fit to leave")[0][2] == "NO"
    assert rows_under(text, "In numbers")[1:3] == [["participants who were stopped", "1"], ["adverse events", "1"]]
    assert "a session is stopped at a rating of 12 or more" in text


def test_what_the_study_asks_for_and_nobody_entered_is_an_open_question(records: Path) -> None:
    hand_record(records, "Q01", text=SAFETY)
    said = "symptoms before the drive, symptoms after the drive, fit to leave not entered"
    assert said in text_of(records)


def test_what_was_asked_in_the_first_run_of_a_visit_is_not_missed_in_the_second(records: Path) -> None:
    hand_record(records, "Q01", text=SAFETY, operator=[entered("symptoms", 0, when="before", answers=[0] * 16)])
    hand_record(
        records, "Q01", text=SAFETY,
        operator=[entered("symptoms", 30, when="after", answers=[0] * 16), entered("fit", 31, fit=True)],
    )  # fmt: skip
    assert "None: all that the study asks for was entered." in text_of(records)


@pytest.mark.parametrize("study", [SAFETY, BLIND])
def test_nothing_in_it_tells_how_somebody_responded(records: Path, tmp_path: Path, study: str) -> None:
    """Same entries, another response, another group: the same report to the letter, but for the record's name."""
    other = tmp_path / "other"
    other.mkdir()
    name = hand_record(records, "Q01", "chime", 0.8, text=study, operator=UNWELL).name
    again = hand_record(other, "Q01", "no-alert", None, text=study, operator=UNWELL).name
    assert text_of(records).replace(name, "#") == text_of(other).replace(again, "#")
    found, asked = safety_json(safety_facts(records, alone=False), NOTHING), NOTHING
    second = safety_json(safety_facts(other, alone=False), asked)
    assert json.dumps(found).replace(name, "#") == json.dumps(second).replace(again, "#")
    assert not any(word in text_of(records) for word in ("chime", "valid", "gate-brake", "brake_onset"))


def test_a_record_that_cannot_be_read_is_said_and_leaves_no_clean_bill(records: Path) -> None:
    path = hand_record(records, "Q01", text=SAFETY, operator=UNWELL)
    for part in path.glob("part-*"):
        part.write_bytes(b"nothing of a record")
    facts = safety_facts(records, alone=False)
    assert facts.unreadable
    assert "Nobody can say what was entered in" in text_of(records)
    done = call("safety", str(records))
    assert done.returncode == 1


def test_a_study_file_that_no_longer_loads_hides_no_adverse_event(records: Path) -> None:
    hand_record(records, "Q01", text=SAFETY, operator=UNWELL)
    facts = safety_facts(records, alone=False)
    from dataclasses import replace

    (one,) = facts.sessions
    broken = replace(facts, sessions=(replace(one, asks=None, faults=("its study file does not load any more",)),))
    text = markdown(safety_report(broken, NOTHING))
    assert "cold sweat" in text
    assert "does not load any more" in text


@pytest.mark.parametrize("scope", ["all", "analysed"])
def test_a_withdrawal_is_counted_and_what_the_protocol_keeps_is_kept_without_a_code(records: Path, scope: Any) -> None:
    withdraw_record(hand_record(records, "Q77", text=SAFETY, operator=UNWELL), "anna", scope)
    hand_record(records, "Q01", text=SAFETY)
    text = text_of(records)
    assert "erased, because the participant withdrew consent" in text
    assert ("cold sweat" in text) == (scope == "analysed")
    assert "Q77" not in text
    assert "Q77" not in json.dumps(safety_json(safety_facts(records, alone=False), NOTHING))
    if scope == "analysed":
        assert "symptoms after the drive: total 52.4" in text


def test_who_did_not_come_or_was_not_taken_is_a_number(records: Path) -> None:
    hand_record(records, "Q01", text=SAFETY)
    enter_no_show(records, "hand", "anna")
    enter_not_taken(records, "hand", "anna", Exclusion("no-licence", "No licence to drive"))
    rows = dict(rows_under(text_of(records, asked_of(records, None)), "In numbers"))
    assert (rows["invited and did not come"], rows["not taken: No licence to drive"]) == ("1", "1")


def test_the_command_writes_a_page_or_markdown_and_never_over_another_file(records: Path, tmp_path: Path) -> None:
    hand_record(records, "Q01", text=SAFETY, operator=UNWELL)
    page, again = tmp_path / "board.html", tmp_path / "board.html"
    done = call("safety", str(records), "--out", str(page))
    assert (done.returncode, done.stdout) == (0, f"{page}: written\n")
    text = page.read_text()
    assert text.startswith("<!doctype html>")
    assert "<script" not in text
    assert "Safety report: Written by hand" in text
    refused = call("safety", str(records), "--out", str(again))
    assert refused.returncode == 2
    assert "is there already" in refused.stderr
    (record,) = records.glob("*.run")
    assert json.loads(call("safety", str(record), "--json").stdout)["sessions"][0]["events"][0]["name"] == "A1"

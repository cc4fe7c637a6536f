"""Heard and felt: an answer by one key, which decides the rehearsal's go and stands in its page and in each record."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.archive.earlier import Earlier
from monitor.archive.rehearsals import NewestRehearsal, newest_rehearsal, unreadable_pages
from monitor.archive.review import review_record
from monitor.commands.connecting.rehearse import in_the_seat_of
from monitor.commissioning.rehearsal.page import keep_page, make_page
from monitor.commissioning.rehearsal.rehearsed import judge_rehearsal
from monitor.errors import WitnessError
from monitor.following.beginning import _found_before
from monitor.judging.day.log import rehearsed_from_map
from monitor.reports.closeout.day import day_sections
from tests.judging.hand import HandDrive, study_of
from tests.reports.making import REPORT_STUDY, hand_record

HEARD = "sound, amplifier at 6"
ASKS = (
    REPORT_STUDY
    + """
[rehearsal]
needed = true
[[rehearsal.perceived]]
modality = "sound"
volume = "amplifier at 6"
expected = "heard"
"""
)


def said(answer: str | None) -> list[dict[str, Any]]:
    return [] if answer is None else [{"type": "perceived", "name": HEARD, "answer": answer}]


@pytest.mark.parametrize(
    ("answer", "against"),
    [
        ("heard", None),
        ("no", f"{HEARD} was not perceived in the seat, says anna."),
        ("felt", f"{HEARD} was felt in the seat and not heard, says anna."),
        (None, f"Nobody in the seat said whether {HEARD} was perceived."),
    ],
)
def test_an_alert_that_nobody_hears_is_against_the_day(tmp_path: Path, answer: str | None, against: str | None) -> None:
    """All else works: the amplifier that is turned down passes every other test."""
    study = study_of(ASKS)
    record = hand_record(tmp_path, text=ASKS, drive=HandDrive(), operator=said(answer))
    shown = judge_rehearsal(record, study, ("chime",))
    about = [sentence for sentence in shown.against if HEARD in sentence]
    assert about == ([] if against is None else [against])
    page = make_page(study, shown, "anna", 1_793_000_000.0, None)
    assert page.go is (shown.against == [])
    assert (f"  {HEARD}: {answer}, says anna" in page.sentences()) is (answer is not None)


def test_it_stands_in_the_kept_page_and_in_each_record_of_the_day(tmp_path: Path) -> None:
    study = study_of(ASKS)
    record = hand_record(tmp_path, text=ASKS, operator=said("heard"))
    keep_page(make_page(study, judge_rehearsal(record, study, ("chime",)), "anna", 1_793_000_000.0, None), tmp_path)
    kept = newest_rehearsal(tmp_path, study.name).page
    assert kept is not None
    assert [(one["name"], one["answer"]) for one in kept["perceived"]] == [(HEARD, "heard")]
    (entry,) = _found_before(study, tmp_path, Earlier())
    found = rehearsed_from_map(entry["rehearsal"])
    assert found is not None
    assert [(one.name, one.answer, one.by) for one in found.perceived] == [(HEARD, "heard", "anna")]


CUT = ("", '{"type": "rehears', '{"type": "other"}', "[" * 100_000)


@pytest.mark.parametrize("text", CUT, ids=["empty", "cut", "another", "deep"])
@pytest.mark.parametrize("newer", [False, True])
def test_a_damaged_page_that_is_newer_is_named_in_the_record_and_its_report(
    tmp_path: Path, text: str, newer: bool
) -> None:
    study = study_of(ASKS)
    record = hand_record(tmp_path, text=ASKS, operator=said("heard"))
    keep_page(make_page(study, judge_rehearsal(record, study, ("chime",)), "anna", 1_793_000_000.0, None), tmp_path)
    name = f"{'2099' if newer else '1999'}0101T063000Z-go.json"
    (tmp_path / "rehearsals" / name).write_text(text)
    named = (name,) if newer else ()
    assert newest_rehearsal(tmp_path, study.name).unreadable == named
    assert len(unreadable_pages(tmp_path)) == 1
    (entry,) = _found_before(study, tmp_path, Earlier())
    (tmp_path / "later").mkdir()
    session = review_record(hand_record(tmp_path / "later", text=ASKS, operator=[entry])).session
    day = session.operator.day
    assert (day.rehearsed is not None, day.unreadable) == (True, named)
    assert any(name in line for section in day_sections(session) for line in section.sentences) == newer
    for page in (tmp_path / "rehearsals").glob("2026*"):
        page.unlink()
    assert newest_rehearsal(tmp_path, study.name) == NewestRehearsal(None, (name,))


@pytest.mark.parametrize("given", ["sound=heard", f"{HEARD}=loud", HEARD])
def test_an_answer_on_the_command_line_that_is_none_is_told_before_anything_is_driven(given: str) -> None:
    with pytest.raises(WitnessError, match=r"ALERT=ANSWER .* \(sound, amplifier at 6\) and heard, felt, seen, no"):
        in_the_seat_of(study_of(ASKS), [given])


def test_answers_of_the_command_line_are_not_asked_again() -> None:
    assert list(in_the_seat_of(study_of(ASKS), [f"{HEARD}=heard"])()) == said("heard")


def test_without_a_terminal_nobody_is_asked() -> None:
    code = "from tests.commissioning.test_perceived import *; print(list(in_the_seat_of(study_of(ASKS), [])()))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, stdin=subprocess.DEVNULL, check=True
    )
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(("keys", "answer"), [(b"h", "heard"), (b"xzF", "felt"), (b"n", "no"), (b"\r", None)])
def test_one_key_answers_in_the_terminal(keys: bytes, answer: str | None) -> None:
    """Other keys do nothing; Enter leaves it unasked."""
    ours, theirs = pty.openpty()
    code = "from tests.commissioning.test_perceived import *; print(list(in_the_seat_of(study_of(ASKS), [])()))"
    process = subprocess.Popen(
        [sys.executable, "-c", code], stdin=theirs, stdout=subprocess.PIPE, stderr=theirs, text=True
    )
    os.close(theirs)
    asked = b""
    while b"Enter: not asked" not in asked:
        asked += os.read(ours, 1000)
    os.write(ours, keys)
    out, _ = process.communicate(timeout=120)
    os.close(ours)
    assert out.strip() == str(said(answer))
    assert f"In the seat: {HEARD}?".encode() in asked

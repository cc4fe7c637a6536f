"""The view of a session: what the heading is told of a feed that is over, and what the stop rule reminds of."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.following.building import Viewing, build_view
from monitor.following.heading.table import headings
from monitor.following.view import LiveView, RecorderView
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, pack_map
from tests.judging.hand import STUDY, HandDrive, entries_of, opening_of, study_of

GONE = {"event": "missing", "sentence": "nothing answers at tcp://127.0.0.1:5570; trying again"}
STOP = STUDY.replace('title = "Written by hand"', 'title = "Written by hand"\ncomfort_stop_at = 12')


def view_of(*more: tuple[EntryKind, dict[str, Any]], ends: bool = True, text: str = STUDY) -> LiveView:
    study = study_of(text)
    session = Session(study, opening_of(study))
    entries = entries_of(HandDrive(end_t=4.0, ends=ends), close=False)
    for kind, fields in more:
        entries.append(Entry(kind, len(entries) + 1, 0, 0, pack_map(fields)))
    session.take(entries)
    recorder = RecorderView("recording", None, 0, "")
    return build_view(session, Viewing(record="r", recorder=recorder, age_s=9.0, revision=1))


def first(view: LiveView) -> tuple[str, str]:
    """The word that heads the screen, and its sentence."""
    _, head = headings(view)[0]
    return head.word, head.sentence


@pytest.mark.parametrize("ends", [True, False])
def test_after_the_close_the_heading_says_that_it_is_closed_and_not_that_nothing_answers(ends: bool) -> None:
    view = view_of((EntryKind.INTAKE, GONE), (EntryKind.CLOSE, {"why": "test"}), ends=ends)
    assert first(view) == ("CLOSED", "The record is closed.")


def test_after_the_drive_the_simulators_silence_is_no_fault() -> None:
    assert first(view_of((EntryKind.INTAKE, GONE))) == ("BETWEEN DRIVES", "Drive 1 has ended.")


def test_while_the_drive_goes_on_a_silent_simulator_is_one() -> None:
    word, sentence = first(view_of((EntryKind.INTAKE, GONE), ends=False))
    assert word == "STALE"
    assert "nothing answers" in sentence


def test_a_rating_at_the_stop_rule_stands_until_it_is_lifted() -> None:
    def rated(*entries: dict[str, Any]) -> str:
        moment = {"at": 3.0, "drive": 1, "by": "ops"}
        found = view_of(*((EntryKind.OPERATOR, {**moment, **one}) for one in entries), text=STOP)
        return found.stop.words if found.stop else ""

    def rating(value: int) -> dict[str, Any]:
        return {"type": "comfort", "rating": value}

    assert rated() == rated(rating(11)) == ""
    assert rated(rating(12)) == "comfort rating 12, the facility's stop rule is 12 or more"
    assert rated(rating(12), rating(5)) == rated(rating(12))
    lift = {"type": "answer", "about": "stop", "answer": "lifted", "words": "wants to go on"}
    assert rated(rating(12), lift) == ""

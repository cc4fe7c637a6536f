"""The view of a session: what the heading is told of a feed that is over, and what the stop rule reminds of."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.following.building import build_view
from monitor.following.view import LiveView, RecorderView
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, pack_map
from monitor.screens.drawing.picture import Picture, heading
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
    return build_view(session, record="r", recorder=recorder, age_s=9.0, revision=1)


@pytest.mark.parametrize("ends", [True, False])
def test_after_the_close_the_heading_says_that_it_is_closed_and_not_that_nothing_answers(ends: bool) -> None:
    view = view_of((EntryKind.INTAKE, GONE), (EntryKind.CLOSE, {"why": "test"}), ends=ends)
    said = heading(Picture(view))
    assert (said.word, said.sentences) == ("ENDED", ("The record is closed.",))


def test_after_the_drive_the_simulators_silence_is_no_fault() -> None:
    said = heading(Picture(view_of((EntryKind.INTAKE, GONE))))
    assert (said.word, said.sentences) == ("ENDED", ("The drive has ended.",))


def test_while_the_drive_goes_on_a_silent_simulator_is_one() -> None:
    said = heading(Picture(view_of((EntryKind.INTAKE, GONE), ends=False)))
    assert said.word == "STALE"
    assert "nothing answers" in said.sentences[0]


def test_the_stop_rule_reminds_from_its_rating_on_and_until_a_lower_one() -> None:
    def rated(*ratings: int) -> str:
        entries = [(EntryKind.OPERATOR, {"type": "comfort", "rating": one, "at": 3.0, "drive": 1}) for one in ratings]
        return view_of(*entries, text=STOP).reminder

    assert rated() == rated(11) == rated(12, 5) == ""
    assert view_of(text=STOP).reminder_short == ""
    assert rated(12) == "Comfort rating 12: the facility's stop rule is 12 or more."

"""The page for whoever takes over: complete, and made of nothing that is hidden."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from monitor.following.handed_over import handed_line, handed_now
from monitor.following.view import LiveView, SheetLine
from monitor.judging.case.trial import Note, Retraction
from monitor.judging.entered.operator import ComfortRating, OperatorLog
from monitor.screens.dialogs.handing_over import MOST_NOTES, HandoverSheet, handover_page
from tests.screens import conftest as kit

WALL = 1_790_000_000.0


def step(name: str, state: Any, say: str = "") -> SheetLine:
    return SheetLine(name, say, None, None, None, None, state)


def at(**more: Any) -> LiveView:
    return replace(kit.live_view(), **more)


def test_the_page_has_what_is_open_how_the_participant_is_what_comes_and_what_was_noted() -> None:
    view = kit.states()["undecided"]
    notes = (
        Note(10.0, 1, WALL - 700.0, "ann", "an old one"),
        Note(60.0, 1, WALL - 540.0, "ann", "asks for water"),
        Note(61.0, 1, WALL - 530.0, "ann", "a mistake", retracted=Retraction("ann", WALL, "wrong run")),
        Note(90.0, 1, WALL - 5.0, "ann", "yawns"),
    )
    rated = (ComfortRating(3.0, 1, 20.0, WALL - 1200.0), ComfortRating(7.0, 1, 80.0, WALL - 240.0))
    sheet = (step("briefing", "done"), step("mirrors", "open", "Please set your mirrors."), step("debrief", "open"))
    page = handover_page(replace(view, notes=notes, sheet=sheet, day=replace(view.day, comfort=rated)), WALL)
    assert "1/gate-brake/1 is computed as undecided: it is your call." in page.open
    assert page.comfort == ("comfort rating 7 of 20, 4 min ago; before it 3",)
    assert page.steps[:2] == ("mirrors (say: Please set your mirrors.), open", "debrief, open")
    assert page.notes == (
        "1:30 ann: yawns",
        "1:01 ann: taken back by ann (wrong run): a mistake",
        "1:00 ann: asks for water",
    )
    text = "\n".join("".join(part for part, _ in row) for row in HandoverSheet(page, "ann").rows(76))
    for line in (*page.comfort, *page.notes, "mirrors (say: Please set your mirrors.), open"):
        assert line in text


def test_a_run_in_which_nothing_happened_says_so_and_claims_nothing() -> None:
    page = handover_page(at(trials=(), notes=(), sheet=(), outlook=None, questions=()), WALL)
    assert (page.notes, page.steps, page.comfort) == ((), (), ())
    text = "\n".join("".join(part for part, _ in row) for row in HandoverSheet(page, "").rows(76))
    assert "No comfort rating was entered." in text
    assert "who started this screen" in text


def test_a_clock_that_was_set_back_leaves_no_note_out() -> None:
    notes = (Note(60.0, 1, WALL + 3400.0, "ann", "asks for water"), Note(90.0, 1, WALL - 5.0, "ann", "yawns"))
    assert handover_page(at(notes=notes), WALL).notes == ("1:30 ann: yawns", "1:00 ann: asks for water")


def test_many_long_notes_stay_a_page() -> None:
    notes = tuple(Note(1.0 * place, 1, WALL - 1.0, "ann", "x" * 5000) for place in range(100))
    page = handover_page(at(notes=notes), WALL)
    assert len(page.notes) == MOST_NOTES + 1
    assert page.notes[-1] == "and 70 more; l lists them"
    assert sum(map(len, page.notes)) < 20_000


NOTES = st.lists(
    st.tuples(
        st.sampled_from(["yawns", "asks for water"]), st.sampled_from([60.0, 61.0]), st.booleans(), st.booleans()
    ),
    max_size=8,
)


@given(NOTES)
def test_a_note_that_is_taken_back_is_shown_so_wherever_the_hand_over_is(
    made: list[tuple[str, float, bool, bool]],
) -> None:
    """Before the hand-over (first flag) or after it (second): of each text as many lines are marked as were taken back,
    and no other; the entry itself has what was shown then."""
    back = Retraction("ben", WALL, "wrong run")
    then = [
        Note(t, 1, WALL - 5.0, "ann", text, str(place), back if before else None)
        for place, (text, t, before, _) in enumerate(made)
    ]
    entry = handover_page(at(notes=tuple(then)), WALL).fields
    log = OperatorLog(notes=list(then))
    log.take({"type": "handover", "to": "ben", "by": "ann", "wall": WALL, "key": "h", **entry})
    (handover,) = log.handovers
    assert list(handover.notes) == entry["notes"]
    now = [
        replace(note, retracted=note.retracted or (back if after else None))
        for note, (_, _, _, after) in zip(then, made, strict=True)
    ]
    lines = handed_now(handover, now)
    assert sorted(lines) == sorted(handed_line(note) for note in now)


def test_no_seconds_of_what_comes_are_handed_over() -> None:
    """How fast the next trigger comes near tells, while a blind trial is answered, whether the car has braked."""
    for seconds in (12.0, 47.0):
        outlook = kit.live_view().outlook
        assert outlook is not None
        page = handover_page(at(outlook=replace(outlook, seconds_left=seconds)), WALL)
        assert page.steps[-1] == f"next trigger: {outlook.trigger}"


@given(st.lists(st.tuples(st.sampled_from(["note", "shown", "reminded", "end", "ruling"]), st.sampled_from("abc"))))
def test_the_place_is_with_whoever_entered_last_and_no_program_takes_it(entries: list[tuple[str, str]]) -> None:
    log = OperatorLog()
    for place, (kind, by) in enumerate(entries):
        log.take({"type": kind, "by": by, "key": str(place), "wall": WALL, "text": "x"})
    people = [by for kind, by in entries if kind in ("note", "ruling")]
    assert log.in_charge == (people[-1] if people else "")
    log.take({"type": "handover", "to": "d", "by": "a", "key": "last", "wall": WALL})
    assert log.in_charge == "d"

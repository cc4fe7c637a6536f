"""Safety page, questionnaire and debrief on the watch screen: what they show and what they enter."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from monitor.following.around import DayView, DebriefLine, LimitView
from monitor.judging.entered.operator import OperatorLog
from monitor.screens.dialogs.closing import CloseOutSheet, unresolved
from monitor.screens.dialogs.debrief import DebriefSheet
from monitor.screens.dialogs.safety import SafetySheet
from monitor.screens.panel import Panel
from monitor.screens.watch.app import WatchApp
from tests.screens import conftest as kit
from tests.screens.conftest import MakeApp, sheet, uncovered

SIZES = [(80, 24), (120, 36), (200, 60)]
QUESTIONS = (
    DebriefLine("expected", "Had you expected it?", ("no", "not sure", "yes"), None),
    DebriefLine("own words", "What happened?", (), None),
)
SAFETY = DayView(asked=frozenset({"safety"}), questionnaire=("before", "after"), asks_fit=True)
ASKS = DayView(asked=frozenset({"debrief"}), debrief=QUESTIONS, asks_debrief=True, asks_first=True)


def whole(app: WatchApp) -> str:
    """All that the watch screen shows."""
    canvases = [one.canvas for one in app.watch_screen.query(Panel)]
    return "\n".join(str(canvas.text()) for canvas in canvases if canvas is not None)


def entries(source: kit.FakeSource, kind: str) -> list[dict[str, Any]]:
    """What was posted of a type, without the wall clock."""
    of_it = (one for one in source.posted if one["type"] == kind)
    return [{name: value for name, value in one.items() if name != "wall"} for one in of_it]


def entered(*entries: dict[str, Any]) -> Any:
    log = OperatorLog()
    for place, fields in enumerate(entries):
        log.take({"key": f"k{place}", "by": "anna", "wall": 1.764e9, "drive": 1, "at": 9.0, **fields})
    return log.day


@pytest.mark.parametrize("size", SIZES)
async def test_the_safety_page_says_what_is_open_and_that_it_decides_nothing(
    make_app: MakeApp, size: tuple[int, int]
) -> None:
    app = make_app(kit.FakeSource(kit.live_view(day=SAFETY)))
    async with app.run_test(size=size) as pilot:
        await pilot.press("y")
        await pilot.pause()
        text = " ".join(sheet(app).split())
        for words in (
            "symptoms before the drive: not asked yet",
            "fit to leave: nobody has said yet",
            "It reminds and decides nothing: the facility's stop rule, its emergency plan and its people come first.",
        ):
            assert words in text


@pytest.mark.parametrize(("key", "kind"), [("a", "adverse"), ("d", "deviation")])
async def test_an_event_is_entered_with_the_time_of_its_key_and_never_without_words(
    make_app: MakeApp, key: str, kind: str
) -> None:
    source = kit.FakeSource(kit.live_view(day=SAFETY))
    app = make_app(source)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press("y", key, "enter")
        await pilot.pause()
        assert "Not entered yet" in sheet(app)
        assert entries(source, kind) == []
        source.change(t=199.9)
        await pilot.press(*"cold", "enter")
        await pilot.pause()
        assert entries(source, kind) == [{"type": kind, "text": "cold", "drive": 1, "at": 192.4}]
        assert isinstance(app.screen, SafetySheet), "it comes back to the page"


async def test_sixteen_keys_answer_the_questionnaire_and_enter_enters_it_only_when_it_is_whole(
    make_app: MakeApp,
) -> None:
    source = kit.FakeSource(kit.live_view(day=SAFETY))
    app = make_app(source)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("y", "s", *"012301230123012", "enter")
        await pilot.pause()
        assert "15 of 16 answered" in sheet(app)
        assert entries(source, "symptoms") == []
        await pilot.press("3")
        await pilot.pause()
        assert "total" in sheet(app)
        await pilot.press("enter")
        await pilot.pause()
    (one,) = entries(source, "symptoms")
    assert (one["when"], one["answers"]) == ("before", [0, 1, 2, 3] * 4)


async def test_who_is_not_fit_to_leave_needs_words(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view(day=SAFETY))
    app = make_app(source)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("y", "f", "x", "enter")
        await pilot.pause()
        assert entries(source, "fit") == []
        await pilot.press(*"taxi", "enter")
        await pilot.pause()
    assert [(one["fit"], one["words"]) for one in entries(source, "fit")] == [(False, "taxi")]


async def test_what_was_taken_back_stays_on_the_page(make_app: MakeApp) -> None:
    log = entered({"type": "adverse", "text": "nausea"}, {"type": "retract", "what": "k0", "words": "another one"})
    app = make_app(kit.FakeSource(kit.live_view(day=replace(SAFETY, log=log))))
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press("y")
        await pilot.pause()
        assert "taken back by anna: another one" in sheet(app)
        assert "SAFETY   0 stops, 0 adverse events, 0 deviations" in sheet(app)


@pytest.mark.parametrize("key", ["a", "r", "t", "f9"])
async def test_the_debrief_stands_before_anything_of_a_trial(make_app: MakeApp, key: str) -> None:
    source = kit.FakeSource(kit.live_view(day=ASKS, trials=(kit.trial("invalid"),)))
    app = make_app(source)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.pause()
        assert "INVALID" not in whole(app)
        assert "time gap was" not in whole(app)
        assert "after the debrief" in whole(app)
        await pilot.press(key)
        await pilot.pause()
        assert isinstance(app.screen, DebriefSheet)
        await pilot.press("1", "enter", *"a van", "enter")
        await pilot.pause()
        assert "2 of 2 answered" in sheet(app)
        answered = tuple(replace(line, answered="x") for line in QUESTIONS)
        source.change(day=replace(ASKS, debrief=answered, asks_first=False))
        await pilot.press("escape")
        app.watch_screen.tick()
        await pilot.pause()
        assert "time gap" in whole(app)
    assert [(one["item"], one["answer"], one["words"]) for one in entries(source, "debrief")] == [
        ("expected", "no", ""),
        ("own words", "", "a van"),
    ]


async def test_who_leaves_the_debrief_goes_on_and_it_stays_open_in_close_out(make_app: MakeApp) -> None:
    view = kit.live_view(day=ASKS, trials=(kit.trial("invalid"),))
    app = make_app(kit.FakeSource(view))
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press("f9", "escape", "f9")
        await pilot.pause()
        assert isinstance(app.screen, CloseOutSheet)
        assert "Debrief: What happened? Not answered." in sheet(app)
    assert "Debrief: Had you expected it? Not answered." in unresolved(view)


async def test_a_read_only_screen_shows_all_of_it_and_enters_nothing(make_app: MakeApp) -> None:
    source = kit.FakeSource(
        kit.live_view(day=replace(SAFETY, asked=frozenset({"safety", "debrief"}), debrief=QUESTIONS))
    )
    app = make_app(source, read_only=True)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press("y", "a", "s", "f", "escape", "k", "1", "escape")
        await pilot.pause()
    assert source.posted == []


@pytest.mark.parametrize("size", SIZES)
async def test_a_limit_stands_on_the_state_line_when_it_is_near(make_app: MakeApp, size: tuple[int, int]) -> None:
    limit = LimitView("BREAK in 4 min", "41 min driven since the last break, the study's limit is 45 min", over=False)
    app = make_app(kit.FakeSource(kit.live_view(day=replace(SAFETY, limit=limit))))
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        assert "BREAK in 4 min" in whole(app)
        await pilot.press("y")
        await pilot.pause()
        assert "41 min driven since the last break" in " ".join(sheet(app).split())


@pytest.mark.parametrize("key", ["y", "k"])
async def test_a_study_that_asks_for_none_of_it_opens_no_page(make_app: MakeApp, key: str) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press(key)
        await pilot.pause()
        assert uncovered(app)
        assert "the study asks for no" in whole(app)
        assert "y safety" not in whole(app), "nor has the foot of the screen its key"

"""The exercise on the true watch screen: two keys more, what it asks for, and the page at the end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from monitor.commissioning.drill.attempt import HELD_BACK, Attempt
from monitor.commissioning.drill.cases import CASES
from monitor.following.view import LiveView
from monitor.screens.drill.page import PageApp, PageScreen
from monitor.screens.drill.screen import DrillApp
from monitor.screens.watch.drawn_screen import Clocks
from tests.clocks import HandClock
from tests.screens import conftest as kit

Snap = Callable[..., bool]
LINES = ["EXERCISE of ann: 30 drives, seed 4", "", *(f"  line {number} " + "word " * 24 for number in range(30))]


class Source(kit.FakeSource):
    """A view set by hand; the attempt sees what is shown and entered, as a real one's."""

    def __init__(self, view: LiveView) -> None:
        super().__init__(view)
        self.attempt = Attempt(CASES["clean"], 1, "gate-brake", 4.0)
        self.is_over = False

    def view(self) -> LiveView:
        self.attempt.see(self.shown, 1.0)
        return self.shown

    def post(self, fields: dict[str, Any]) -> str:
        self.attempt.enter(fields, 2.0)
        return super().post(fields)


def make(view: LiveView) -> tuple[DrillApp, Source]:
    """A drill app, and its source."""
    source = Source(view)
    return DrillApp(source, Clocks(HandClock(), lambda: kit.WALL)), source


def goes_on(app: DrillApp) -> bool:
    return app.drill_screen.goes_on


def foot(app: DrillApp) -> str:
    return "\n".join(
        panel.canvas.text() for panel in app.drill_screen.panels() if panel.id in ("now", "keys") and panel.canvas
    )


async def test_x_holds_the_trigger_back_once_and_enters_a_mark() -> None:
    app, source = make(kit.live_view())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "EXERCISE: x holds gate-brake back if it is being lost" in foot(app)
        assert "x HOLD BACK w next drive n note" in foot(app)
        await pilot.press("x", "x")
        marks = [one for one in source.posted if one["type"] == "mark"]
        assert [(one["code"], one["text"], one["drive"]) for one in marks] == [(HELD_BACK, "gate-brake held back", 1)]
        assert source.attempt.held_at == 2.0


async def test_after_the_fire_x_says_that_nothing_is_left_to_hold_back() -> None:
    app, source = make(kit.states()["invalid"])
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("x")
        assert "it has fired: nothing is left to hold back" in foot(app)
        assert "mark" not in source.posted_types()


async def test_w_goes_on_only_once_the_drive_has_ended() -> None:
    app, source = make(kit.states()["invalid"])
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        assert "this drive is not over" in foot(app)
        assert not goes_on(app)
        source.change(feed=replace(source.shown.feed, state="ended"))
        app.drill_screen.say("")
        app.drill_screen.tick()
        app.drill_screen.draw()
        assert "EXERCISE: r rules on what fired, then w begins the next drive" in foot(app)
        await pilot.press("w")
    assert goes_on(app)
    assert app.return_value == 0


async def test_who_leaves_does_not_go_on() -> None:
    app, _ = make(kit.live_view())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("q")
        await pilot.pause()
        await pilot.press("q")
        await pilot.pause()
    assert not goes_on(app)


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (200, 60)], ids=lambda size: f"{size[0]}x{size[1]}")
def test_picture(snap_compare: Snap, size: tuple[int, int]) -> None:
    app, _ = make(kit.states()["losing"])
    assert snap_compare(app, terminal_size=size, run_before=kit.until_it_stands)


async def test_the_page_scrolls_to_its_end_and_breaks_long_lines_with_their_indent() -> None:
    app = PageApp(LINES)
    async with app.run_test(size=(80, 24)) as pilot:
        page = app.screen
        assert isinstance(page, PageScreen)
        first = page.drawn(80, 24).text()
        assert "EXERCISE of ann" in first
        assert "rows 1 to 23 of 62" in first
        await pilot.press("end")
        last = page.drawn(80, 24)
        assert "rows 40 to 62 of 62" in last.text()
        assert last.line(22).startswith("   word word")
        await pilot.press("home", "down")
        assert "rows 2 to 24 of 62" in page.drawn(80, 24).text()
        await pilot.press("q")
    assert app.return_value == 0


async def test_an_exercise_gives_way_at_once_to_a_run_that_begins_here() -> None:
    app, source = make(kit.live_view())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        source.is_over = True
        app.drill_screen.tick()
        await pilot.pause()
    assert (app.return_value, goes_on(app)) == (0, False)

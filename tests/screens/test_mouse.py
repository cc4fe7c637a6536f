"""A click presses the key that is shown there, chooses a row, opens a trial's card; every key that is shown can be
clicked, and what is bound is what the help lists."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from textual.pilot import Pilot

from monitor.following.view import TransportView
from monitor.screens.dialogs.asking import NoteSheet
from monitor.screens.dialogs.lists import HelpSheet
from monitor.screens.dialogs.sheet import SheetBody
from monitor.screens.dialogs.steps import StepsSheet
from monitor.screens.drawing.canvas import Canvas
from monitor.screens.drawing.picture import Picture
from monitor.screens.keymap import KEYS, keys_for
from monitor.screens.mouse import key_at
from monitor.screens.panel import Drawn
from monitor.screens.panels.footing import draw_keys
from tests.screens import conftest as kit
from tests.screens.conftest import MakeApp, sheet, uncovered

SIZE = (120, 36)


def find(drawn: Drawn, text: str) -> tuple[int, int]:
    """Column and row of a text in a line-drawn widget."""
    assert drawn.canvas is not None
    for y in range(drawn.canvas.height):
        x = drawn.canvas.line(y).find(text)
        if x >= 0:
            return x, y
    raise AssertionError(f"{text!r} is not in:\n{drawn.canvas.text()}")


async def click(pilot: Pilot[Any], widget: Drawn, text: str) -> None:
    await pilot.click(widget, offset=find(widget, text))
    await pilot.pause()


@pytest.mark.parametrize("replay", [False, True])
@pytest.mark.parametrize("width", [80, 120, 200])
def test_every_key_on_the_screen_can_be_clicked(width: int, replay: bool) -> None:
    transport = TransportView(0.0, 10.0, 1.0, False) if replay else None
    view = kit.live_view()
    view = replace(view, day=replace(view.day, asked=frozenset(key.asked for key in KEYS)))
    canvas = draw_keys(Picture(view, transport=transport), width, 4)
    pressed = set()
    for y in range(canvas.height):
        for x in range(canvas.width):
            found = key_at(canvas, x, y)
            if found is not None:
                pressed.add(found.key)
    bound = {key.key for key in keys_for(read_only=False, replay=replay, every=True)}
    assert pressed <= bound
    assert bound - pressed <= {"seek_start", "2", "3", "4", "5", "6"}


def test_the_word_beside_a_key_presses_it_and_blanks_further_on_do_not() -> None:
    canvas = Canvas(40, 1)
    canvas.put(1, 0, "n", "key")
    canvas.put(2, 0, " note", "dim")
    canvas.put(20, 0, "←→", "key")
    assert [key_at(canvas, x, 0) is not None for x in (0, 1, 5)] == [False, True, True]
    assert [getattr(key_at(canvas, x, 0), "key", None) for x in (20, 21)] == ["left", "right"]
    assert key_at(canvas, 10, 5) is None


async def test_a_click_on_a_key_does_what_the_key_does(make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=SIZE) as pilot:
        keys = app.watch_screen.query_one("#keys", Drawn)
        await click(pilot, keys, "n note")
        assert isinstance(app.screen, NoteSheet)
        await pilot.press("escape")
        await click(pilot, keys, "help")
        assert isinstance(app.screen, HelpSheet)
        await click(pilot, app.screen.query_one(SheetBody), "Esc")
        assert uncovered(app)


async def test_a_click_chooses_a_step_and_another_one_ticks_it_off(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view(sheet=kit.STEPS))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("i")
        await pilot.pause()
        assert isinstance(app.screen, StepsSheet)
        body = app.screen.query_one(SheetBody)
        await click(pilot, body, "Lights on")
        x, y = find(body, "Lights on")
        assert body.canvas is not None
        assert body.canvas.line(y)[:x].strip().startswith("▌")
        await click(pilot, body, "ticks it off")
    assert [one["step"] for one in source.posted if one["type"] == "step"] == ["Lights on"]


async def test_a_ruling_is_given_by_clicks_alone(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["undecided"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await click(pilot, app.watch_screen.query_one("#keys", Drawn), "r rule")
        for text in ("invalid", "task-broken", "Enter enters"):
            await click(pilot, app.screen.query_one(SheetBody), text)
    rulings = [one for one in source.posted if one["type"] == "ruling"]
    assert [(one["verdict"], one["reason"]) for one in rulings] == [("invalid", "task-broken")]


async def test_a_click_on_a_trial_opens_its_card(make_app: MakeApp) -> None:
    first = kit.ruled(kit.trial("valid"))
    second = replace(kit.trial("invalid"), id="1/side-gust/1", trigger="side-gust", fired_at=206.0)
    app = make_app(kit.FakeSource(kit.after_fire(first, trials=(first, second))))
    async with app.run_test(size=SIZE) as pilot:
        side = app.watch_screen.query_one("#side", Drawn)
        await click(pilot, side, "gate-brake")
        assert "TRIAL 1/gate-brake/1" in sheet(app)
        await pilot.press("escape")
        await click(pilot, side, "NOTES")
        assert uncovered(app)


@pytest.mark.parametrize("read_only", [False, True])
async def test_what_is_bound_is_what_the_help_lists(make_app: MakeApp, read_only: bool) -> None:
    app = make_app(kit.FakeSource(kit.live_view()), read_only=read_only)
    async with app.run_test(size=(200, 60)) as pilot:
        listed = {key.key for key in keys_for(read_only=read_only, replay=False, every=True)}
        bound = {
            binding.key
            for bindings in app.watch_screen._bindings.key_to_bindings.values()
            for binding in bindings
            if app.watch_screen.check_action(binding.action.partition("(")[0], ()) is not False
            and binding.key in {k.key for k in KEYS}
        }
        strange = set(app.watch_screen._bindings.key_to_bindings) - {key.key for key in KEYS}
        assert bound == listed
        assert not {key for key in strange if not key.startswith(("tab", "shift+tab", "ctrl+c", "super+c"))}
        await pilot.press("question_mark")
        await pilot.pause()
        text = sheet(app)
        for key in keys_for(read_only=read_only, replay=False, every=True):
            assert key.help.split(":")[0][:30] in text

"""The run is ended and no disk takes its end: the sheet says so by itself, and the keys name a directory or give up."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from monitor.following.view import LiveView, RecorderView, Unclosed
from monitor.screens.dialogs.unclosed import UnclosedSheet
from monitor.screens.watch.app import WatchApp

MakeApp = Callable[..., WatchApp]
NOTES = ("note at 36.2 s: pedestrian at the kerb", "end: ended by the operator")


def unclosed(said: str = "", *, left: bool = False) -> RecorderView:
    """The recorder while no disk takes the end, or after it had to leave it."""
    sentence = "NOT CLOSED: 279 entries are on no disk; name a directory for them in the close-out."
    return RecorderView("not recording", 0.0, 2, sentence, Unclosed(279, NOTES, said, left))


def ending_source(kit: ModuleType) -> object:
    """A source that keeps what it was asked for."""

    class Ending(kit.FakeSource):
        def __init__(self, view: LiveView) -> None:
            super().__init__(view)
            self.asked: list[object] = []

        def name_place(self, directory: Path) -> None:
            self.asked.append(directory)

        def leave_unsaved(self) -> None:
            self.asked.append("leave")

    return Ending(kit.live_view(recorder=unclosed()))


def sheet(app: WatchApp) -> str:
    canvas = app.screen.query_one("SheetBody").canvas  # type: ignore[attr-defined]
    return " ".join(str(canvas.text()).split())


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (200, 60)])
async def test_it_opens_by_itself_takes_a_directory_and_closes_when_the_record_is(
    kit: ModuleType, make_app: MakeApp, size: tuple[int, int]
) -> None:
    source = ending_source(kit)
    app = make_app(source)
    async with app.run_test(size=size) as pilot:
        await kit.until_it_stands(pilot)
        assert isinstance(app.screen, UnclosedSheet)
        assert "279 entries are on no disk" in sheet(app)
        assert all(note in sheet(app) for note in NOTES)
        await pilot.press("d", *"/media/stick", "enter")
        assert source.asked == [Path("/media/stick")]
        source.change(recorder=unclosed("/media/stick cannot be used: No space left on device."))
        app.screen.redraw()
        assert "/media/stick cannot be used" in sheet(app)
        source.change(recorder=RecorderView("closed", None, 0, ""))
        app.screen.redraw()
        await pilot.pause()
        assert not isinstance(app.screen, UnclosedSheet)


async def test_giving_up_takes_two_keys_and_escape_takes_the_first_back(kit: ModuleType, make_app: MakeApp) -> None:
    source = ending_source(kit)
    app = make_app(source)
    async with app.run_test(size=(80, 24)) as pilot:
        await kit.until_it_stands(pilot)
        await pilot.press("x", "escape")
        assert "x gives them up" in sheet(app)
        await pilot.press("x", "d", "escape", "x")
        assert source.asked == []
        await pilot.press("x")
        assert source.asked == ["leave"]
        source.change(recorder=unclosed(left=True))
        app.screen.redraw()
        assert "279 entries were on no disk and are lost" in sheet(app)
        await pilot.press("escape")
        await pilot.press("f9")
        assert isinstance(app.screen, UnclosedSheet)


async def test_leaving_the_screen_does_not_say_that_nothing_is_lost(kit: ModuleType, make_app: MakeApp) -> None:
    app = make_app(ending_source(kit))
    async with app.run_test(size=(80, 24)) as pilot:
        await kit.until_it_stands(pilot)
        await pilot.press("escape", "q")
        await pilot.pause()
        assert "nothing is lost" not in sheet(app)
        assert "279 entries are on no disk and are kept while this machine runs" in sheet(app)


async def test_who_only_looks_on_is_asked_nothing(kit: ModuleType, make_app: MakeApp) -> None:
    app = make_app(ending_source(kit), read_only=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await kit.until_it_stands(pilot)
        assert not isinstance(app.screen, UnclosedSheet)

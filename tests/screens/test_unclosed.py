"""The run is ended and no disk takes its end: the sheet says so by itself, and the keys name a directory or give up."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.following.view import RecorderView, Unclosed
from monitor.screens.dialogs.unclosed import UnclosedSheet
from monitor.screens.watch.app import WatchApp
from tests.screens import conftest as kit
from tests.screens.conftest import MakeApp, redraw, sheet

NOTES = ("note at 36.2 s: pedestrian at the kerb", "end: ended by the operator")


def unclosed(said: str = "", *, left: bool = False) -> RecorderView:
    """The recorder while no disk takes the end, or after it had to leave it."""
    sentence = "NOT CLOSED: 279 entries are on no disk; name a directory for them in the close-out."
    return RecorderView("not recording", 0.0, 2, sentence, Unclosed(279, NOTES, said, left))


class Ending(kit.FakeSource):
    """A source of a run that is not closed; it keeps what it was asked for."""

    def __init__(self) -> None:
        super().__init__(kit.live_view(recorder=unclosed()))
        self.asked: list[object] = []

    def name_place(self, directory: Path) -> None:
        self.asked.append(directory)

    def leave_unsaved(self) -> None:
        self.asked.append("leave")


def words(app: WatchApp) -> str:
    return " ".join(sheet(app).split())


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (200, 60)])
async def test_it_opens_by_itself_takes_a_directory_and_closes_when_the_record_is(
    make_app: MakeApp, size: tuple[int, int]
) -> None:
    source = Ending()
    app = make_app(source)
    async with app.run_test(size=size) as pilot:
        await kit.until_it_stands(pilot)
        assert isinstance(app.screen, UnclosedSheet)
        assert "279 entries are on no disk" in words(app)
        assert all(note in words(app) for note in NOTES)
        await pilot.press("d", *"/media/stick", "enter")
        assert source.asked == [Path("/media/stick")]
        source.change(recorder=unclosed("/media/stick cannot be used: No space left on device."))
        redraw(app)
        assert "/media/stick cannot be used" in words(app)
        source.change(recorder=RecorderView("closed", None, 0, ""))
        redraw(app)
        await pilot.pause()
        assert not isinstance(app.screen, UnclosedSheet)


async def test_giving_up_takes_two_keys_and_escape_takes_the_first_back(make_app: MakeApp) -> None:
    source = Ending()
    app = make_app(source)
    async with app.run_test(size=(80, 24)) as pilot:
        await kit.until_it_stands(pilot)
        await pilot.press("x", "escape")
        assert "x gives them up" in words(app)
        await pilot.press("x", "d", "escape", "x")
        assert source.asked == []
        await pilot.press("x")
        assert source.asked == ["leave"]
        source.change(recorder=unclosed(left=True))
        redraw(app)
        assert "279 entries were on no disk and are lost" in words(app)
        await pilot.press("escape")
        await pilot.press("f9")
        assert isinstance(app.screen, UnclosedSheet)


async def test_leaving_the_screen_does_not_say_that_nothing_is_lost(make_app: MakeApp) -> None:
    app = make_app(Ending())
    async with app.run_test(size=(80, 24)) as pilot:
        await kit.until_it_stands(pilot)
        await pilot.press("escape", "q")
        await pilot.pause()
        assert "nothing is lost" not in words(app)
        assert "279 entries are on no disk and are kept while this machine runs" in words(app)


async def test_who_only_looks_on_is_asked_nothing(make_app: MakeApp) -> None:
    app = make_app(Ending(), read_only=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await kit.until_it_stands(pilot)
        assert not isinstance(app.screen, UnclosedSheet)

"""The overview: four runs in 80 × 24, each with its word; what is old is unknown; a key does what it says."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.following.heading.model import Heading
from monitor.following.overview.elsewhere import elsewhere
from monitor.following.overview.listening import Overseen
from monitor.following.overview.row import Heard, RunRow, row_of
from monitor.following.status_stream import full
from monitor.screens.drawing.canvas import Canvas
from monitor.screens.drawing.glyphs import large
from monitor.screens.overview.app import Attach, OverviewApp
from monitor.screens.overview.drawing import OverviewPicture, draw_overview, first_shown, rows_each
from monitor.screens.overview.looking_on import LookingOnApp
from tests.following.test_heading import APPLIES, view
from tests.screens import conftest as kit

Snap = Callable[..., bool]
SIZES = ((80, 24), (120, 36), (200, 60))


def run_row(name: str, code: str, **more: Any) -> RunRow:
    said = {**full(view(**APPLIES[name])), "participant": code, "pid": 7, "by": "ann"}
    return row_of(Heard(Path(f"/records/{code}-20261128T093000Z-ab12.run"), True, 60.0, said, **more))


def four() -> tuple[RunRow, ...]:
    """One that is fine, one INVALID that waits, one silent feed, one recorder that died with nobody there."""
    gone = row_of(Heard(Path("/records/Q11-20261128T093000Z-ab12.run"), False, 60.0))
    return run_row("ready", "Q07"), run_row("verdict", "Q08"), run_row("silent", "Q09"), gone


def drawn(width: int, height: int, **more: Any) -> Canvas:
    fields: dict[str, Any] = {"places": four(), "now": "09:31:07"}
    return draw_overview(OverviewPicture(**{**fields, **more}), width, height)


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_four_runs_are_seen_at_once_with_their_large_words(width: int, height: int) -> None:
    text = drawn(width, height).text()
    for word in ("READY", "INVALID", "STALE", "NO RECORD"):
        scale = 2 if (width, height) == (200, 60) else 1
        for row in large(word, scale=scale):
            assert row.rstrip() in text, word
    for said in ("Q07", "Q08", "Q09", "Q11", "next side-gust in 12 s", "INVALID 1/gate-brake/1", "3 want somebody"):
        assert said in text
    assert "09:31:07" in text
    assert "feed stale, 0 lost" in text


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_it_is_not_said_that_nothing_waits_where_what_waits_may_not_be_told(width: int, height: int) -> None:
    told = {
        **full(view(**APPLIES["ready"])),
        "participant": "Q07",
        "pid": 7,
        "by": "ann",
        "withheld": True,
        "next": None,
    }
    row = row_of(Heard(Path("/records/Q07-20261128T093000Z-ab12.run"), True, 60.0, told))
    text = drawn(width, height, places=(row,)).text()
    assert "what follows the trial that is to be ruled on is hidden until then" in text
    assert "nothing waits" not in text
    assert row.as_json()["withheld"] is True


@pytest.mark.parametrize("count", [0, 1, 4, 5, 11])
@pytest.mark.parametrize(("width", "height"), [SIZES[0], SIZES[2], (60, 20), (97, 41)])
def test_every_run_can_be_brought_into_sight(width: int, height: int, count: int) -> None:
    places = tuple(run_row("ready", f"Q{number:02d}") for number in range(count))
    for chosen in range(0, count, 2):
        canvas = drawn(width, height, places=places, chosen=chosen)
        assert f"▶{chosen + 1} Q{chosen:02d}" in canvas.text()
        first, room = first_shown(height, count, chosen)
        assert first <= chosen < first + room
        assert 1 + room * rows_each(height, count) <= height - 2
    if not count:
        assert "Nothing is being recorded here." in drawn(width, height, places=()).text()


def test_what_is_beyond_the_screen_is_counted() -> None:
    places = tuple(run_row("ready", f"Q{number:02d}") for number in range(7))
    assert "3 below" in drawn(80, 24, places=places).line(22)
    assert "3 above" in drawn(80, 24, places=places, chosen=6).line(22)
    assert "2 older runs were never closed" in drawn(80, 24, old=2).line(22)


def test_a_picture_that_is_old_says_of_no_run_how_it_is() -> None:
    text = drawn(120, 36, age_s=4.2, trouble="/records: Input/output error").text()
    assert text.count("learned nothing new for 4 s; nothing is known") == 4
    assert "/records: Input/output error" in text
    assert "READY" not in text
    assert large("READY")[1].rstrip() not in text
    assert "side-gust" not in text


def test_text_from_outside_breaks_no_row() -> None:
    row = replace(four()[0], participant="Q\x1b[2J\n7", heading=Heading("bad", "\x07STALE", sentence="a\nb\x1b]0;x"))
    text = drawn(80, 24, places=(row,)).text()
    assert "\x1b" not in text
    assert "\x07" not in text


def test_a_screen_that_is_too_small_says_so() -> None:
    assert "Too small: 60 × 20" in drawn(59, 19).text()


def app_on(rows: tuple[RunRow | None, ...], pictures: Path | None = None) -> OverviewApp:
    return OverviewApp(lambda: Overseen(time.monotonic(), rows), pictures, time_of_day=lambda: "09:31:07")


async def test_enter_looks_on_and_never_writes() -> None:
    app = app_on(four())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("down", "enter")
    assert app.attach == Attach(four()[1].record, writes=False)
    assert app.return_value == 0


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        (("w",), "ann writes on this run; Enter looks on"),
        (("4", "enter"), "nothing is recorded there; w brings the recorder back"),
        (("5", "enter"), "nothing is recorded there; w brings the recorder back"),
    ],
)
async def test_a_key_that_can_do_nothing_says_why(keys: tuple[str, ...], said: str) -> None:
    app = app_on(four())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(*keys)
        assert said in app.overview_screen.drawn().line(22)
        assert app.attach is None


async def test_w_brings_back_what_nobody_records() -> None:
    app = app_on(four())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("4", "w")
    assert app.attach == Attach(four()[3].record, writes=True)


async def test_nothing_acts_on_a_picture_that_is_old_or_too_small() -> None:
    app = OverviewApp(lambda: Overseen(time.monotonic() - 5.0, four()))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        assert app.attach is None
        await pilot.resize_terminal(50, 15)
        await pilot.press("enter")
        assert app.attach is None
        await pilot.press("q")
    assert app.attach is None


async def test_a_click_on_a_run_chooses_it_and_one_on_a_key_presses_it() -> None:
    app = app_on(four())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.click(offset=(20, 13))
        assert app.overview_screen.chosen == 2
        await pilot.click(offset=(app.overview_screen.drawn().line(23).index("Enter"), 23))
        await pilot.pause()
    assert app.attach == Attach(four()[2].record, writes=False)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_picture(snap_compare: Snap, size: tuple[int, int]) -> None:
    assert snap_compare(app_on(four()), terminal_size=size, run_before=kit.until_it_stands)


def test_picture_in_grey(snap_compare: Snap, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    assert snap_compare(app_on(four()), terminal_size=SIZES[0], run_before=kit.until_it_stands)


@pytest.mark.parametrize("size", SIZES)
async def test_who_looks_at_one_run_is_told_what_the_others_need(size: tuple[int, int]) -> None:
    """Else the one chair for four simulators is blind to three of them as long as it looks at one."""
    runs = four()
    seen = Overseen(100.0, runs)
    said = elsewhere(seen, runs[0].record, 101.0)
    assert said == "ELSEWHERE 3: Q08 INVALID 1 waiting · Q09 STALE · Q11 NO RECORD; q all runs"
    assert elsewhere(Overseen(100.0, runs[:1]), runs[0].record, 101.0) == ""
    assert elsewhere(seen, runs[0].record, 109.0).startswith("ELSEWHERE nothing has been learned for 9 s")
    app = LookingOnApp(kit.FakeSource(kit.live_view()), lambda: said, read_only=True)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        text = "\n".join(one.canvas.text() for one in app.watch_screen.panels() if one.canvas)
        assert "ELSEWHERE 3: Q08 INVALID 1 waiting · Q09 STALE · Q11 NO RECORD" in text


async def test_of_more_runs_than_the_foot_has_room_for_the_number_is_told() -> None:
    fine, _, silent, gone = four()
    runs = (fine, *(replace(silent, participant=f"Q{place}") for place in range(20, 30)), gone)
    said = elsewhere(Overseen(100.0, runs), fine.record, 101.0)
    app = LookingOnApp(kit.FakeSource(kit.live_view()), lambda: said, read_only=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        text = "\n".join(one.canvas.text() for one in app.watch_screen.panels() if one.canvas)
    assert "ELSEWHERE 11: Q20 STALE · Q21 STALE" in text
    assert "Q11" not in text


@pytest.mark.parametrize("chosen", [0, 5, 11])
def test_of_runs_that_there_is_no_room_for_those_that_want_somebody_are_named(chosen: int) -> None:
    """Twelve runs in 80 × 24: four are in sight, and the INVALID one must not be the ninth and unseen."""
    fine, invalid, silent, gone = four()
    runs = [replace(fine, participant=f"Q{place:02d}") for place in range(1, 13)]
    runs[8], runs[1] = replace(invalid, participant="Q09"), replace(gone, participant="Q02")
    text = drawn(80, 24, places=tuple(runs), chosen=chosen).text()
    assert "12 runs · 2 want somebody" in text
    first, room = first_shown(24, 12, chosen)
    for place, said in ((8, "9 Q09 INVALID 1 waiting"), (1, "2 Q02 NO RECORD")):
        in_sight = first <= place < first + room
        assert in_sight or said in text, text
    assert silent.wants_somebody

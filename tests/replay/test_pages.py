"""The replay's screen and its pages, driven by keys; what is on them is read from the canvas."""

from __future__ import annotations

import shutil
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import numpy as np
import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from monitor.following.view import TimelineMark
from monitor.record.addendum import read_addendum
from monitor.replay.provider import ReplayProvider
from monitor.screens.dialogs.sheet import SheetBody
from monitor.screens.drawing.canvas import Canvas
from monitor.screens.drawing.plot import draw_letters
from monitor.screens.drawing.trace import Area, Trace, draw_trace, nice_range
from monitor.screens.keymap import KEYS
from monitor.screens.panel import Panel
from monitor.screens.replay.app import ReplayApp
from monitor.screens.replay.keys import REPLAY_KEYS
from monitor.screens.replay.page import Page
from monitor.screens.replay.screen import ReplayScreen, parse_clock
from tests.clocks import HandClock
from tests.judging.hand import STUDY, HandDrive
from tests.replay.conftest import write_record
from tests.waiting import wait_for

GAP = STUDY.replace("at_most = 1.9", "at_most = 1.4")
SIZES = [(80, 24), (120, 36), (200, 60)]


@pytest.fixture(scope="module")
def gap_record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A gap of 1.5 s where at most 1.4 s are asked for."""
    return write_record(tmp_path_factory.mktemp("gap"), HandDrive(rate_hz=20.0, end_t=25.0), study_text=GAP)


@asynccontextmanager
async def shown(
    path: Path, size: tuple[int, int] = (120, 36), folder: Path | None = None
) -> AsyncIterator[tuple[Pilot[int], ReplayProvider]]:
    """The app over a record that has been read."""
    source = ReplayProvider(path, by="ops", clock=HandClock())
    source.start()
    try:
        wait_for(lambda: source.map.done, "the record has been read")
        app = ReplayApp(source, pictures=folder)
        async with app.run_test(size=size) as pilot:
            yield pilot, source
    finally:
        source.stop()


def screen(pilot: Pilot[int]) -> ReplayScreen:
    assert isinstance(pilot.app, ReplayApp)
    assert isinstance(pilot.app.watch_screen, ReplayScreen)
    return pilot.app.watch_screen


def panel_text(pilot: Pilot[int], name: str) -> str:
    canvas = screen(pilot).query_one(f"#{name}", Panel).canvas
    return canvas.text() if canvas is not None else ""


def page_text(pilot: Pilot[int]) -> str:
    assert isinstance(pilot.app.screen, Page)
    canvas = pilot.app.screen.query_one(SheetBody).canvas
    return canvas.text() if canvas is not None else ""


async def until(pilot: Pilot[int], text: str, where: str = "") -> str:
    """Goes on until the text is on the page (or panel), and gives all of it."""
    said = ""
    for _ in range(600):
        said = panel_text(pilot, where) if where else page_text(pilot)
        if text in " ".join(said.split()):
            return said
        await pilot.pause(0.02)
    raise AssertionError(f"{text!r} is not on the screen:\n{said}")


def test_no_key_is_given_twice() -> None:
    keys = [key.key for key in (*KEYS, *REPLAY_KEYS)]
    assert sorted(keys) == sorted(set(keys))


@pytest.mark.parametrize("size", SIZES)
async def test_the_screen_alone_explains_a_gap_too_long(gap_record: Path, size: tuple[int, int]) -> None:
    async with shown(gap_record, size) as (pilot, _):
        await pilot.press("w")
        said = await until(pilot, "would have passed it")
    assert "INVALID" in said
    assert "gate-brake fired at 10.00 s" in said
    flat = " ".join(said.split())
    assert "time gap was 1.50 s at the fire, band 1.3 to 1.4 s, 0.10 s over." in flat
    assert "All but time gap was met from 3.0 to 10.0 s; time gap was 0.10 s over." in flat
    assert "ALL TOGETHER" in said
    assert "Esc back" in said


async def test_every_key_stands_on_the_screen_also_when_it_is_small(gap_record: Path) -> None:
    async with shown(gap_record, (80, 24)) as (pilot, _):
        said = await until(pilot, "help", "keys")
    for word in ("run", "by 10 s", "step", "pace", "loop", "why", "plots", "again", "go to", "CSV"):
        assert word in said, word
    for word in ("note", "rule", "card", "list", "SVG", "quit", "help"):
        assert word in said, word


async def test_jumping_shows_where_and_what(long_record: Path) -> None:
    async with shown(long_record) as (pilot, source):
        await pilot.press("down", "down", "right")
        await until(pilot, "trigger: gate-brake", "now")
        assert source.transport().at_s == pytest.approx(7.0, abs=0.01)
        bar = await until(pilot, "REPLAY HELD", "transport")
        assert bar.count("T") >= 3
        await pilot.press("down")
        await until(pilot, "10 s, 1 min, trigger, [note], loss, finding, drive", "now")
        await pilot.press("right", "right")
        await until(pilot, "note: nearly home", "now")
        await pilot.press("right")
        await until(pilot, "no note after here", "now")


async def test_plots_open_where_nothing_happened_within_their_span(long_record: Path) -> None:
    async with shown(long_record) as (pilot, _):
        await pilot.press("s", *"60", "enter")
        await until(pilot, "REPLAY HELD", "transport")
        await pilot.press("g")
        assert "Esc back" in await until(pilot, "speed")


def test_no_letter_stands_where_nothing_happened() -> None:
    canvas = Canvas(40, 1)
    area = Area(0, 0, 40, 1, 0.0, 40.0, 0.0, 1.0)
    draw_letters(canvas, area, 0, [], labelled=True)
    assert canvas.text().strip() == ""
    draw_letters(canvas, area, 0, [TimelineMark(10.0, "trigger", "gate-brake")], labelled=True)
    assert canvas.text().strip() == "T gate-brake"


async def test_a_time_is_typed_and_gone_to(long_record: Path) -> None:
    async with shown(long_record) as (pilot, source):
        await pilot.press("s", "1", "colon", "3", "0", "enter")
        wait_for(lambda: source.transport().at_s == pytest.approx(90.0, abs=0.01), "the place 1:30")
        await pilot.press("s", "at", "2", "0", "5", "enter")
        wait_for(lambda: source.transport().at_s == 205.0, "the place @205")
        await pilot.press("s", "x", "enter")
        await until(pilot, "no time: x", "now")


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("83.4", 83.4), ("1:23.4", 83.4), ("1:02:03", 3723.0), ("0", 0.0), ("-1", None), ("1:", None), ("nan", None)],
)
def test_times_as_they_are_typed(text: str, seconds: float | None) -> None:
    assert parse_clock(text) == (None if seconds is None else pytest.approx(seconds))


async def test_a_note_goes_beside_the_record_and_the_screen_says_when_it_is_there(
    gap_record: Path, tmp_path: Path
) -> None:
    path = tmp_path / gap_record.name
    shutil.copytree(gap_record, path)
    async with shown(path) as (pilot, source):
        source.seek(12.0)
        wait_for(lambda: source.view().t == pytest.approx(12.0), "the place 12 s")
        await pilot.pause(0.1)
        await pilot.press("n", "h", "m", "enter")
        await until(pilot, "note at 0:12.0: on disk", "now")
    (note,) = read_addendum(path)
    assert (note["text"], note["at"], note["drive"], note["by"]) == ("hm", pytest.approx(12.0), 1, "ops")


async def test_the_why_page_moves_the_replay_and_opens_plots(gap_record: Path) -> None:
    async with shown(gap_record) as (pilot, source):
        await pilot.press("w")
        await until(pilot, "would have passed it")
        await pilot.press("shift+left")
        said = await until(pilot, "s from the fire")
        cursor = float(said.split("cursor ")[1].split(", ")[1].split(" s")[0])
        assert 5.0 < cursor < 10.0
        await pilot.press("g")
        await until(pilot, f"cursor {cursor:.2f}")
        await pilot.press("escape", "enter")
        await pilot.pause(0.1)
        assert isinstance(pilot.app.screen, ReplayScreen)
        assert source.transport().at_s == pytest.approx(cursor, abs=0.06)


async def test_two_cursors_read_and_measure(gap_record: Path) -> None:
    async with shown(gap_record, (200, 60)) as (pilot, source):
        source.seek(12.0)
        wait_for(lambda: source.view().t == pytest.approx(12.0), "the place 12 s")
        await pilot.pause(0.1)
        await pilot.press("g")
        # at 12 s the van has braked with 5 m/s² for two seconds: 10 m nearer, and 10 m/s slower
        said = await until(pilot, "time_gap 1.00 s")
        assert "lead.speed (dashed) 10.0 m/s" in said
        assert "ttc 2.00 s  gap over closing speed" in said
        await pilot.press("b", *["shift+left"] * 2)
        said = await until(pilot, "apart −")
        apart = float(said.split("apart −")[1].split(" s")[0])
        # it braked with 5 m/s², so that it was faster by so much
        assert f"(Δ +{5.0 * apart:.3g}) m/s" in said


async def test_the_visible_numbers_are_exported_and_the_picture_saved(gap_record: Path, tmp_path: Path) -> None:
    async with shown(gap_record, folder=tmp_path) as (pilot, source):
        source.seek(12.0)
        wait_for(lambda: source.view().t == pytest.approx(12.0), "the place 12 s")
        await pilot.pause(0.1)
        await pilot.press("g")
        await until(pilot, "time_gap 1.00 s")
        await pilot.press("x")
        await until(pilot, "table: ")
        await pilot.press("p")
        await until(pilot, "picture: ")
        await pilot.press("escape", "x")
        await until(pilot, "table: /", "now")
    tables = sorted(path.name for path in tmp_path.glob("*.csv"))
    assert tables == [
        "Q01-20261003T101500Z-0a1b-drive1-0.00-12.00s.csv",
        "Q01-20261003T101500Z-0a1b-drive1-7.00-17.00s.csv",
    ]
    (picture,) = tmp_path.glob("*.svg")
    assert "time_gap" in picture.read_text()


async def test_judging_again_side_by_side_and_a_sweep(gap_record: Path, tmp_path: Path) -> None:
    other = tmp_path / "w.toml"
    other.write_text(STUDY)
    async with shown(gap_record) as (pilot, _):
        await pilot.press("j")
        await until(pilot, "would have passed it")
        await pilot.press("slash")
        pilot.app.screen.query_one(Input).value = str(other)
        await pilot.press("enter")
        said = await until(pilot, "time gap was not met, is met with the band 1.3 to 1.9")
        row = next(line for line in said.splitlines() if line.startswith(" 1/gate-brake/1"))
        assert row.index("invalid") < row.index("█ valid")
        await pilot.press("s")
        said = await until(pilot, "tolerance valid")
        assert "TOLERANCE of gate-brake/time gap" in said


async def test_a_page_too_small_says_so_and_esc_goes_back(gap_record: Path) -> None:
    async with shown(gap_record, (59, 15)) as (pilot, _):
        await pilot.press("w")
        await until(pilot, "Too small: 60 × 16 at least.")
        await pilot.press("escape")
        await pilot.pause(0.05)
        assert isinstance(pilot.app.screen, ReplayScreen)


def test_a_trace_keeps_its_gaps_and_its_peaks() -> None:
    canvas = Canvas(20, 4)
    area = Area(0, 0, 20, 4, 0.0, 2.0, 0.0, 1.0)
    t = np.arange(0.0, 2.0, 0.05)
    value = np.where(np.isclose(t, 0.5), 1.0, 0.0)  # one frame at the top
    value[(t > 0.9) & (t < 1.4)] = np.nan
    draw_trace(canvas, area, Trace(t, value, gap_s=0.075))
    rows = [canvas.line(y) for y in range(4)]
    assert [x for x, char in enumerate(rows[0]) if char != " "] == [5]
    assert set(range(20)) - {x for x, char in enumerate(rows[3]) if char != " "} == {10, 11, 12, 13}


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [(0.0, 1.0, (0.0, 1.0)), (1.31, 1.88, (1.3, 1.9)), (-0.62, 0.2, (-0.8, 0.2)), (5.0, 5.0, (4.7, 5.3))],
)
def test_ranges_end_on_round_numbers(low: float, high: float, expected: tuple[float, float]) -> None:
    found = nice_range(low, high)
    assert found[0] <= low <= high <= found[1]
    assert found == pytest.approx(expected)

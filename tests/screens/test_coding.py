"""The coders' page: a trial is coded by its keys, nothing is entered that does not fit, and it shows no judgement."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.widgets import Input

from monitor.judging.entered.coding import codings_of
from monitor.record.addendum import read_addendum
from monitor.replay.coding import CodingDesk
from monitor.screens.dialogs.sheet import SheetBody
from monitor.screens.replay.coding import CodingApp
from tests.judging.test_blinding import ALERT, GUST, SECOND
from tests.reports.making import BLIND, hand_drive, hand_record

TEXT = BLIND + SECOND
SIZES = ((80, 24), (120, 36), (200, 60))


@pytest.fixture
def record(tmp_path: Path) -> Path:
    return hand_record(tmp_path, "Q07", text=TEXT, drive=hand_drive(end_t=25.0, markers=[ALERT, GUST]))


def text_of(app: CodingApp) -> str:
    body = app.query_one(SheetBody)
    return "\n".join(app.draw(body.size.width, body.size.height).line(y) for y in range(body.size.height))


async def test_each_trial_is_coded_by_its_keys(record: Path) -> None:
    app = CodingApp(CodingDesk(record, "cora"))
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press("v", "enter")
        assert "1/gate-brake/1 is entered." in text_of(app)
        assert app.case.trial == "1/side-gust/1"
        await pilot.press("i", "enter")
        assert "Not entered yet: invalid takes a reason." in text_of(app)
        code = next(code for code in app.desk.reasons if code == "equipment")
        await pilot.press("123456789abcdefghjklmnopqrstwxyz"[list(app.desk.reasons).index(code)])
        await pilot.press("tab", *"lamp", "enter")
        assert "every trial is coded" in text_of(app)
        await pilot.press("escape")
    codings = codings_of(read_addendum(record))
    assert {trial: (one["cora"].verdict, one["cora"].reason, one["cora"].words) for trial, one in codings.items()} == {
        "1/gate-brake/1": ("valid", "", ""),
        "1/side-gust/1": ("invalid", "equipment", "lamp"),
    }


async def test_a_key_in_the_words_is_a_letter_and_esc_goes_back(record: Path) -> None:
    app = CodingApp(CodingDesk(record, "cora"))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("v", "tab", "i", "u")
        assert (app.verdict, app.query_one(Input).value) == ("valid", "iu")
        await pilot.press("escape")
        assert not app.query_one(Input).has_focus
        assert app.is_running
        await pilot.press("right")
        assert (app.case.trial, app.verdict, app.query_one(Input).value) == ("1/side-gust/1", None, "")
        await pilot.press("left", "left")
        assert app.case.trial == "1/side-gust/1"
    assert read_addendum(record) == []


@pytest.mark.parametrize("size", SIZES)
async def test_nothing_of_the_judgement_is_on_it_at_any_size(record: Path, size: tuple[int, int]) -> None:
    app = CodingApp(CodingDesk(record, "cora"))
    async with app.run_test(size=size):
        text = text_of(app)
    assert "1.3 to 1.9 s" in text
    for hidden in ("Q07", "chime", "sound", "● met", "not met\n", "at the edge", "brake onset", "responded"):
        assert hidden not in text, hidden
    assert "1/gate-brake/1" in text
    assert len(text.splitlines()) == size[1]


async def test_a_page_too_small_says_so(record: Path) -> None:
    app = CodingApp(CodingDesk(record, "cora"))
    async with app.run_test(size=(50, 12)):
        assert "Too small" in text_of(app)

"""An app that is told to end at any moment while a sheet opens ends with its status, and says nothing of itself."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from monitor.screens.keymap import KEYS, action_name
from monitor.screens.watch.drawn_screen import DrawPanel
from tests.screens import conftest as kit
from tests.screens.conftest import MakeApp
from tests.screens.test_day_sheets import ASKS, SAFETY

STATUS = 143
OPENING = sorted({action_name(key) for key in KEYS if not (key.replay or "(" in key.action)})


@pytest.mark.parametrize("turns", range(4))
@pytest.mark.parametrize("action", OPENING)
async def test_a_sheet_that_opens_while_the_app_ends_is_no_error(
    action: str, turns: int, make_app: MakeApp, tmp_path: Path
) -> None:
    """The toolkit then composes nothing any more, and the sheet asked for what is on it: all that was known there stood
    on the terminal."""
    view = kit.closing_view(preflight=kit.preflight_view(), day=ASKS if action == "debrief" else SAFETY)
    app = make_app(kit.FakeSource(view), pictures=tmp_path)
    async with app.run_test(size=(120, 36)):
        getattr(app.watch_screen, f"action_{action}")()
        for _ in range(turns):
            await asyncio.sleep(0)
        app.exit(STATUS)
    assert app.return_value == STATUS


async def test_a_screen_that_opens_while_the_app_ends_is_no_error(
    make_app: MakeApp, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    drawn_by = app.watch_screen.drawn_by

    def ends_meanwhile() -> dict[str, DrawPanel]:
        app.exit(STATUS)
        return drawn_by()

    monkeypatch.setattr(app.watch_screen, "drawn_by", ends_meanwhile)
    assert await asyncio.wait_for(app.run_async(headless=True, size=(120, 36)), 60.0) == STATUS
    assert app.return_code == 0, "nothing was shown of an error"

"""Every state and every sheet at the three sizes, as text: nothing is cut off, runs into another thing or is left over.

Drawn anew with `--snapshot-update`; a text that changes needs a sentence why, as a picture does.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest
from syrupy.assertion import SnapshotAssertion

from monitor.following.view import LiveView
from monitor.screens.dialogs.card import response_text
from monitor.screens.dialogs.sheet import SheetBody
from monitor.screens.drawing.canvas import Canvas
from monitor.screens.drawing.layout import arrange
from monitor.screens.drawing.picture import Picture
from monitor.screens.watch.drawn_screen import PANELS
from tests.screens import conftest as kit
from tests.screens.conftest import MakeApp

SIZES = [(80, 24), (120, 36), (200, 60)]
STATES = [
    *(
        "no data",
        "hold",
        "ready",
        "losing",
        "let it run",
        "stopped",
        "two rulings",
        "not fired",
        "no lead",
        "not closing",
        "stale",
        "feed lost",
        "frames lost",
        "fired",
    ),
    *("valid", "invalid", "undecided", "blind", "long drive", "recorder lost", "disk full"),
]
SHEETS: dict[str, tuple[str, ...]] = {
    "card": ("t",),
    "plot": ("t", "g"),
    "card of a blind study": ("t",),
    "ruling": ("r", "i"),
    "notes": ("l",),
    "help": ("question_mark",),
    "comfort": ("c", "1", "4"),
    "eyes": ("e",),
    "leave": ("q",),
    "lift a stop": ("u",),
    "take back": ("l", "enter"),
    "hand-over": ("h",),
    "end of the run": ("f10",),
    "reveal": ("t", "x"),
    "run sheet": ("i",),
    "close-out": ("f9",),
    "closed": ("f9",),
    "go": (),
    "not yet": (),
}

by_size = pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")


def whole_screen(view: LiveView, width: int, height: int) -> str:
    """All panels of the watch screen, put together as the layout says."""
    whole = Canvas(width, height)
    picture = Picture(view)
    for name, region in arrange(width, height, slow_used=view.slow_used).regions.items():
        part = PANELS[name](picture, region.width, region.height)
        for y in range(region.height):
            whole.put(region.x, region.y + y, part.line(y))
    return whole.text()


def view_for(name: str) -> LiveView:
    ruled = (*kit.closing_view().trials[:1], kit.ruled(kit.trial("valid", id="2/gate-brake/1", drive=2)))
    views: dict[str, Callable[[], LiveView]] = {
        "card of a blind study": lambda: kit.states()["blind"],
        "reveal": lambda: kit.states()["blind"],
        "ruling": lambda: kit.states()["invalid"],
        "lift a stop": lambda: kit.states()["stopped"],
        "take back": lambda: kit.live_view(notes=(replace(kit.NOTES[0], key="k1"),)),
        "hand-over": lambda: kit.states()["undecided"],
        "eyes": lambda: kit.states()["invalid"],
        "run sheet": lambda: kit.live_view(sheet=kit.STEPS),
        "close-out": lambda: kit.closing_view(trials=ruled),
        "closed": lambda: kit.closing_view(closing_digest=kit.DIGEST),
        "go": lambda: kit.live_view(preflight=kit.preflight_view()),
        "not yet": lambda: kit.live_view(preflight=kit.preflight_view("group", "channels")),
    }
    return replace(views.get(name, lambda: kit.states()["valid"])())


@by_size
@pytest.mark.parametrize("state", STATES)
def test_state(snapshot: SnapshotAssertion, state: str, size: tuple[int, int]) -> None:
    assert whole_screen(kit.states()[state], *size) == snapshot


@by_size
@pytest.mark.parametrize("name", SHEETS)
async def test_sheet(make_app: MakeApp, snapshot: SnapshotAssertion, name: str, size: tuple[int, int]) -> None:
    app = make_app(kit.FakeSource(view_for(name)))
    async with app.run_test(size=size) as pilot:
        await pilot.press(*SHEETS[name])
        await kit.until_it_stands(pilot)
        canvas = app.screen.query_one(SheetBody).canvas
        assert canvas is not None
        text = canvas.text()
    assert "…" not in text, "something is cut off"
    assert text == snapshot


def test_a_response_names_each_figure_once_and_says_what_a_time_of_bodies_is() -> None:
    one = kit.trial().response
    assert one is not None
    named = replace(
        one,
        brake_onset_s=0.85,
        signs={"brake": 0.85, "glance back": 0.45},
        sign_states={"brake": "seen", "glance back": "seen"},
        min_ttc_bodies_s=1.9,
    )
    text = response_text(named)
    assert text.count("brake 0.85 s") == 1
    assert "glance back 0.45 s" in text
    assert "least time until the bodies touch 1.90 s" in text


@pytest.mark.parametrize("size", SIZES[:2])  # in the third the plot stands beside the words
async def test_the_card_has_all_of_a_long_response_and_parts_no_number_from_its_unit(
    make_app: MakeApp, size: tuple[int, int]
) -> None:
    one = kit.trial()
    assert one.response is not None
    long = replace(
        one.response,
        signs={"glance back": 0.45, "steering": 0.9},
        sign_states={"glance back": "seen", "steering": "seen"},
        max_lateral_deviation_m=0.08,
        min_ttc_bodies_s=1.9,
        time_to_stable_s=3.2,
    )
    app = make_app(kit.FakeSource(kit.after_fire(replace(one, response=long))))
    async with app.run_test(size=size) as pilot:
        await pilot.press("t")
        await pilot.pause()
        rows = ["".join(part for part, _ in row).rstrip() for row in kit.open_sheet(app).rows(size[0] - 6)]
    text = " ".join(" ".join(rows).split())
    assert response_text(long) in text
    assert not any(
        re.search(r"[0-9]$", row) and re.match(r" *(m/s²|m/s|m|s)\b", after) for row, after in pairwise(rows)
    )

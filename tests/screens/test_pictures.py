"""Pictures of the screen, one for each state and size that matters. A picture that changes needs a sentence why."""

from __future__ import annotations

import pytest

from monitor.following.view import RecorderView
from tests.screens import conftest as kit
from tests.screens.conftest import Before, MakeApp, Snap

pytestmark = pytest.mark.usefixtures("drawn_with")

SMALL, MEDIUM, LARGE = (80, 24), (120, 36), (200, 60)


@pytest.mark.parametrize("size", [SMALL, MEDIUM, LARGE], ids=lambda size: f"{size[0]}x{size[1]}")
def test_holding(snap_compare: Snap, before: Before, make_app: MakeApp, size: tuple[int, int]) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    assert snap_compare(app, terminal_size=size, run_before=before())


@pytest.mark.parametrize(
    "state",
    [
        "no data",
        "ready",
        "no lead",
        "not closing",
        "stale",
        "frames lost",
        "losing",
        "let it run",
        "stopped",
        "not fired",
        "fired",
        "valid",
        "undecided",
        "blind",
        "recorder lost",
        "disk full",
        "long drive",
    ],
)
def test_state(snap_compare: Snap, before: Before, make_app: MakeApp, state: str) -> None:
    app = make_app(kit.FakeSource(kit.states()[state]))
    assert snap_compare(app, terminal_size=SMALL, run_before=before())


@pytest.mark.parametrize("size", [SMALL, MEDIUM, LARGE], ids=lambda size: f"{size[0]}x{size[1]}")
def test_invalid(snap_compare: Snap, before: Before, make_app: MakeApp, size: tuple[int, int]) -> None:
    app = make_app(kit.FakeSource(kit.states()["invalid"]))
    assert snap_compare(app, terminal_size=size, run_before=before())


def test_in_grey(snap_compare: Snap, before: Before, make_app: MakeApp, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    app = make_app(kit.FakeSource(kit.states()["invalid"]))
    assert snap_compare(app, terminal_size=SMALL, run_before=before())


def test_in_sixteen_colours(snap_compare: Snap, before: Before, make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.states()["invalid"]))
    assert snap_compare(app, terminal_size=SMALL, run_before=before(colours="sixteen"))


@pytest.mark.parametrize("keys", [(), ("r",), ("t",), ("n",)], ids=["no sheet", "ruling", "card", "note"])
async def test_without_colour_on_a_terminal_of_sixteen_all_is_in_the_terminals_own(
    make_app: MakeApp, monkeypatch: pytest.MonkeyPatch, keys: tuple[str, ...]
) -> None:
    """Above a sheet the toolkit paints the screen below once more, by its own filter."""
    monkeypatch.setenv("NO_COLOR", "1")
    app = make_app(kit.FakeSource(kit.states()["invalid"]))
    async with app.run_test(size=SMALL) as pilot:
        app.theme = "sixteen"
        await pilot.press(*keys)
        await kit.until_it_stands(pilot)
        styles = [one.style for strip in app.screen._compositor.render_strips() for one in strip if one.style]
    assert styles
    painted = {one.name for style in styles for one in (style.color, style.bgcolor) if one is not None}
    assert painted <= {"default"}


def test_in_light_colours(snap_compare: Snap, before: Before, make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    assert snap_compare(app, terminal_size=SMALL, run_before=before(colours="light"))


@pytest.mark.parametrize(
    ("name", "keys"),
    [
        ("held view", ("f",)),
        ("note box", ("n", *"van drifts")),
        ("ruling", ("r", "i")),
        ("trial card", ("t",)),
        ("calm", ("z",)),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_after_keys(snap_compare: Snap, before: Before, make_app: MakeApp, name: str, keys: tuple[str, ...]) -> None:
    view = kit.states()["undecided" if name == "trial card" else "invalid" if name == "ruling" else "hold"]
    app = make_app(kit.FakeSource(view))
    assert snap_compare(app, terminal_size=SMALL, run_before=before(keys))


@pytest.mark.parametrize("size", [MEDIUM, LARGE], ids=lambda size: f"{size[0]}x{size[1]}")
def test_response(snap_compare: Snap, before: Before, make_app: MakeApp, size: tuple[int, int]) -> None:
    app = make_app(kit.FakeSource(kit.states()["valid"]))
    assert snap_compare(app, terminal_size=size, run_before=before(("t", "g")))


def test_replay(snap_compare: Snap, before: Before, make_app: MakeApp) -> None:
    view = kit.live_view(recorder=RecorderView("replay", None, 0, ""))
    app = make_app(kit.FakeReplay(view), replay=True)
    assert snap_compare(app, terminal_size=MEDIUM, run_before=before())


@pytest.mark.parametrize(
    ("name", "size"),
    [("run sheet", SMALL), ("close-out", SMALL), ("closed", SMALL), ("not yet", SMALL), ("go", SMALL)],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_sheets_of_a_run(
    snap_compare: Snap, before: Before, make_app: MakeApp, name: str, size: tuple[int, int]
) -> None:
    ruled = (*kit.closing_view().trials[:1], kit.ruled(kit.trial("valid", id="2/gate-brake/1", drive=2)))
    view, keys = {
        "run sheet": (kit.live_view(sheet=kit.STEPS), ("i",)),
        "close-out": (kit.closing_view(trials=ruled), ("f9",)),
        "closed": (kit.closing_view(closing_digest=kit.DIGEST), ("f9",)),
        "go": (kit.live_view(preflight=kit.preflight_view()), ()),
        "not yet": (kit.live_view(preflight=kit.preflight_view("group", "channels")), ()),
    }[name]
    assert snap_compare(make_app(kit.FakeSource(view)), terminal_size=size, run_before=before(keys))

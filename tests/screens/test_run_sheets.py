"""Preflight, run sheet and close-out: what they show, what they enter, and how they go away."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from textual import events
from textual.widgets import Input

from monitor.following.view import LiveView, Question, RecorderView
from monitor.screens.dialogs.closing import CloseOutSheet, in_groups, unresolved
from monitor.screens.dialogs.preflight import PreflightSheet
from monitor.screens.dialogs.steps import StepsSheet, cue_text
from monitor.screens.drawing.picture import Picture
from monitor.screens.panel import Panel
from monitor.screens.panels.footing import draw_now
from tests.screens import conftest as kit
from tests.screens.conftest import MakeApp, open_sheet, posted, redraw, sheet, uncovered

SIZE = (120, 36)
SMALL = (80, 24)


# --- run sheet -------------------------------------------------------------------------------------------------------


def test_the_cue_is_said_by_road_by_time_or_by_the_plan() -> None:
    _, explain, intercom, comfort, lights, _ = kit.STEPS
    assert cue_text(explain) == ""
    assert cue_text(intercom) == "3500 m ago"
    assert cue_text(comfort) == "in 240 m, 11 s"
    assert cue_text(lights) == "in 68 s"
    assert cue_text(replace(comfort, left_m=None, left_s=None)) == "at 4040 m"
    assert cue_text(replace(lights, left_s=None)) == "at 4:20"
    assert cue_text(replace(lights, left_s=-7.0)) == "7 s ago"


@pytest.mark.parametrize("size", [SMALL, SIZE])
async def test_the_run_sheet_shows_steps_cues_and_the_words_to_say(make_app: MakeApp, size: tuple[int, int]) -> None:
    app = make_app(kit.FakeSource(kit.live_view(sheet=kit.STEPS)))
    async with app.run_test(size=size) as pilot:
        await pilot.press("i")
        await pilot.pause()
        text = " ".join(sheet(app).replace("▌", "").split())
        assert "RUN SHEET 1 of 6 done" in text
        assert "done Welcome and consent" in text
        assert "You may stop" not in text  # said and done
        assert "Drive as you would on a road at dusk." in text
        assert "soon in 240 m, 11 s Comfort rating" in text
        await pilot.press("escape")
        await pilot.pause()
        assert uncovered(app)


async def test_enter_ticks_the_chosen_step_off_and_goes_on_to_the_next(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view(sheet=kit.STEPS))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("i", "enter")
        await pilot.pause()
        assert "saving" in sheet(app)
        source.change(sheet=(kit.STEPS[0], replace(kit.STEPS[1], state="done"), *kit.STEPS[2:]))
        app.watch_screen.tick()
        await pilot.press("enter")
        assert "2 of 6 done" in sheet(app)
    moment = {"drive": 1, "at": 192.4, "wall": kit.WALL + 500.0}
    assert posted(source) == [
        {"type": "step", "step": "Explain the arrow grid", "done": True, **moment},
        {"type": "step", "step": "Intercom off", "done": True, **moment},
    ]


async def test_a_tick_can_be_taken_back(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view(sheet=kit.STEPS))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("i", "up", "enter")
        await pilot.pause()
    assert [(one["step"], one["done"]) for one in posted(source)] == [("Welcome and consent", False)]


async def test_a_read_only_screen_shows_the_run_sheet_and_ticks_nothing(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view(sheet=kit.STEPS))
    app = make_app(source, read_only=True)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("i", "enter")
        await pilot.pause()
        assert isinstance(app.screen, StepsSheet)
        assert "Enter" not in sheet(app)
    assert source.posted == []


async def test_the_chosen_step_stays_in_sight_in_a_small_terminal(make_app: MakeApp) -> None:
    many = tuple(replace(kit.STEPS[1], name=f"step {number}") for number in range(10))
    app = make_app(kit.FakeSource(kit.live_view(sheet=many)))
    async with app.run_test(size=SMALL) as pilot:
        await pilot.press("i", *["down"] * 9)
        await pilot.pause()
        assert "step 9" in sheet(app)
        assert "step 0\n" not in sheet(app)
        await pilot.press(*["up"] * 9)
        assert "step 0" in sheet(app)


async def test_a_study_without_a_run_sheet_is_said(make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("i")
        await pilot.pause()
        assert uncovered(app)


# --- close-out -------------------------------------------------------------------------------------------------------


def test_unresolved_names_every_open_matter() -> None:
    found = unresolved(kit.closing_view())
    assert found == [
        "1/gate-brake/1 is computed as undecided: it is your call.",
        "1/side-gust/1 is neither confirmed nor overruled.",
        "Not ticked off on the run sheet: Explain the arrow grid, Intercom off, Comfort rating, Lights on, "
        "Ask after the drive.",
    ]
    live = kit.live_view(recorder=RecorderView("saving", 412.0, 2, ""))
    assert unresolved(live) == ["The drive has not ended.", "2 entries are not on disk yet."]
    full = kit.live_view(recorder=RecorderView("not recording", 0.0, 0, "The disk is full."))
    assert unresolved(full) == ["The drive has not ended.", "The disk is full."]
    assert unresolved(replace(kit.closing_view(), trials=(kit.ruled(kit.trial()),), sheet=())) == []


def test_the_close_out_is_offered_when_the_drive_has_ended() -> None:
    def now(view: LiveView) -> str:
        return draw_now(Picture(view), 80, 2).text()

    assert "F9" not in now(kit.live_view())
    assert "F9 closes out" in now(kit.closing_view())
    assert "F9 shows the digest" in now(kit.closing_view(closing_digest=kit.DIGEST))


async def test_confirming_enters_the_computed_verdict_of_each_trial(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.closing_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("f9", "c", "c")
        await pilot.pause()
    moment = {"drive": 1, "at": 209.1, "wall": kit.WALL + 500.0}
    common = {"type": "ruling", "reason": "confirmed", "words": "", **moment}
    assert posted(source) == [
        {**common, "trial": "1/gate-brake/1", "verdict": "undecided"},
        {**common, "trial": "1/side-gust/1", "verdict": "valid"},
    ]


async def test_a_trial_that_is_still_judged_cannot_be_confirmed(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.closing_view(trials=(kit.trial("undecided", "fired"),)))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("f9", "c")
        await pilot.pause()
        assert "still being judged" in sheet(app).splitlines()[-1]
    assert posted(source) == []


async def test_overruling_uses_the_ruling_of_the_chosen_trial(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.closing_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("f9", "down", "o", "i", *"broken", "enter", "enter")
        await pilot.pause()
        assert isinstance(app.screen, CloseOutSheet)  # and back to the other trials
    assert [(one["trial"], one["verdict"], one["reason"]) for one in posted(source)] == [
        ("1/side-gust/1", "invalid", "task-broken")
    ]


async def test_the_run_ends_from_the_close_out_and_its_digest_is_shown_and_copied(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.closing_view())
    app = make_app(source)
    async with app.run_test(size=SMALL) as pilot:
        await pilot.press("f9", "e")
        await pilot.pause()
        app.screen.query_one(Input).value = "Q07"
        await pilot.press("enter")
        await pilot.pause()
        assert source.ended == ["ended by the operator"]
        source.change(closing_digest=kit.DIGEST, recorder=RecorderView("closed", None, 0, ""))
        app.watch_screen.tick()
        assert isinstance(app.screen, CloseOutSheet)
        redraw(app)
        assert in_groups(kit.DIGEST) in sheet(app)
        assert "trialwitness seal Q07-20251124T160000Z-3fa1.run" in sheet(app)
        await pilot.press("y")
        assert app.clipboard == kit.DIGEST
        await pilot.press("c", "o", "e")
        await pilot.pause()
        assert isinstance(app.screen, CloseOutSheet)
    assert posted(source) == []  # a closed record takes no ruling from here


def test_the_digest_is_whole_in_its_groups() -> None:
    groups = in_groups(kit.DIGEST).split(" ")
    assert [len(group) for group in groups] == [8] * 8
    assert "".join(groups) == kit.DIGEST


async def test_a_read_only_close_out_enters_nothing(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.closing_view())
    app = make_app(source, read_only=True)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("f9", "c", "o", "e")
        await pilot.pause()
        assert isinstance(app.screen, CloseOutSheet)
        assert "confirm  " not in sheet(app).splitlines()[-1]
    assert source.posted == []
    assert source.ended == []


# --- preflight -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [SMALL, SIZE])
async def test_the_preflight_is_shown_first_and_says_why_not(make_app: MakeApp, size: tuple[int, int]) -> None:
    app = make_app(kit.FakeSource(kit.live_view(preflight=kit.preflight_view("group"))))
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        assert isinstance(app.screen, PreflightSheet)
        text = sheet(app)
        assert "group: chime" in text
        lines = [" ".join(line.split()) for line in text.splitlines() if " needs " in line]
        assert lines[0] == "╳ not met group chime needs seat-pulse"
        assert lines[1] == "▒ look rehearsal no rehearsal today needs go, today"
        assert len(lines) == 11
        await pilot.press("escape")
        await pilot.pause()
        app.watch_screen.tick()
        await pilot.pause()
        assert uncovered(app)  # and it does not come back by itself
        await pilot.press("b")
        await pilot.pause()
        assert isinstance(app.screen, PreflightSheet)


async def test_over_the_preflight_only_its_own_keys_act(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view(preflight=kit.preflight_view()))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        assert isinstance(app.screen, PreflightSheet)
        for key, character in [
            ("u", "u"),
            ("m", "m"),
            ("n", "n"),
            ("v", "v"),
            ("a", "a"),
            ("enter", "\r"),
        ]:  # in one burst
            app.post_message(events.Key(key, character))
        await pilot.pause()
        await pilot.pause()
        assert isinstance(app.screen, PreflightSheet)
        await pilot.press("enter")
        await pilot.pause()
        assert uncovered(app)
    assert [one["text"] for one in posted(source)] == ["va"]


async def test_a_mismatch_is_answered_by_one_key_once(make_app: MakeApp) -> None:
    asked = (Question("participant", "Q13", "Q07"), Question("group", "chime", "seat-pulse"))
    source = kit.FakeSource(kit.live_view(preflight=kit.preflight_view("group"), questions=asked))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        assert "1 simulator's participant is right" in sheet(app)
        await pilot.press("2")
        assert "1 simulator's group is right" in sheet(app)
        await pilot.press("3", "1")
        assert isinstance(app.screen, PreflightSheet), "it stays until Enter"
    assert [(one["about"], one["answer"], one["simulator"], one["ours"]) for one in posted(source)] == [
        ("participant", "ours", "Q13", "Q07"),
        ("group", "unknown", "chime", "seat-pulse"),
    ]


async def test_the_preflight_closes_itself_when_a_trigger_is_near(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view(preflight=kit.preflight_view()))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        assert isinstance(app.screen, PreflightSheet)
        source.change(preflight=kit.preflight_view(over=True))
        app.watch_screen.tick()
        redraw(app)
        await pilot.pause()
        assert uncovered(app)


@pytest.mark.parametrize("kind", [{"read_only": True}, {"over": True}, {"none": True}])
async def test_the_preflight_does_not_open_by_itself_where_it_would_only_cover(
    make_app: MakeApp, kind: dict[str, bool]
) -> None:
    found = None if kind.get("none") else kit.preflight_view(over=kind.get("over", False))
    app = make_app(kit.FakeSource(kit.live_view(preflight=found)), read_only=kind.get("read_only", False))
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        assert uncovered(app)


@pytest.mark.parametrize("key", ["l", "i", "question_mark"])
async def test_below_a_sheet_only_what_is_in_sight_is_sent_and_only_once(
    make_app: MakeApp, monkeypatch: pytest.MonkeyPatch, key: str
) -> None:
    source = kit.FakeSource(kit.live_view(sheet=kit.STEPS))
    app = make_app(source)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press(key)
        await pilot.pause()
        sent: list[Any] = []
        monkeypatch.setattr(app, "_display", lambda screen, update: sent.append(update))
        source.change(numbers=kit.numbers(1.23), outlook=kit.outlook("READY", 5.0))
        app.watch_screen.draw()
        for _ in range(20):
            await pilot.pause(0.02)
        rows = {y for update in sent for y, _, _ in update.spans}
        assert rows, "the numbers above the sheet have changed"
        assert max(rows) < open_sheet(app).covers_from
        assert len(sent) <= 3, "it is not sent again and again"
        await pilot.press("escape")
        await pilot.pause()
        canvas = app.watch_screen.query_one("#outlook", Panel).canvas
        assert canvas is not None
        assert "READY" in canvas.text()

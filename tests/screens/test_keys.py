"""Every key of the watch screen, pressed in the running app: what was posted, what is shown."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from textual import events
from textual.widgets import Input

from monitor.errors import WitnessError
from monitor.screens.dialogs.note import NoteBox
from monitor.screens.keymap import KEYS, keys_for
from monitor.screens.panel import Panel
from monitor.screens.watch.app import WatchApp

MakeApp = Callable[..., WatchApp]
SIZE = (120, 36)


def shown(app: WatchApp, panel: str) -> str:
    """A panel's text as it was drawn last."""
    canvas = app.watch_screen.query_one(f"#{panel}", Panel).canvas
    return "" if canvas is None else canvas.text()


def sheet(app: WatchApp) -> str:
    """The text of the sheet that is open."""
    canvas = app.screen.query_one("SheetBody").canvas  # type: ignore[attr-defined]
    return str(canvas.text())


def posted(source: Any) -> list[dict[str, Any]]:
    """What was posted, without what the screen enters by itself."""
    return [one for one in source.posted if one["type"] != "shown"]


async def test_a_note_has_the_time_of_its_key_and_not_of_enter(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("n")
        assert app.watch_screen.query_one(NoteBox).is_open
        source.change(t=199.0)
        await pilot.press(*"van drifts", "enter")
        await pilot.pause()
        assert not app.watch_screen.query_one(NoteBox).is_open
    assert posted(source) == [{"type": "note", "text": "van drifts", "drive": 1, "at": 192.4, "wall": kit.WALL + 500.0}]


async def test_a_note_can_be_dropped_and_an_empty_one_is_none(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("n", *"no", "escape")
        await pilot.press("n", "enter")
        await pilot.pause()
        assert "no note entered" in shown(app, "now")
        await pilot.press("m")
    assert source.posted_types() == ["mark"]


async def test_letters_in_a_note_are_no_keys(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("n", *"mvuq?", "enter")
        await pilot.pause()
    assert [one["text"] for one in posted(source)] == ["mvuq?"]


@pytest.mark.parametrize(
    ("key", "code", "text"),
    [("m", "look", "mark"), ("v", "video-sync", "video mark"), ("u", "unwell", "unwell, stopped")],
)
async def test_marks_are_entered_at_once(kit: ModuleType, make_app: MakeApp, key: str, code: str, text: str) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press(key)
        assert f"{text} at 3:12.4: saving" in shown(app, "now")
    moment = {"drive": 1, "at": 192.4, "wall": kit.WALL + 500.0}
    assert posted(source) == [{"type": "mark", "code": code, "text": text, **moment}]


async def test_saving_is_said_until_the_entry_is_on_disk(kit: ModuleType, make_app: MakeApp, hand_clock: Any) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("m")
        hand_clock.now += 1.0
        app.watch_screen.tick()
        assert "saving" in shown(app, "now")  # the view is still the one from before the key
        source.change(recorder=kit.RecorderView("saving", 412.0, 1, ""))
        hand_clock.now += 1.0
        app.watch_screen.tick()
        assert "saving" in shown(app, "now")
        source.change(recorder=kit.RecorderView("recording", 412.0, 0, ""))
        hand_clock.now += 1.0
        app.watch_screen.tick()
        assert "mark at 3:12.4: on disk" in shown(app, "now")
        hand_clock.now += 20.0
        app.watch_screen.tick()
        assert "on disk" not in shown(app, "now")


async def test_an_entry_that_is_not_taken_is_said_loudly(kit: ModuleType, make_app: MakeApp) -> None:
    class Refusing(kit.FakeSource):  # type: ignore[misc, name-defined]
        def post(self, fields: dict[str, Any]) -> str:
            raise WitnessError("1000 entries wait to be saved.")

    app = make_app(Refusing(kit.live_view()))
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("m")
        assert "Not entered: 1000 entries wait" in shown(app, "now")


async def test_a_verdict_does_not_wait_for_the_next_beat(kit: ModuleType, make_app: MakeApp, hand_clock: Any) -> None:
    class Waking(kit.FakeSource):  # type: ignore[misc, name-defined]
        def when_turned(self, wake: Any) -> None:
            self.wake = wake

    source = Waking(kit.live_view())
    app = make_app(source)
    app.watch_screen.beat = lambda: None  # type: ignore[method-assign]
    async with app.run_test(size=SIZE) as pilot:
        source.wake()  # without a new verdict it draws nothing
        source.shown = replace(kit.states()["invalid"], revision=2)
        app.watch_screen.beat = lambda: None  # type: ignore[method-assign]
        threading.Thread(target=source.wake).start()
        for _ in range(500):
            if "out by 0.41 s." in shown(app, "slab"):
                break
            await pilot.pause(0.01)
        assert "out by 0.41 s." in shown(app, "slab")
        assert "run again: still naive" in shown(app, "now")
        assert "HOLD  12 s left" in shown(app, "outlook"), "the rest comes with the next beat"
        app.watch_screen.tick()
        assert "side-gust" in shown(app, "outlook")


async def test_a_verdict_waits_until_it_was_acknowledged(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        source.shown = kit.states()["invalid"]
        app.watch_screen.tick()
        assert "time gap 2.61 s, band 1.80 to 2.20 s: out by 0.41 s." in shown(app, "slab")
        for _ in range(50):
            app.watch_screen.tick()
        assert "out by 0.41 s." in shown(app, "slab")
        await pilot.press("a")
        assert "out by" not in shown(app, "slab")
        assert "side-gust" in shown(app, "slab")


async def test_what_was_shown_is_entered_once_with_its_verdict(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE):
        for state in ("fired", "fired", "invalid", "invalid"):
            source.shown = kit.states()[state]
            app.watch_screen.tick()
    entered = [(one["trial"], one["verdict"], one["stage"]) for one in source.posted if one["type"] == "shown"]
    assert entered == [("1/gate-brake/1", "undecided", "fired"), ("1/gate-brake/1", "invalid", "final")]


async def test_a_ruling_takes_verdict_reason_and_words(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["valid"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("r")
        assert "RULE on 1/gate-brake/1" in sheet(app)
        source.change(t=230.0)
        await pilot.press("i", "3", *"grid dark", "enter")
        await pilot.pause()
    assert posted(source) == [
        {
            "type": "ruling",
            "trial": "1/gate-brake/1",
            "verdict": "invalid",
            "reason": "task-broken",
            "words": "grid dark",
            "drive": 1,
            "at": 209.1,
            "wall": kit.WALL + 500.0,
        }
    ]


async def test_overruling_needs_a_reason_and_a_reason_a_verdict(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["valid"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("r", "3")
        assert "First the verdict" in sheet(app)
        await pilot.press("i", "enter")
        assert "to overrule, choose a reason" in sheet(app)
        await pilot.press("escape")
        await pilot.pause()
        assert posted(source) == []
        await pilot.press("r", "v", "enter")
        await pilot.pause()
    assert [(one["verdict"], one["reason"]) for one in posted(source)] == [("valid", "")]


async def test_the_trial_to_rule_on_can_be_chosen(kit: ModuleType, make_app: MakeApp) -> None:
    first, second = kit.trial("valid"), kit.trial("invalid", id="2/gate-brake/1", drive=2)
    source = kit.FakeSource(kit.live_view(trials=(first, second)))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("r")
        assert "RULE on 2/gate-brake/1" in sheet(app)
        await pilot.press("left", "v", "enter")
        await pilot.pause()
    assert posted(source)[0]["trial"] == "1/gate-brake/1"


@pytest.mark.parametrize("key", ["r", "t", "e"])
async def test_without_a_trial_the_keys_say_so(kit: ModuleType, make_app: MakeApp, key: str) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press(key)
        assert "no trial yet" in shown(app, "now")
        assert app.screen is app.watch_screen


async def test_the_trial_card_has_everything_and_follows_its_trial(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["undecided"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("t")
        text = sheet(app)
        for piece in (
            "your call",
            "not measured",
            "delay 0.017 s = 1.0 frames",
            "as assigned",
            "naive",
            "[witness-gap]",
        ):
            assert piece in text
        assert "first accelerator 0.62 s after hazard onset" in " ".join(text.split())
        source.shown = kit.states()["invalid"]
        app.watch_screen.tick()
        app.screen.redraw()  # type: ignore[attr-defined]
        assert "INVALID" in sheet(app)
        await pilot.press("r")
        await pilot.pause()
        assert "RULE on" in sheet(app)


async def test_a_blind_response_is_revealed_only_when_asked_twice(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["blind"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("t")
        assert "masked until the ruling" in sheet(app)
        assert "0.62" not in sheet(app)
        await pilot.press("x")
        await pilot.pause()
        await pilot.press("escape")
        await pilot.pause()
        assert posted(source) == []
        await pilot.press("t", "x")
        await pilot.pause()
        await pilot.press("x")
        await pilot.pause()
    assert [(one["type"], one["trial"]) for one in posted(source)] == [("reveal", "1/gate-brake/1")]


@pytest.mark.parametrize(("answer", "value"), [("o", True), ("w", False)])
async def test_the_eyes_call(kit: ModuleType, make_app: MakeApp, answer: str, value: bool) -> None:
    source = kit.FakeSource(kit.states()["valid"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("e", answer)
        await pilot.pause()
    assert [(one["type"], one["trial"], one["value"]) for one in posted(source)] == [("eyes", "1/gate-brake/1", value)]


async def test_the_comfort_rating_takes_only_its_scale(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("c", "2", "1", "enter")
        assert "0 to 20, please" in sheet(app)
        source.change(t=250.0)
        await pilot.press("backspace", "enter")
        await pilot.pause()
    assert [(one["type"], one["rating"], one["at"]) for one in posted(source)] == [("comfort", 2, 192.4)]


async def test_the_list_filters_and_keeps_the_time(kit: ModuleType, make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("l")
        assert "3 of 3" in sheet(app)
        await pilot.press(*"light -yawn")
        assert "1 of 3" in sheet(app)
        assert "1:58.6" in sheet(app)
        assert "yawns" not in sheet(app)
        await pilot.press("escape")
        await pilot.pause()
        assert app.screen is app.watch_screen


async def test_a_held_view_stays_and_a_verdict_lifts_it(kit: ModuleType, make_app: MakeApp, hand_clock: Any) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("f")
        source.change(t=195.0, numbers=kit.numbers(1.11))
        hand_clock.now += 3.0
        app.watch_screen.tick()
        assert "This is 3:12.4, 3 s old." in shown(app, "slab")
        assert "▀▀▀█▄" in shown(app, "first")  # the 2 of 2.61
        assert "3:15" in shown(app, "health")
        source.shown = kit.states()["invalid"]
        app.watch_screen.tick()
        assert "out by 0.41 s." in shown(app, "slab")
        await pilot.press("f")
        assert "old" in shown(app, "slab")
        await pilot.press("f")
        assert "old" not in shown(app, "slab")


async def test_calm_mode_by_key(kit: ModuleType, make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("z")
        assert "CALM" in shown(app, "health")
        assert "2.61" in shown(app, "first")
        await pilot.press("z")
        assert "CALM" not in shown(app, "health")


async def test_colours_go_round(kit: ModuleType, make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=SIZE) as pilot:
        names = [app.theme]
        for _ in range(3):
            await pilot.press("d")
            names.append(app.theme)
    assert names == ["dark", "light", "sixteen", "dark"]


async def test_a_picture_of_the_screen_is_saved(kit: ModuleType, make_app: MakeApp, tmp_path: Path) -> None:
    app = make_app(kit.FakeSource(kit.live_view()), pictures=tmp_path)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("p")
        (path,) = tmp_path.glob("*.svg")
        assert "gate-brake" in path.read_text(encoding="utf-8")
        assert path.name[:20] in shown(app, "now").replace("\n", "") or "picture:" in shown(app, "now")


async def test_a_picture_that_cannot_be_saved_is_said(kit: ModuleType, make_app: MakeApp, tmp_path: Path) -> None:
    app = make_app(kit.FakeSource(kit.live_view()), pictures=tmp_path / "nowhere")
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("p")
        assert "No picture saved" in shown(app, "now")


async def test_ending_the_run_needs_the_participants_code(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("f10", *"Q08", "enter")
        assert "That is not Q07" in sheet(app)
        await pilot.press("escape")
        await pilot.pause()
        assert source.ended == []
        await pilot.press("f10", *"Q07", "enter")
        await pilot.pause()
        assert source.ended == ["ended by the operator"]
        assert app.screen is app.watch_screen


@pytest.mark.parametrize("keys", [("q", "q"), ("ctrl+c", "ctrl+c"), ("ctrl+q", "ctrl+q"), ("q", "enter")])
async def test_leaving_asks_and_ends_no_run(kit: ModuleType, make_app: MakeApp, keys: tuple[str, str]) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press(keys[0])
        assert "The recorder goes on" in sheet(app)
        await pilot.press(keys[1])
    assert app.return_value == 0
    assert source.ended == []


async def test_leaving_can_be_taken_back(kit: ModuleType, make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("q", "escape")
        await pilot.pause()
        assert app.screen is app.watch_screen
        assert app.is_running


async def test_help_lists_every_key(kit: ModuleType, make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=(120, 50)) as pilot:
        await pilot.press("question_mark")
        text = sheet(app)
        for key in keys_for(read_only=False, replay=False, every=True):
            assert key.help in text
        await pilot.press("question_mark")
        await pilot.pause()
        assert app.screen is app.watch_screen


@pytest.mark.parametrize("replay", [True, False])
async def test_the_palette_offers_every_key_and_nothing_else(kit: ModuleType, make_app: MakeApp, replay: bool) -> None:
    source = kit.FakeReplay(kit.live_view())
    app = make_app(source, replay=replay)
    async with app.run_test(size=SIZE):
        offered = {command.help.rsplit(" (", 1)[0] for command in app.get_system_commands(app.screen)}
    assert offered == {key.help for key in keys_for(read_only=False, replay=replay, every=True)}


async def test_the_palette_runs_the_action(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("ctrl+p", *"unwell")
        await app.workers.wait_for_complete()
        await pilot.pause()
        (command,) = [one for one in app.get_system_commands(app.screen) if "unwell" in one.help]
        await pilot.press("escape")
        await pilot.pause()
        await command.callback()  # type: ignore[misc]
    assert [one["code"] for one in posted(source)] == ["unwell"]


def test_no_two_keys_are_the_same_and_all_have_help() -> None:
    assert len({key.key for key in KEYS}) == len(KEYS)
    assert len({key.action for key in KEYS}) == len(KEYS)
    assert all(key.help for key in KEYS)
    assert not any("alt" in key.key or "shift" in key.key for key in KEYS)


async def test_a_read_only_screen_posts_nothing_whatever_is_pressed(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source, read_only=True)
    async with app.run_test(size=SIZE) as pilot:
        source.shown = kit.states()["invalid"]
        app.watch_screen.tick()
        for key in ("n", "m", "v", "u", "r", "e", "c", "f10"):
            await pilot.press(key)
            assert app.screen is app.watch_screen, key
            assert not app.watch_screen.query_one(NoteBox).is_open
        await pilot.press("a", "t")
        assert "r rule" not in sheet(app)
        await pilot.press("escape")
        await pilot.pause()
        await pilot.press("q")
    assert app.return_value == 0
    assert source.posted == []


@pytest.mark.parametrize(
    ("key", "move"),
    [
        ("space", ("play",)),
        ("left", ("step", -1)),
        ("right", ("step", 1)),
        ("down", ("seek", pytest.approx(182.4))),
        ("up", ("seek", pytest.approx(202.4))),
        ("home", ("seek", 0.0)),
        ("left_square_bracket", ("speed", 0.5)),
        ("right_square_bracket", ("speed", 2.0)),
        ("comma", ("jump", -1)),
        ("full_stop", ("jump", 1)),
        ("o", ("loop",)),
    ],
)
async def test_the_keys_of_a_replay(kit: ModuleType, make_app: MakeApp, key: str, move: tuple[Any, ...]) -> None:
    source = kit.FakeReplay(kit.live_view())
    app = make_app(source, replay=True)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press(key)
        assert source.moves == [move]
        if key == "space":
            await pilot.press(key)
            assert source.moves == [("play",), ("pause",)]
    assert source.posted == []


async def test_the_speed_of_a_replay_has_its_ends(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeReplay(kit.live_view())
    app = make_app(source, replay=True)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press(*["right_square_bracket"] * 10)
        assert source.at.speed == 60.0
        await pilot.press(*["left_square_bracket"] * 20)
        assert source.at.speed == pytest.approx(0.1)


async def test_in_a_replay_notes_and_rulings_go_beside_the_record_and_marks_do_not(
    kit: ModuleType, make_app: MakeApp
) -> None:
    source = kit.FakeReplay(kit.states()["invalid"])
    app = make_app(source, replay=True)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("m", "u", "c", "e", "f10")
        assert app.screen is app.watch_screen
        await pilot.press("n", *"why", "enter")
        await pilot.pause()
        await pilot.press("r", "i", "enter")
        await pilot.pause()
    assert source.posted_types() == ["note", "ruling"]


async def test_the_screen_keeps_its_state_line_when_the_terminal_shrinks(kit: ModuleType, make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=SIZE) as pilot:
        await pilot.resize_terminal(50, 12)
        await pilot.pause()
        assert "Too small: 60 × 20 at least" in shown(app, "small")
        assert "LIVE" in shown(app, "health")
        await pilot.resize_terminal(80, 24)
        await pilot.pause()
        assert not app.watch_screen.query_one("#small").display
        assert "HOLD" in shown(app, "outlook")


async def test_the_panels_go_on_below_an_open_sheet(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["valid"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("a", "t")
        source.shown = kit.states()["stale"]
        app.watch_screen.tick()
        await pilot.pause()
        assert "No frame for 0.6 s." in app.export_screenshot(simplify=True).replace("&#160;", " ")


def burst(app: WatchApp, *keys: str) -> None:
    """Keys that are there all at once, as after a pause of the line."""
    for key in keys:
        app.post_message(events.Key(key, key if len(key) == 1 else None))


async def test_words_typed_faster_than_the_box_opens_are_all_in_the_note(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["valid"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        burst(app, "n", *"unwell?")
        await pilot.pause()
        await pilot.press("enter")
        await pilot.pause()
    assert [(one["type"], one.get("text")) for one in posted(source)] == [("note", "unwell?")]


async def test_a_ruling_typed_in_one_burst_is_whole(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["valid"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        burst(app, "r", "i", "3", *"dark", "enter")
        await pilot.pause()
        await pilot.pause()
    assert [(one["verdict"], one["reason"], one["words"]) for one in posted(source)] == [
        ("invalid", "task-broken", "dark")
    ]


async def test_the_code_that_ends_the_run_may_come_in_one_burst(kit: ModuleType, make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        burst(app, "f10", *"Q07", "enter")
        await pilot.pause()
        await pilot.pause()
    assert source.ended == ["ended by the operator"]
    assert posted(source) == []


async def test_the_bell_stays_silent(kit: ModuleType, make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=SIZE):
        written: list[str] = []
        app._driver.write = written.append  # type: ignore[union-attr, method-assign]
        app.bell()
    assert "\a" not in "".join(written)


async def test_the_note_box_is_ready_to_type_in_with_the_key_that_opens_it(kit: ModuleType, make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("n")
        assert isinstance(app.focused, Input)
        region = app.watch_screen.query_one(NoteBox).region
        assert region.height == 3
        assert region.bottom == 24

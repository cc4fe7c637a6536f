"""Every key of the watch screen, pressed in the running app: what was posted, what is shown."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from textual import events
from textual.widgets import Input

from monitor.errors import WitnessError
from monitor.following.building import reasons_of
from monitor.following.view import RecorderView
from monitor.judging.case.trial import Finding, Retraction
from monitor.screens.dialogs.asking import NoteSheet
from monitor.screens.dialogs.card import CardSheet
from monitor.screens.keymap import KEYS, keys_for
from monitor.screens.panel import Panel
from monitor.screens.watch.app import WatchApp
from monitor.screens.watch.reading import READ_S
from monitor.study.demo import demo_study
from tests.clocks import HandClock
from tests.screens import conftest as kit
from tests.screens.conftest import MakeApp, open_sheet, posted, redraw, sheet, uncovered

SIZE = (120, 36)


def shown(app: WatchApp, panel: str) -> str:
    """A panel's text as it was drawn last."""
    canvas = app.watch_screen.query_one(f"#{panel}", Panel).canvas
    return "" if canvas is None else canvas.text()


async def test_a_note_has_the_time_of_its_key_and_not_of_enter(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("n")
        assert isinstance(app.screen, NoteSheet)
        source.change(t=199.0)
        await pilot.press(*"van drifts", "enter")
        await pilot.pause()
        assert uncovered(app)
    assert posted(source) == [{"type": "note", "text": "van drifts", "drive": 1, "at": 192.4, "wall": kit.WALL + 500.0}]


async def test_a_note_can_be_dropped_and_an_empty_one_is_none(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("n", *"no", "escape")
        await pilot.press("n", "enter")
        await pilot.pause()
        assert "no note entered" in shown(app, "now")
        await pilot.press("m")
    assert source.posted_types() == ["mark"]


async def test_letters_in_a_note_are_no_keys(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("n", *"mvuq?", "enter")
        await pilot.pause()
    assert [one["text"] for one in posted(source)] == ["mvuq?"]


@pytest.mark.parametrize(
    ("key", "code", "text"),
    [
        ("m", "look", "mark"),
        ("v", "video-sync", "video mark"),
        ("u", "unwell", "unwell, stopped"),
        ("f8", "emergency-stop", "emergency stop used"),
    ],
)
async def test_marks_are_entered_at_once(make_app: MakeApp, key: str, code: str, text: str) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press(key)
        assert f"{text} at 3:12.4: saving" in shown(app, "now")
    moment = {"drive": 1, "at": 192.4, "wall": kit.WALL + 500.0}
    assert posted(source) == [{"type": "mark", "code": code, "text": text, **moment}]


async def test_saving_is_said_until_the_entry_is_on_disk(make_app: MakeApp, hand_clock: HandClock) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("m")
        hand_clock.now += 1.0
        app.watch_screen.tick()
        assert "saving" in shown(app, "now")  # the view is still the one from before the key
        source.change(recorder=RecorderView("saving", 412.0, 1, ""))
        hand_clock.now += 1.0
        app.watch_screen.tick()
        assert "saving" in shown(app, "now")
        source.change(recorder=RecorderView("recording", 412.0, 0, ""))
        hand_clock.now += 1.0
        app.watch_screen.tick()
        assert "mark at 3:12.4: on disk" in shown(app, "now")
        hand_clock.now += 20.0
        app.watch_screen.tick()
        assert "on disk" not in shown(app, "now")


async def test_an_entry_that_is_not_taken_is_said_loudly(make_app: MakeApp) -> None:
    class Refusing(kit.FakeSource):
        def post(self, fields: dict[str, Any]) -> str:
            raise WitnessError("1000 entries wait to be saved.")

    app = make_app(Refusing(kit.live_view()))
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("m")
        assert "Not entered: 1000 entries wait" in shown(app, "now")


async def test_a_verdict_does_not_wait_for_the_next_beat(make_app: MakeApp, monkeypatch: pytest.MonkeyPatch) -> None:
    class Waking(kit.FakeSource):
        def when_turned(self, wake: Callable[[], None]) -> None:
            self.wake = wake

    source = Waking(kit.live_view())
    app = make_app(source)
    monkeypatch.setattr(app.watch_screen, "beat", lambda: None)
    async with app.run_test(size=SIZE) as pilot:
        source.wake()  # without a new verdict it draws nothing
        source.shown = replace(kit.states()["invalid"], revision=2)
        threading.Thread(target=source.wake).start()
        for _ in range(500):
            if "out by 0.41 s." in shown(app, "slab"):
                break
            await pilot.pause(0.01)
        assert "out by 0.41 s." in shown(app, "slab")
        assert "gate-brake is lost; it cannot be rerun here" in shown(app, "now")
        assert "HOLD  12 s left" in shown(app, "outlook"), "the rest comes with the next beat"
        app.watch_screen.tick()
        assert "side-gust" in shown(app, "outlook")


async def test_a_verdict_waits_until_it_was_acknowledged(make_app: MakeApp, hand_clock: HandClock) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        source.shown = kit.states()["invalid"]
        app.watch_screen.tick()
        assert "time gap 2.61 s, band 1.80 to 2.20 s: out by 0.41 s." in shown(app, "slab")
        for _ in range(50):
            app.watch_screen.tick()
        assert "out by 0.41 s." in shown(app, "slab")
        hand_clock.now += READ_S
        await pilot.press("a")
        assert "out by" not in shown(app, "slab")
        assert "side-gust" in shown(app, "slab")


async def test_what_was_shown_is_entered_once_with_its_verdict(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE):
        for state in ("fired", "fired", "invalid", "invalid"):
            source.shown = kit.states()[state]
            app.watch_screen.tick()
    entered = [(one["trial"], one["verdict"], one["stage"]) for one in source.posted if one["type"] == "shown"]
    assert entered == [("1/gate-brake/1", "undecided", "fired"), ("1/gate-brake/1", "invalid", "final")]


async def test_a_ruling_takes_verdict_reason_and_words(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["valid"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("r")
        assert "RULE on 1/gate-brake/1" in sheet(app)
        source.change(t=230.0)
        await pilot.press("i", *"broken", "enter", *"grid dark", "enter")
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


async def test_overruling_needs_a_reason_and_a_reason_a_verdict(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["valid"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("r", "enter")
        assert "c confirms, or choose v, i or u" in sheet(app)
        await pilot.press("i", *"zzz", "enter")
        assert "choose a reason" in sheet(app)
        await pilot.press("escape")
        await pilot.pause()
        assert posted(source) == []
        await pilot.press("r", "c")
        await pilot.pause()
    assert [(one["verdict"], one["reason"]) for one in posted(source)] == [("valid", "confirmed")]


async def test_what_voids_a_trial_is_no_reason_to_call_it_valid(make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.states()["invalid"]))
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("r", "v")
        assert "monitor-mistaken" in sheet(app)
        assert "participant-unwell" not in sheet(app)


@pytest.mark.parametrize("size", [(80, 24), SIZE])
@pytest.mark.slow
async def test_every_reason_can_be_reached_and_a_persons_come_first(make_app: MakeApp, size: tuple[int, int]) -> None:
    source = kit.FakeSource(replace(kit.states()["valid"], reasons=reasons_of(demo_study())))
    app = make_app(source)
    async with app.run_test(size=size) as pilot:
        await pilot.press("r", "i")
        for code in ("participant-unwell", "expected-it", "operator-error"):
            assert code in sheet(app)
        assert "fired-early" not in sheet(app) or size == SIZE
        last = source.shown.reasons[-1].code
        await pilot.press(*["down"] * 120)
        assert last in sheet(app)
        await pilot.press(*"slippery", "enter", "enter")
        await pilot.pause()
    assert posted(source)[0]["reason"] == "slippery-seat"


async def test_the_trial_to_rule_on_can_be_chosen(make_app: MakeApp) -> None:
    first, second = kit.trial("valid"), kit.trial("invalid", id="2/gate-brake/1", drive=2)
    source = kit.FakeSource(kit.live_view(trials=(first, second)))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("r")
        assert "RULE on 2/gate-brake/1" in sheet(app)
        await pilot.press("left", "c")
        await pilot.pause()
    assert posted(source)[0]["trial"] == "1/gate-brake/1"


async def test_the_key_takes_the_trial_that_has_waited_longest(make_app: MakeApp) -> None:
    waits = kit.trial("undecided")
    later = kit.trial("valid", id="1/side-gust/1", trigger="side-gust", fired_at=260.0)
    app = make_app(kit.FakeSource(kit.live_view(trials=(waits, later))))
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("r")
        assert "RULE on 1/gate-brake/1" in sheet(app)


@pytest.mark.parametrize("key", ["r", "t", "e"])
async def test_without_a_trial_the_keys_say_so(make_app: MakeApp, key: str) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press(key)
        assert "no trial yet" in shown(app, "now")
        assert uncovered(app)


async def test_while_somebody_drives_the_card_says_what_a_loss_means_for_the_drive(make_app: MakeApp) -> None:
    lost = "gate-brake is lost; it cannot be rerun here; drive on, side-gust still counts."
    view = replace(kit.states()["invalid"], lost_words=(("1/gate-brake/1", lost),))
    ended = replace(view, feed=replace(view.feed, state="ended"))
    for now, said in ((view, lost), (ended, view.trials[0].what_now)):
        app = make_app(kit.FakeSource(now))
        async with app.run_test(size=(120, 36)) as pilot:
            await kit.until_it_stands(pilot)
            await pilot.press("t")
            await kit.until_it_stands(pilot)
            assert isinstance(app.screen, CardSheet)
            assert app.screen.trial.what_now == said


async def test_the_trial_card_has_everything_and_follows_its_trial(make_app: MakeApp) -> None:
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
        redraw(app)
        assert "INVALID" in sheet(app)
        await pilot.press("r")
        await pilot.pause()
        assert "RULE on" in sheet(app)


async def test_a_blind_response_is_revealed_only_when_asked_twice(make_app: MakeApp) -> None:
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
async def test_the_eyes_call(make_app: MakeApp, answer: str, value: bool) -> None:
    source = kit.FakeSource(kit.states()["valid"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("e", answer)
        await pilot.pause()
    assert [(one["type"], one["trial"], one["value"]) for one in posted(source)] == [("eyes", "1/gate-brake/1", value)]


async def test_the_comfort_rating_takes_only_its_scale(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("c", "2", "1", "enter")
        assert "0 to 20, please" in sheet(app)
        source.change(t=250.0)
        await pilot.press("backspace", "enter")
        await pilot.pause()
    assert [(one["type"], one["rating"], one["at"]) for one in posted(source)] == [("comfort", 2, 192.4)]


async def test_the_list_filters_and_keeps_the_time(make_app: MakeApp) -> None:
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
        assert uncovered(app)


async def test_a_held_view_stays_and_a_verdict_lifts_it(make_app: MakeApp, hand_clock: HandClock) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("f")
        source.change(t=195.0, numbers=kit.numbers(1.11))
        hand_clock.now += 3.0
        app.watch_screen.tick()
        assert "HELD: what stands below the heading is 3 s old" in shown(app, "now")
        assert "HELD 3 s" in shown(app, "outlook")
        assert "coming in" in shown(app, "slab")
        source.change(outlook=kit.outlook("LOSING", 8.0))
        app.watch_screen.tick()
        assert "time gap will be 2.61 s" in shown(app, "slab"), "a heading is never held"
        assert "▀▀▀█▄" in shown(app, "first")  # the 2 of 2.61
        assert "3:15" in shown(app, "health")
        source.shown = kit.states()["invalid"]
        app.watch_screen.tick()
        assert "out by 0.41 s." in shown(app, "slab")
        hand_clock.now += 20.0
        await pilot.press("f")
        assert "HELD" in shown(app, "outlook")
        await pilot.press("f")
        assert "HELD" not in shown(app, "outlook")


async def test_calm_mode_by_key(make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("z")
        assert "CALM" in shown(app, "health")
        assert "2.61" in shown(app, "first")
        await pilot.press("z")
        assert "CALM" not in shown(app, "health")


async def test_colours_go_round(make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=SIZE) as pilot:
        names = [app.theme]
        for _ in range(3):
            await pilot.press("d")
            names.append(app.theme)
    assert names == ["dark", "light", "sixteen", "dark"]


async def test_a_picture_of_the_screen_is_saved(make_app: MakeApp, tmp_path: Path) -> None:
    app = make_app(kit.FakeSource(kit.live_view()), pictures=tmp_path)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("p")
        (path,) = tmp_path.glob("*.svg")
        assert "gate-brake" in path.read_text(encoding="utf-8")
        assert path.name[:20] in shown(app, "now").replace("\n", "") or "picture:" in shown(app, "now")


async def test_a_picture_that_cannot_be_saved_is_said(make_app: MakeApp, tmp_path: Path) -> None:
    app = make_app(kit.FakeSource(kit.live_view()), pictures=tmp_path / "nowhere")
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("p")
        assert "No picture saved" in shown(app, "now")


async def test_ending_the_run_needs_the_participants_code(make_app: MakeApp) -> None:
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
        assert uncovered(app)


@pytest.mark.parametrize("keys", [("q", "q"), ("ctrl+c", "ctrl+c"), ("ctrl+q", "ctrl+q"), ("q", "enter")])
async def test_leaving_asks_and_ends_no_run(make_app: MakeApp, keys: tuple[str, str]) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press(keys[0])
        assert "The recorder goes on" in sheet(app)
        await pilot.press(keys[1])
    assert app.return_value == 0
    assert source.ended == []


async def test_leaving_can_be_taken_back(make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("q", "escape")
        await pilot.pause()
        assert uncovered(app)
        assert app.is_running


async def test_help_lists_every_key(make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=(120, 50)) as pilot:
        await pilot.press("question_mark")
        text = sheet(app)
        for key in keys_for(read_only=False, replay=False, every=True):
            assert key.help in text
        await pilot.press("question_mark")
        await pilot.pause()
        assert uncovered(app)


@pytest.mark.parametrize("replay", [True, False])
async def test_the_palette_offers_every_key_and_nothing_else(make_app: MakeApp, replay: bool) -> None:
    source = kit.FakeReplay(kit.live_view())
    app = make_app(source, replay=replay)
    async with app.run_test(size=SIZE):
        offered = {command.help.rsplit(" (", 1)[0] for command in app.get_system_commands(app.screen)}
    assert offered == {key.help for key in keys_for(read_only=False, replay=replay, every=True)}


async def test_the_palette_runs_the_action(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("ctrl+p", *"unwell")
        await app.workers.wait_for_complete()
        await pilot.pause()
        (command,) = [one for one in app.get_system_commands(app.screen) if "unwell" in one.help]
        await pilot.press("escape")
        await pilot.pause()
        await command.callback()
    assert [one["code"] for one in posted(source)] == ["unwell"]


def test_no_two_keys_are_the_same_and_all_have_help() -> None:
    assert len({key.key for key in KEYS}) == len(KEYS)
    assert len({key.action for key in KEYS}) == len(KEYS)
    assert all(key.help for key in KEYS)
    assert not any("alt" in key.key or "shift" in key.key for key in KEYS)


async def test_a_read_only_screen_posts_nothing_whatever_is_pressed(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source, read_only=True)
    async with app.run_test(size=SIZE) as pilot:
        source.shown = kit.states()["invalid"]
        app.watch_screen.tick()
        for key in ("n", "m", "v", "u", "r", "e", "c", "a", "h", "f8", "f10"):
            await pilot.press(key)
            assert uncovered(app), key
        await pilot.press("a", "t")
        assert "r rule" not in sheet(app)
        await pilot.press("escape")
        await pilot.pause()
        # over each page that it may read: a box that says "Enter enters it" and enters nothing would be believed
        for page in [key.key for key in keys_for(read_only=True, replay=False, every=True) if key.key not in "qfzdp"]:
            await pilot.press(page)
            await pilot.pause()
            over = app.screen
            if not uncovered(app):
                assert "n note" not in sheet(app), page
            for key in ("n", "u", "r"):
                await pilot.press(key)
                await pilot.pause()
                assert app.screen is over or uncovered(app), (page, key)
            if not uncovered(app):
                await pilot.press("escape")
                await pilot.pause()
        await pilot.press("q")
    assert app.return_value == 0
    assert source.posted == []


@pytest.mark.parametrize(
    ("keys", "move"),
    [
        (("enter",), ("play",)),
        (("left",), ("seek", pytest.approx(182.4))),
        (("right",), ("seek", pytest.approx(202.4))),
        (("up", "right"), ("seek", pytest.approx(193.4))),
        (("up", "up", "left"), ("step", -1)),
        (("up", "up", "up", "right"), ("step", 1)),
        (("down", "left"), ("seek", pytest.approx(132.4))),
        (("down", "down", "right"), ("jump", 1)),
        (("down", "down", "down", "left"), ("jump", -1)),
        (("home",), ("seek", 0.0)),
        (("1",), ("speed", 0.1)),
        (("4",), ("speed", 1.0)),
        (("7",), ("speed", 60.0)),
        (("o",), ("loop",)),
    ],
)
async def test_the_keys_of_a_replay(make_app: MakeApp, keys: tuple[str, ...], move: tuple[Any, ...]) -> None:
    source = kit.FakeReplay(kit.live_view())
    app = make_app(source, replay=True)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press(*keys)
        assert source.moves == [move]
        if keys == ("enter",):
            await pilot.press("enter")
            assert source.moves == [("play",), ("pause",)]
    assert source.posted == []


async def test_step_and_pace_are_said_in_words(make_app: MakeApp) -> None:
    source = kit.FakeReplay(kit.live_view())
    app = make_app(source, replay=True)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("down")
        assert "frame, 1 s, 10 s, [1 min], trigger" in shown(app, "now")
        await pilot.press("3", "enter")
        assert "REPLAY RUNS, half" in shown(app, "transport")


async def test_in_a_replay_notes_and_rulings_go_beside_the_record_and_marks_do_not(make_app: MakeApp) -> None:
    source = kit.FakeReplay(kit.states()["invalid"])
    app = make_app(source, replay=True)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("m", "u", "c", "e", "f10")
        assert uncovered(app)
        await pilot.press("n", *"why", "enter")
        await pilot.pause()
        await pilot.press("r", "c")
        await pilot.pause()
    assert source.posted_types() == ["note", "ruling"]


async def test_the_screen_keeps_its_state_line_when_the_terminal_shrinks(make_app: MakeApp) -> None:
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


async def test_the_panels_go_on_below_an_open_sheet(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["valid"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("t")
        source.shown = kit.states()["stale"]
        app.watch_screen.tick()
        await pilot.pause()
        assert "No frame for 0.6 s." in app.export_screenshot(simplify=True).replace("&#160;", " ")


def burst(app: WatchApp, *keys: str) -> None:
    """Keys that are there all at once, as after a pause of the line."""
    for key in keys:
        app.post_message(events.Key(key, key if len(key) == 1 else None))


async def test_words_typed_faster_than_the_box_opens_are_all_in_the_note(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["valid"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        burst(app, "n", *"unwell?")
        await pilot.pause()
        await pilot.press("enter")
        await pilot.pause()
    assert [(one["type"], one.get("text")) for one in posted(source)] == [("note", "unwell?")]


async def test_a_ruling_typed_in_one_burst_is_whole(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["valid"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        burst(app, "r", "i", *"broken", "enter", *"dark", "enter")
        await pilot.pause()
        await pilot.pause()
    assert [(one["verdict"], one["reason"], one["words"]) for one in posted(source)] == [
        ("invalid", "task-broken", "dark")
    ]


async def test_the_code_that_ends_the_run_may_come_in_one_burst(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        burst(app, "f10", *"Q07", "enter")
        await pilot.pause()
        await pilot.pause()
    assert source.ended == ["ended by the operator"]
    assert posted(source) == []


async def test_the_bell_stays_silent(make_app: MakeApp, monkeypatch: pytest.MonkeyPatch) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=SIZE):
        written: list[str] = []
        monkeypatch.setattr(app._driver, "write", written.append)
        app.bell()
    assert "\a" not in "".join(written)


async def test_the_note_box_is_ready_to_type_in_with_the_key_that_opens_it(make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(kit.live_view()))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("n")
        assert isinstance(app.focused, Input)
        assert open_sheet(app).covers_from == 21
        await pilot.press(*"door", "escape")
        await pilot.pause()
        assert uncovered(app)


@pytest.mark.parametrize("key", ["i", "t"])
async def test_a_note_can_be_written_over_a_sheet(make_app: MakeApp, key: str) -> None:
    source = kit.FakeSource(replace(kit.states()["valid"], sheet=kit.STEPS))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press(key, "n", *"phone rang", "enter")
        await pilot.pause()
        assert app.screen is not app.watch_screen, "the sheet is still there"
    assert [(one["type"], one.get("text")) for one in posted(source)] == [("note", "phone rang")]


async def test_no_key_acts_where_nothing_can_be_seen(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["valid"])
    app = make_app(source)
    async with app.run_test(size=(50, 12)) as pilot:
        await pilot.press("u", "c", "7", "enter", "m", "r", "c", "f8", "n", "f10")
        await pilot.pause()
        assert uncovered(app)
        await pilot.press("q")
        await pilot.pause()
        assert app.screen is not app.watch_screen
    assert posted(source) == []


async def test_unwell_has_a_way_back_with_words(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["stopped"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        assert "Unwell, stopped, entered at 3:26.0 by ops" in shown(app, "slab")
        await pilot.press("u", "l", "enter")
        assert "say why" in sheet(app)
        await pilot.press(*"feels fine", "enter")
        await pilot.pause()
        await pilot.press("u", "m", *"slipped", "enter")
        await pilot.pause()
    lifted, back = posted(source)
    assert {name: lifted[name] for name in ("type", "about", "answer", "words")} == {
        "type": "answer",
        "about": "stop",
        "answer": "lifted",
        "words": "feels fine",
    }
    assert (back["type"], back["what"], back["words"]) == ("retract", "k1", "slipped")


async def test_a_note_is_taken_back_from_the_list(make_app: MakeApp) -> None:
    notes = (*kit.NOTES[:2], replace(kit.NOTES[2], key="k9", must_say_why=True))
    source = kit.FakeSource(kit.live_view(notes=notes))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("l", "enter", "enter")
        assert "say why" in sheet(app)
        await pilot.press(*"wrong run", "enter")
        await pilot.pause()
        source.change(notes=(*notes[:2], replace(notes[2], retracted=Retraction("ops", kit.WALL, "wrong run"))))
        app.watch_screen.tick()
        redraw(app)
        assert "taken back by ops (wrong run): yawns" in sheet(app)
    assert [(one["type"], one["what"], one["words"]) for one in posted(source)] == [("retract", "k9", "wrong run")]


async def test_whoever_takes_over_enters_from_then_on(make_app: MakeApp) -> None:
    source = kit.FakeSource(kit.states()["undecided"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("m", "h")
        assert "1/gate-brake/1 is computed as undecided" in sheet(app)
        await pilot.press(*"ben", "enter")
        await pilot.pause()
        await pilot.press("m")
    first, handed, second = posted(source)
    assert (handed["type"], handed["to"], len(handed["open"])) == ("handover", "ben", 2)
    assert set(handed) >= {"open", "notes", "steps", "comfort"}  # the page as it was shown
    assert ("by" in first, "by" in handed, second["by"]) == (False, False, "ben")


async def test_what_was_seen_is_entered_and_only_what_is_shown(make_app: MakeApp, hand_clock: HandClock) -> None:
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("a")
        assert "no verdict on the screen waits" in shown(app, "now")
        source.shown = replace(kit.states()["invalid"], revision=2)
        app.watch_screen.tick()
        hand_clock.now += READ_S
        await pilot.press("a")
    (seen,) = posted(source)
    assert (seen["type"], seen["trial"], seen["word"]) == ("seen", "1/gate-brake/1", "INVALID")


@pytest.mark.parametrize("before", ["hold", "valid", "undecided", "feed lost"])
async def test_a_key_that_was_meant_for_what_stood_there_before_acknowledges_nothing(
    before: str, make_app: MakeApp, hand_clock: HandClock
) -> None:
    """Of a verdict that comes while the finger is on its way nobody would ever be told."""
    source = kit.FakeSource(kit.states()[before])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        hand_clock.now += 10.0
        source.shown = replace(kit.states()["invalid"], revision=2)
        app.watch_screen.tick()
        for _ in range(3):
            await pilot.press("a")
            hand_clock.now += READ_S / 4.0
        assert "INVALID has only just come: a when it is read" in shown(app, "now")
        assert posted(source) == []
        assert "out by 0.41 s." in shown(app, "slab")
        hand_clock.now += READ_S / 4.0
        await pilot.press("a")
    (seen,) = posted(source)
    assert (seen["type"], seen["word"]) == ("seen", "INVALID")


async def test_a_view_that_is_taken_and_not_drawn_yet_acknowledges_nothing(
    make_app: MakeApp, hand_clock: HandClock
) -> None:
    source = kit.FakeSource(kit.states()["valid"])
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        hand_clock.now += 10.0
        app.watch_screen.latest = replace(kit.states()["invalid"], revision=2)
        app.watch_screen.action_acknowledge()  # no press: a beat that comes while it is awaited takes another view
        await pilot.pause()
        assert posted(source) == []


async def test_each_of_two_verdicts_is_read_before_it_is_acknowledged(make_app: MakeApp, hand_clock: HandClock) -> None:
    lost = kit.states()["invalid"]
    other = replace(lost.trials[0], id="1/side-gust/1", trigger="side-gust", fired_at=240.0)
    source = kit.FakeSource(replace(lost, trials=(*lost.trials, other)))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        app.watch_screen.tick()
        hand_clock.now += READ_S
        await pilot.press("a", "a", "a")
        assert [one["trial"] for one in posted(source)] == ["1/gate-brake/1"]
        hand_clock.now += READ_S
        await pilot.press("a")
        assert [one["trial"] for one in posted(source)] == ["1/gate-brake/1", "1/side-gust/1"]


async def test_a_trial_that_cannot_be_valid_says_so_at_once(make_app: MakeApp) -> None:
    view = kit.states()["invalid"]
    other = Finding("group-mismatch", "void", "The simulator says group no-alert.", None)
    trials = tuple(replace(one, findings=(other,)) for one in view.trials)
    source = kit.FakeSource(replace(view, trials=trials, reasons=reasons_of(demo_study())))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("r", "v")
        assert "was run in another group than planned" in sheet(app)
        await pilot.press("i")
        assert "judged-harmless" not in sheet(app)
        assert "participant-unwell" in sheet(app)


async def test_whoever_comes_back_under_another_name_is_shown_the_page_and_enters_it_by_one_key(
    make_app: MakeApp,
) -> None:
    source = kit.FakeSource(replace(kit.live_view(), in_charge="ann", operator="ben"))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        app.watch_screen.tick()
        await pilot.pause()
        assert "in charge until now: ann" in sheet(app)
        assert "here now: ben" in sheet(app)
        await pilot.press("enter")
        await pilot.pause()
        app.watch_screen.tick()
        await pilot.press("m")
    handed, mark = posted(source)
    assert (handed["type"], handed["to"], mark["by"]) == ("handover", "ben", "ben")


@pytest.mark.parametrize("in_charge", ["", "ben"])
async def test_who_comes_back_as_before_is_asked_nothing_and_hands_over_to_nobody(
    make_app: MakeApp, in_charge: str
) -> None:
    source = kit.FakeSource(replace(kit.live_view(), in_charge=in_charge, operator="ben"))
    app = make_app(source)
    async with app.run_test(size=SIZE) as pilot:
        app.watch_screen.tick()
        await pilot.pause()
        assert uncovered(app)
        await pilot.press("h", *"ben", "enter")
        await pilot.pause()
    assert [one["type"] for one in posted(source)] == ([] if in_charge else ["handover"])

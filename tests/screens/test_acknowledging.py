"""What is acknowledged has stood where it could be read, for long enough; and whatever can be read can be acknowledged.

A walk over verdicts, headings that stand above them, sizes, and what is opened over the screen looks at what was drawn.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from textual.messages import TerminalSupportsSynchronizedOutput
from textual.pilot import Pilot

from monitor.following.coming.view import OutlookView
from monitor.following.heading.trials import said_of, unseen
from monitor.following.view import LiveView
from monitor.judging.case.trial import Trial
from monitor.screens.app import ASKS, UNANSWERED_S
from monitor.screens.dialogs.sheet import Sheet, SheetBody
from monitor.screens.panel import Panel
from monitor.screens.watch.app import WatchApp
from monitor.screens.watch.reading import READ_S
from tests.clocks import HandClock
from tests.screens import conftest as kit
from tests.screens.conftest import MakeApp, posted

SIZES = ((120, 36), (80, 24), (80, 21), (60, 20), (200, 60), (50, 30))
STEPS = 150


def in_sight(app: WatchApp) -> str:
    """The rows of the heading that nothing covers, as they were drawn last."""
    slab = app.watch_screen.query_one("#slab", Panel)
    if slab.canvas is None or not slab.display:
        return ""
    least = slab.region.bottom
    for above in app.screen_stack[1:]:
        if not isinstance(above, Sheet):
            return ""
        least = min(least, above.query_one(SheetBody).region.y)
    return "\n".join(slab.canvas.text().split("\n")[: max(0, least - slab.region.y)])


def is_read(text: str, trial: Trial) -> bool:
    """Whether the heading says which trial it is, or its word as what comes second."""
    return trial.trigger in text or re.search(rf"then {said_of(trial)[1]}(?!:)", text) is not None


class Walk:
    """What can happen to a screen in any order, and how long each verdict has been in sight all in all."""

    def __init__(self, app: WatchApp, pilot: Pilot[Any], clock: HandClock, seed: int) -> None:
        self.app, self._pilot, self._clock, self._random = app, pilot, clock, random.Random(seed)
        assert isinstance(app.source, kit.FakeSource)
        self.source = app.source
        self.stood_s: dict[tuple[str, str], float] = {}
        self.refused = self._fired = 0

    def change(self, **more: Any) -> None:
        self.source.change(**more)

    async def fire(self) -> None:
        self._fired += 1
        verdict = self._random.choice(("valid", "invalid"))
        name = f"gate{self._fired:03d}"
        one = kit.trial(verdict, "fired", id=f"1/{name}/1", trigger=name, fired_at=200.0 + self._fired)
        self.change(trials=(*self.source.shown.trials[-4:], one))

    async def decide(self) -> None:
        verdict = self._random.choice(("valid", "invalid", "undecided"))
        self.change(
            trials=tuple(
                replace(kit.trial(verdict), id=one.id, trigger=one.trigger, fired_at=one.fired_at)
                if one.stage == "fired"
                else one
                for one in self.source.shown.trials
            )
        )

    async def foresee(self) -> None:
        coming = OutlookView("side-gust", self._random.choice((None, 8.0, 40.0)), ())
        self.change(outlook=self._random.choice((None, coming, kit.outlook(seconds=9.0), kit.outlook("LOSING", 8.0))))

    async def stop_or_go(self) -> None:
        stopped = kit.states()["stopped"].stop
        self.change(stop=stopped if self.source.shown.stop is None else None)

    async def contest(self) -> None:
        asked = kit.states()["two rulings"].contested
        self.change(contested=() if self.source.shown.contested else asked)

    async def resize(self) -> None:
        await self._pilot.resize_terminal(*self._random.choice(SIZES))
        await self._pilot.pause()

    async def open_or_close(self) -> None:
        over = len(self.app.screen_stack) > 1
        await self._pilot.press("escape" if over else self._random.choice(("t", "n", "question_mark", "ctrl+p")))
        await self._pilot.pause()

    async def wait(self, passed_s: float | None = None) -> None:
        text, passed_s = in_sight(self.app), passed_s or self._random.choice((0.05, 0.15, 0.3, 0.6))
        self._clock.now += passed_s
        for trial in self.source.shown.trials:
            if is_read(text, trial):
                self.stood_s[said_of(trial)] = self.stood_s.get(said_of(trial), 0.0) + passed_s
        self.app.watch_screen.tick()

    async def acknowledge(self) -> None:
        if len(self.app.screen_stack) > 1:
            return
        text, before = in_sight(self.app), len(posted(self.source))
        await self._pilot.press("a")
        seen = [one for one in posted(self.source)[before:] if one["type"] == "seen"]
        self.refused += not seen
        for one in seen:
            said = one["trial"], one["word"]
            (trial,) = (each for each in self.source.shown.trials if said_of(each) == said)
            assert is_read(text, trial), (said, text)
            assert self.stood_s.get(said, 0.0) >= READ_S - 1e-9, (said, self.stood_s, text)
            self.change(seen=self.source.shown.seen | {said})

    async def come_to_rest(self) -> None:
        """Nothing stands above what waits to be seen."""
        while len(self.app.screen_stack) > 1:
            await self._pilot.press("escape")
            await self._pilot.pause()
        await self._pilot.resize_terminal(*SIZES[0])
        await self._pilot.pause()
        self.change(outlook=None, stop=None, contested=())
        self.app.watch_screen.tick()

    async def step(self) -> None:
        how: tuple[Callable[[], Any], ...] = (self.fire, self.decide, self.foresee, self.stop_or_go, self.contest)
        how += (self.resize, self.open_or_close, *3 * (self.wait,), *4 * (self.acknowledge,))
        await self._random.choice(how)()


@pytest.mark.parametrize("seed", [*range(3), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(3, 12))])
async def test_only_what_could_be_read_is_acknowledged(
    seed: int, make_app: MakeApp, hand_clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = make_app(kit.FakeSource(kit.live_view(outlook=None)))
    monkeypatch.setattr(app.watch_screen, "beat", lambda: None)  # it is drawn where the walk says so, and never else
    async with app.run_test(size=SIZES[seed % 4]) as pilot:
        walk = Walk(app, pilot, hand_clock, seed)
        for _ in range(STEPS):
            await walk.step()
        assert walk.refused
        await walk.come_to_rest()
        for _ in unseen(walk.source.shown):
            await walk.wait(READ_S)
            await walk.acknowledge()
        assert not unseen(walk.source.shown)


def two(first: str, second: str, **more: Any) -> LiveView:
    """A view in which the first trial was seen and waits for a ruling."""
    one = kit.trial(first)
    other = kit.trial(second, id="1/side-gust/1", trigger="side-gust", fired_at=240.0)
    return kit.after_fire(one, **{"trials": (one, other), "seen": frozenset({said_of(one)}), **more})


async def test_a_trial_of_which_it_is_only_counted_that_it_waits_is_not_acknowledged(
    make_app: MakeApp, hand_clock: HandClock
) -> None:
    """So shortly before the next trigger verdicts give way, and a trial that waits for a ruling heads the screen."""
    source = kit.FakeSource(two("undecided", "invalid", outlook=OutlookView("gate-brake", 9.0, ())))
    app = make_app(source)
    async with app.run_test(size=(120, 36)) as pilot:
        app.watch_screen.tick()
        assert "side-gust" not in in_sight(app)
        hand_clock.now += READ_S
        await pilot.press("a")
        assert posted(source) == []
        source.change(outlook=None)
        app.watch_screen.tick()
        hand_clock.now += READ_S
        await pilot.press("a")
    assert [one["trial"] for one in posted(source)] == ["1/side-gust/1"]


async def test_a_verdict_whose_heading_comes_and_goes_can_be_acknowledged(
    make_app: MakeApp, hand_clock: HandClock
) -> None:
    lost = replace(kit.states()["invalid"], outlook=None)
    over = replace(lost, stop=kit.states()["stopped"].stop, unattended="Nobody writes.")
    source = kit.FakeSource(lost)
    app = make_app(source)
    async with app.run_test(size=(120, 36)) as pilot:
        for turn in range(6):
            source.shown = replace(over if turn % 2 else lost, revision=2 + turn)
            app.watch_screen.tick()
            assert ("gate-brake" in in_sight(app)) == (turn % 2 == 0)
            hand_clock.now += READ_S / 2.5
        source.shown = replace(lost, revision=20)
        app.watch_screen.tick()
        await pilot.press("a")
    assert [one["type"] for one in posted(source)] == ["seen"]


async def test_a_verdict_whose_line_gave_way_to_a_long_sentence_is_not_acknowledged(
    make_app: MakeApp, hand_clock: HandClock
) -> None:
    source = kit.FakeSource(kit.states()["stopped"])
    app = make_app(source)
    async with app.run_test(size=(60, 20)) as pilot:
        assert "INVALID" not in in_sight(app)
        hand_clock.now += READ_S
        await pilot.press("a")
        assert posted(source) == []
        await pilot.resize_terminal(80, 24)
        await pilot.pause()
        assert "then INVALID" in in_sight(app)
        hand_clock.now += READ_S
        await pilot.press("a")
    assert [one["type"] for one in posted(source)] == ["seen"]


@pytest.mark.parametrize("how", [("t", "escape"), ("ctrl+p", "escape"), ("n", "escape"), (50, 10)])
async def test_a_verdict_that_came_under_something_else_is_read_first(
    how: tuple[Any, Any], make_app: MakeApp, hand_clock: HandClock
) -> None:
    """The card at 22 rows, the list of commands, and a terminal that is too small hide the heading; a note does not."""
    source = kit.FakeSource(kit.after_fire(kit.trial("valid", stage="fired")))
    app = make_app(source)
    async with app.run_test(size=(80, 22)) as pilot:
        small = isinstance(how[0], int)
        await (pilot.resize_terminal(*how) if small else pilot.press(how[0]))
        await pilot.pause()
        source.shown = replace(kit.states()["invalid"], revision=9)
        app.watch_screen.tick()
        hand_clock.now += 5.0
        app.watch_screen.tick()
        await (pilot.resize_terminal(80, 22) if small else pilot.press(how[1]))
        await pilot.pause()
        assert len(app.screen_stack) == 1
        await pilot.press("a")
        assert [one["type"] for one in posted(source)] == (["seen"] if how[0] == "n" else [])
        hand_clock.now += READ_S
        await pilot.press("a")
    assert [one["type"] for one in posted(source)] == ["seen"]


async def until(pilot: Pilot[Any], condition: Callable[[], object]) -> None:
    for _ in range(500):
        if condition():
            return
        await pilot.pause(0.01)
    raise AssertionError("it did not come")


async def test_a_verdict_that_the_terminal_has_not_taken_yet_is_not_acknowledged(
    make_app: MakeApp, hand_clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over a slow link a key comes long before the picture: a terminal that answers is asked whether it is there."""
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    written: list[str] = []
    async with app.run_test(size=(120, 36)) as pilot:
        app.post_message(TerminalSupportsSynchronizedOutput())
        await until(pilot, lambda: app.answers)
        assert app._driver is not None
        monkeypatch.setattr(app._driver, "write", written.append)
        source.shown = replace(kit.states()["invalid"], revision=2)
        app.watch_screen.tick()
        await until(pilot, lambda: ASKS in written)
        hand_clock.now += 5.0
        await pilot.press("a")
        now = app.watch_screen.query_one("#now", Panel).canvas
        assert now is not None
        assert "INVALID has only just come" in now.text()
        assert posted(source) == []
        app.post_message(TerminalSupportsSynchronizedOutput())
        await pilot.pause()
        await pilot.press("a")
        assert posted(source) == [], "it is there only now"
        hand_clock.now += READ_S
        await pilot.press("a")
    assert [one["type"] for one in posted(source)] == ["seen"]


async def test_a_terminal_that_answers_no_more_is_believed_again(
    make_app: MakeApp, hand_clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.screens.app.UNANSWERED_S", 0.05)
    source = kit.FakeSource(kit.live_view())
    app = make_app(source)
    async with app.run_test(size=(120, 36)) as pilot:
        app.post_message(TerminalSupportsSynchronizedOutput())
        await until(pilot, lambda: app.answers)
        source.shown = replace(kit.states()["invalid"], revision=2)
        app.watch_screen.tick()
        await until(pilot, lambda: not app.answers)
        hand_clock.now += READ_S
        await pilot.press("a")
    assert [one["type"] for one in posted(source)] == ["seen"]


async def test_an_answer_that_is_lost_is_not_missed_by_every_later_verdict(
    make_app: MakeApp, hand_clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a heading that comes and goes: each answer would be taken for the one to the question before."""
    lost = replace(kit.states()["invalid"], outlook=None)
    over = replace(lost, stop=kit.states()["stopped"].stop, unattended="Nobody writes.")
    source = kit.FakeSource(over)
    app = make_app(source)
    asked: list[float] = []
    given_up: list[tuple[float, Callable[[], None]]] = []

    def write(text: str) -> None:
        if text == ASKS:
            asked.append(hand_clock.now)
            if len(asked) > 1:
                app.post_message(TerminalSupportsSynchronizedOutput())

    def set_timer(delay: float, callback: Callable[[], None]) -> None:
        assert delay == UNANSWERED_S
        given_up.append((hand_clock.now + delay, callback))

    async with app.run_test(size=(120, 36)) as pilot:
        app.post_message(TerminalSupportsSynchronizedOutput())
        await until(pilot, lambda: app.answers)
        assert app._driver is not None
        monkeypatch.setattr(app._driver, "write", write)
        monkeypatch.setattr(app, "set_timer", set_timer)
        began = hand_clock.now
        for turn in range(12):
            source.shown = replace(over if turn % 2 else lost, revision=2 + turn)
            app.watch_screen.tick()
            await pilot.pause()
            await pilot.pause()
            hand_clock.now += 6.0
            for one in [one for one in given_up if one[0] <= hand_clock.now]:
                given_up.remove(one)
                one[1]()
            hand_clock.now += READ_S
            if turn % 2 == 0:
                await pilot.press("a")
            if posted(source):
                break
    assert [one["type"] for one in posted(source)] == ["seen"]
    assert hand_clock.now - began <= UNANSWERED_S + 2 * (6.0 + READ_S)

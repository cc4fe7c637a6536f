"""The drawing half of the watch screen: takes the newest view on a timer, draws it on panels, posts entries."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

from textual.app import ComposeResult
from textual.geometry import Region
from textual.screen import Screen

from monitor.errors import WitnessError
from monitor.following.day import without_trials
from monitor.following.heading.trials import said_of, speaks
from monitor.following.view import LiveView
from monitor.judging.case.trial import Trial
from monitor.screens.app import TerminalApp
from monitor.screens.drawing.canvas import Canvas, clean, wrap
from monitor.screens.drawing.layout import LEAST_HEIGHT, LEAST_WIDTH, NUMBER_PANELS, arrange
from monitor.screens.drawing.marks import Tone
from monitor.screens.drawing.picture import Picture
from monitor.screens.messages import Moment
from monitor.screens.panel import Panel
from monitor.screens.panels.footing import draw_keys, draw_now, draw_transport
from monitor.screens.panels.health import draw_health
from monitor.screens.panels.numbers import draw_lesser, draw_number
from monitor.screens.panels.outlook import draw_outlook
from monitor.screens.panels.road import draw_road
from monitor.screens.panels.side import draw_side
from monitor.screens.panels.slab import draw_slab
from monitor.screens.panels.slow import draw_slow
from monitor.screens.panels.timeline import draw_timeline
from monitor.screens.panels.whole import draw_whole
from monitor.screens.provider import TransportProvider, ViewProvider, WakingProvider
from monitor.screens.watch.pace import Pace
from monitor.screens.watch.reading import Reading, Said, Showing, to_be_seen

MESSAGE_S = 8.0
SAVING_S = 0.25
"""A view this young may be older than the entry: it cannot say yet that the entry is on disk."""


class Shown:
    """Which verdicts a screen has shown already. What the operator acknowledged is in the record, and in the view."""

    def __init__(self) -> None:
        self._shown: set[tuple[str, str]] = set()

    def take(self, trials: Iterable[Trial]) -> list[Trial]:
        """Trials that say something for the first time. A trial that is gone (a replay went back) is forgotten."""
        speaking = {said_of(trial): trial for trial in trials if speaks(trial)}
        here = {trial for trial, _ in speaking}
        self._shown = {one for one in self._shown if one[0] in here}
        fresh = [trial for said, trial in speaking.items() if said not in self._shown]
        self._shown.update(said_of(trial) for trial in fresh)
        return fresh


class Clocks(NamedTuple):
    """The clocks of a screen, in s: the steady one, by which it draws, and the time of day, which entries have."""

    steady: Callable[[], float] = time.monotonic
    wall: Callable[[], float] = time.time


def draw_too_small(picture: Picture, width: int, height: int) -> Canvas:
    """What is left of the screen in a terminal that is too small: the state line stays above it."""
    canvas = Canvas(width, height)
    said = f"Too small: {LEAST_WIDTH} × {LEAST_HEIGHT} at least. Recording goes on; no key acts but q."
    for y, line in enumerate(wrap(said, width, height)):
        canvas.put(0, y, line, "strong")
    return canvas


DrawPanel = Callable[[Picture, int, int], Canvas]

PANELS: dict[str, DrawPanel] = {
    "health": draw_health,
    "slab": draw_slab,
    **{name: partial(draw_number, place=place) for place, name in enumerate(NUMBER_PANELS)},
    "lesser": draw_lesser,
    "outlook": draw_outlook,
    "road": draw_road,
    "slow": draw_slow,
    "whole": draw_whole,
    "side": draw_side,
    "now": draw_now,
    "timeline": draw_timeline,
    "transport": draw_transport,
    "keys": draw_keys,
    "small": draw_too_small,
}

FIRST_PANELS = ("slab", "now")
"""What says a verdict."""

NEVER_HELD = ("health", "slab", "now")
"""What is of this moment also while the rest of the picture is held: a heading that is old is worse than none."""

SELDOM_S = {"road": 0.35, "lesser": 0.35, "slow": 2.0, "whole": 2.0}
"""Panels with many bytes or little hurry are drawn this seldom, unless something pressing changed."""


def _call_in(loop: asyncio.AbstractEventLoop, what: Callable[[], None]) -> None:
    """Calls it in the loop's thread; a loop that is closed takes nothing any more."""
    with suppress(RuntimeError):
        loop.call_soon_threadsafe(what)


class LiveScreen(Screen[None]):
    """All panels, and the screen's own state (what it has shown, what is held, what the last key did)."""

    DEFAULT_CSS = """
    LiveScreen {
        overflow: hidden;
    }
    """

    def __init__(
        self,
        source: ViewProvider,
        *,
        read_only: bool,
        replay: bool,
        clocks: Clocks,
        pictures: Path | None = None,
    ) -> None:
        super().__init__()
        self.source = source
        self.read_only = read_only
        self.transport: TransportProvider | None = source if replay and isinstance(source, TransportProvider) else None
        self.replay = replay
        self.wall = clocks.wall
        self.pictures = pictures
        self.pace = Pace(clocks.steady)
        self.shown = Shown()
        self.acknowledged: frozenset[tuple[str, str]] = frozenset()
        """Trials and words that were acknowledged here, until the view says so."""
        self.in_charge = ""
        """Who enters from here on, where the place was handed over on this screen; else who started it."""
        self.frozen: tuple[LiveView, float] | None = None
        self.latest = source.view()
        self._clock = clocks.steady
        self._message: tuple[str, Tone, float] = ("", "plain", 0.0)
        self._saving: tuple[str, int, float] | None = None
        self._drawn: Picture | None = None
        self.reading = Reading(clocks.steady)
        self._slab: Region | None = None
        self._slow_used = 0
        self._panels: tuple[Panel, ...] = ()
        self.is_too_small = False
        """Whether nothing but the state line can be seen: then no key acts but the one that leaves."""

    def drawn_by(self) -> dict[str, DrawPanel]:
        """What draws each panel; a replay draws some of them otherwise."""
        return PANELS

    def compose(self) -> ComposeResult:
        """The panels, all placed by `arrange`."""
        self._panels = tuple(Panel(draw, name, SELDOM_S.get(name, 0.0)) for name, draw in self.drawn_by().items())
        yield from self._panels

    def on_mount(self) -> None:
        """Places the panels and starts the timer."""
        self.place()
        self.shown.take(self.latest.trials)  # what it finds when it opens was shown by an earlier screen
        self.set_interval(self.pace.tick_s, self.beat, name="view")
        if isinstance(self.source, WakingProvider):
            loop = asyncio.get_running_loop()
            self.source.when_turned(lambda: _call_in(loop, self.tick_at_once))
        self.tick()

    def on_resize(self) -> None:
        """Places the panels for the new size."""
        self.place()
        self.draw()

    def panels(self) -> Iterator[Panel]:
        """All panels, the heading among the first."""
        return iter(self._panels)

    def place(self) -> None:
        """Puts every panel where `arrange` says."""
        size = self.size
        self._slow_used = self.latest.slow_used
        layout = arrange(size.width, size.height, replay=self.replay, slow_used=self._slow_used)
        self.is_too_small = layout.kind == "too small"
        self._slab = layout.regions.get("slab")
        for panel in self.panels():
            panel.place(layout.regions.get(panel.id or ""))

    def beat(self) -> None:
        """What the timer does: notices a terminal that is slow, and ticks."""
        calm_before = self.pace.calm
        self.pace.measure()
        if self.pace.calm and not calm_before:
            self.say("Slow link: calm mode is on, z lifts it", "wait")
        self.tick()

    def tick(self) -> None:
        """Takes the newest view; draws it when it is time, or at once where something pressing changed."""
        fresh = self._take_view()
        if self.pace.due(self.latest, at_once=fresh):
            self.draw(at_once=self.pace.at_once)

    def tick_at_once(self) -> None:
        """Between two beats, for a verdict: the heading goes to the terminal first, all else with the next beat."""
        if self.is_running and self._take_view():
            masking = self._drawn is None or self._drawn.view.masked != self.latest.masked
            self.draw(only=None if masking else FIRST_PANELS)

    def _take_view(self) -> bool:
        """Takes the newest view; whether there is a verdict in it that was not shown before."""
        self.latest = view = self.source.view()
        if view.slow_used != self._slow_used:
            self.place()
        fresh = self.shown.take(view.trials)
        for trial in fresh:
            self._enter_as_shown(trial)
        if fresh and self.frozen is not None:
            self.frozen = None
            self.say("A new verdict lifted the held view")
        return bool(fresh)

    def draw(self, *, at_once: bool = True, only: tuple[str, ...] | None = None) -> None:
        """Draws all panels, or some. Heading, state line and what now are of now, also while the view is held."""
        now_picture = self.picture(self.latest)
        picture = now_picture
        if self.frozen is not None:
            view, since = self.frozen
            picture = replace(now_picture, view=view, frozen_for_s=self._clock() - since)
        # what the feed's silence takes away, or gives back, goes everywhere at once
        at_once = at_once or self._drawn is None or self._drawn.old != picture.old
        self._drawn = picture
        now_s = self._clock()
        fresh = self.reading.shows(self.to_be_seen(now_picture))
        for panel in self.panels():
            if only is None or panel.id in only:
                panel.show(now_picture if panel.id in NEVER_HELD else picture, now_s, at_once=at_once)
        if fresh is not None:
            self._begin_when_taken(fresh)

    def _begin_when_taken(self, showing: Showing) -> None:
        begin = partial(self.reading.begin, showing)
        if isinstance(self.app, TerminalApp) and self.app.answers:
            self.call_after_refresh(self.app.when_taken, begin)  # what is drawn is written with the next refresh
        else:
            begin()

    def picture(self, view: LiveView) -> Picture:
        """The picture for a view: with what was acknowledged here, the mode, and what the last key did."""
        text, tone = self._current_message(view)
        self.acknowledged -= view.seen
        if self.hides_trials:
            view = without_trials(view)
        return Picture(
            view=replace(view, seen=view.seen | self.acknowledged) if self.acknowledged else view,
            still_for_s=None if self.replay else self.pace.still_for(view),
            calm=self.pace.calm,
            read_only=self.read_only,
            transport=self.transport.transport() if self.transport else None,
            message=text,
            message_tone=tone,
        )

    def to_be_seen(self, picture: Picture) -> Said | None:
        """The verdict of this picture that can be read, and that nobody has acknowledged."""
        stack = self.app.screen_stack
        return to_be_seen(picture, self._slab, stack[stack.index(self) + 1 :] if self in stack else ())

    def repaint(self) -> None:
        """Repaints all in the colours that are now in use."""
        for panel in self.panels():
            panel.refresh()

    def say(self, text: str, tone: Tone = "plain") -> None:
        """Shows for some seconds what a key did."""
        self._message = (text, tone, self._clock())

    def told(self, text: str, *, went_wrong: bool = False) -> None:
        """Shows at once what the app did for a key."""
        self.say(text, "bad" if went_wrong else "plain")
        self.draw()

    @property
    def hides_trials(self) -> bool:
        """Whether nothing of a trial is shown now."""
        return False

    @property
    def folder(self) -> Path:
        """Where pictures and tables go."""
        return self.pictures or Path.cwd()

    def _current_message(self, view: LiveView) -> tuple[str, Tone]:
        if self._saving is not None:
            said, revision, since = self._saving
            if view.recorder.unsaved or view.revision == revision or self._clock() - since < SAVING_S:
                return f"{said}: saving", "wait"
            self.say(f"{said}: on disk")
            self._saving = None
        text, tone, since = self._message
        if text and self._clock() - since < MESSAGE_S:
            return text, tone
        if self.frozen is not None:
            return (
                f"HELD: what stands below the heading is {self._clock() - self.frozen[1]:.0f} s old; f lets go",
                "wait",
            )
        return "", "plain"

    def moment(self) -> Moment:
        """This moment, from a view taken now and not at the last tick."""
        view = self.source.view()
        return Moment(view.drive, view.t, self.wall())

    def enter(self, said: str, fields: dict[str, Any], moment: Moment) -> bool:
        """Posts an operator's entry and says so; False where it was not taken, which is said, too."""
        if self.read_only:
            return False
        try:
            by = {"by": self.in_charge} if self.in_charge else {}
            self.source.post({**by, **fields, "drive": moment.drive, "at": moment.at, "wall": moment.wall})
        except WitnessError as error:
            self.say(f"Not entered: {clean(str(error))}", "bad")
            self.draw()
            return False
        self._saving = (said, self.latest.revision, self._clock())
        self.latest = self.source.view()
        self.draw()
        return True

    def _enter_as_shown(self, trial: Trial) -> None:
        """What the operator was shown, and when, is evidence; only the writing screen enters it."""
        if self.read_only or self.replay:
            return
        moment = self.moment()
        fields = {"type": "shown", "trial": trial.id, "verdict": trial.verdict, "stage": trial.stage}
        try:
            self.source.post({**fields, "drive": moment.drive, "at": moment.at, "wall": moment.wall})
        except WitnessError as error:
            self.say(f"Not entered that it was shown: {clean(str(error))}", "bad")

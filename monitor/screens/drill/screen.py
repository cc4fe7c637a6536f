"""The true watch screen over a drive of the exercise, with two keys more: hold the trigger back, and the next drive."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Protocol

from textual.binding import Binding

from monitor.commissioning.drill.attempt import HELD_BACK, Attempt
from monitor.following.view import LiveView
from monitor.screens.drawing.canvas import Canvas
from monitor.screens.drawing.picture import Picture
from monitor.screens.keymap import Key, keys_for
from monitor.screens.provider import ViewProvider
from monitor.screens.watch.app import WatchApp
from monitor.screens.watch.drawn_screen import PANELS, Clocks, DrawPanel
from monitor.screens.watch.running import show
from monitor.screens.watch.screen import WatchScreen

DRILL_KEYS: tuple[Key, ...] = (
    Key("x", "x", "hold_back", "HOLD BACK", "Ask the simulator's desk to hold the trigger back"),
    Key("w", "w", "next_drive", "next drive", "The next drive of the exercise, once this one has ended"),
)

NOT_SHOWN = ("end_run", "close_out", "emergency", "video_mark")
"""Bound as ever; an exercise does not ask for them."""


def draw_drill_keys(picture: Picture, width: int, height: int) -> Canvas:
    """The exercise's keys, then the watch screen's, in as many rows as there are."""
    canvas = Canvas(width, height)
    known = [key for key in keys_for(read_only=False, replay=False) if key.action not in NOT_SHOWN]
    x, y = 1, 0
    for key in (*DRILL_KEYS, *known):
        if x + len(key.shown) + 1 + len(key.word) > width:
            x, y = 1, y + 1
        if y >= height:
            break
        x = canvas.put(x, y, key.shown, "key")
        x = canvas.put(x, y, f" {key.word}", "strong" if key in DRILL_KEYS else "dim") + (2 if width >= 110 else 1)
    return canvas


class ExerciseProvider(ViewProvider, Protocol):
    """A source that keeps what was shown and entered of its drive."""

    attempt: Attempt

    @property
    def is_over(self) -> bool:
        """Whether the exercise must end now, because a run began here."""
        ...


class DrillScreen(WatchScreen):
    """A watch screen whose run is an exercise."""

    BINDINGS = [  # noqa: RUF012 (Textual's own way)
        Binding(key.key, key.action, key.word, show=False, priority=True) for key in DRILL_KEYS
    ]

    def __init__(self, source: ExerciseProvider, clocks: Clocks) -> None:
        super().__init__(source, read_only=False, replay=False, clocks=clocks)
        self.exercise = source
        self.goes_on = False
        """Whether the next drive was asked for."""
        self._gave_way = False

    def tick(self) -> None:
        """The watch screen's; the exercise gives way at once to a run that begins here."""
        super().tick()
        if self.exercise.is_over and self.is_running and not self._gave_way:
            self._gave_way = True
            self.app.exit(0)

    def drawn_by(self) -> dict[str, DrawPanel]:
        """The watch screen's panels, with the exercise's keys."""
        return {**PANELS, "keys": draw_drill_keys}

    def picture(self, view: LiveView) -> Picture:
        """The watch screen's; where no key has anything to say, what the exercise asks for now."""
        picture = super().picture(view)
        return picture if picture.message else replace(picture, message=self._asks(view))

    def _asks(self, view: LiveView) -> str:
        attempt = self.exercise.attempt
        if view.feed.state == "ended":
            waits = "r rules on what fired, then " if attempt.unruled else ""
            return f"EXERCISE: {waits}w begins the next drive"
        if attempt.held_at is not None:
            return "EXERCISE: held back" + ("" if attempt.noted else "; n notes why")
        return "" if attempt.has_fired else f"EXERCISE: x holds {attempt.trigger} back if it is being lost"

    def action_hold_back(self) -> None:
        """The simulator's desk is asked to hold the trigger back; the drive is ended there."""
        attempt = self.exercise.attempt
        if attempt.held_at is not None:
            self.say("it is held back already")
        elif attempt.has_fired:
            self.say("it has fired: nothing is left to hold back")
        else:
            self._mark(HELD_BACK, f"{attempt.trigger} held back")
            return
        self.draw()

    def action_next_drive(self) -> None:
        """The next drive, once this one has ended."""
        if self.latest.feed.state != "ended":
            self.say("this drive is not over; w goes on once it is")
            self.draw()
            return
        self.goes_on = True
        self.app.exit(0)


class DrillApp(WatchApp):
    """The watch app over one drive of an exercise."""

    def __init__(self, source: ExerciseProvider, clocks: Clocks = Clocks()) -> None:  # noqa: B008 - frozen
        super().__init__(source)
        self.watch_screen = self.drill_screen = DrillScreen(source, clocks)


def run_drive(source: ExerciseProvider, at_cut_off: Callable[[], object]) -> tuple[int, bool]:
    """Shows one drive; gives the status, and whether the series goes on. `at_cut_off`: as of `show`."""
    app = DrillApp(source)
    status = show(app, at_cut_off)
    return status, app.drill_screen.goes_on and not source.is_over

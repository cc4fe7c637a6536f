"""The watch screen over a record: with its places on the bar, jumps by kind, and the pages that say why."""

from __future__ import annotations

import math
import re
from pathlib import Path

from textual.binding import Binding

from monitor.errors import WitnessError
from monitor.replay.provider import ReplayProvider
from monitor.replay.seeking.map import PlaceKind
from monitor.replay.series import LONGEST_S, SeriesStretch
from monitor.replay.table import write_table
from monitor.screens.drawing.canvas import Canvas, clean
from monitor.screens.drawing.picture import Picture
from monitor.screens.replay.again import AgainPage
from monitor.screens.replay.bar import draw_bar
from monitor.screens.replay.dialogs import GoToSheet, ReplayHelpSheet
from monitor.screens.replay.keys import REPLAY_KEYS, draw_replay_keys
from monitor.screens.replay.plots import PlotsPage
from monitor.screens.replay.why import Ways, WhyPage
from monitor.screens.watch.drawn_screen import PANELS, Clocks, DrawPanel
from monitor.screens.watch.moving import STEPS
from monitor.screens.watch.screen import WatchScreen

KINDS: tuple[PlaceKind, ...] = ("trigger", "note", "loss", "finding", "drive")


class ReplayScreen(WatchScreen):
    """A watch screen whose source is a record."""

    steps = (*(one for one in STEPS if one not in KINDS), *KINDS)

    BINDINGS = [Binding(key.key, key.action, key.word, show=False) for key in REPLAY_KEYS]  # noqa: RUF012 (Textual's own way)

    def __init__(self, source: ReplayProvider, *, clocks: Clocks, pictures: Path | None) -> None:
        super().__init__(source, read_only=False, replay=True, clocks=clocks, pictures=pictures)
        self.moving = source
        self._exporting: tuple[int, float] | None = None

    def drawn_by(self) -> dict[str, DrawPanel]:
        """The watch screen's panels, with the bar and the keys of a replay."""
        return {**PANELS, "transport": self._draw_bar, "keys": self._draw_keys}

    def _draw_bar(self, picture: Picture, width: int, height: int) -> Canvas:
        return draw_bar(picture, width, height, self.moving.places(), self.moving.looping)

    def _draw_keys(self, picture: Picture, width: int, height: int) -> Canvas:
        return draw_replay_keys(picture, width, height, self.step)

    def tick(self) -> None:
        """The watch screen's, and an export that waits for its numbers."""
        super().tick()
        if self._exporting is not None:
            self._export(*self._exporting)

    def move_to_place(self, direction: int) -> None:
        """To just before the next place, or the one before, of the chosen kind."""
        kind = next(one for one in KINDS if one == self.step)
        place = self.moving.jump(direction, kind)
        if place is None:
            where = "after" if direction > 0 else "before"
            reading = self.moving.transport().sentence  # what has not been read so far may hold one
            self.say(f"no {kind} {where} here" + (f" yet: {reading}" if reading and direction > 0 else ""))
        else:
            self.say(f"{place.kind}: {clean(place.label)}")

    def action_go_to(self) -> None:
        """Asks for a time and goes there."""

        def answered(text: str | None) -> None:
            if text is None:
                return
            at_s = self.at_s_of(text)
            if at_s is None:
                self.say(f"no time: {clean(text)}", "bad")
                self.draw()
                return
            self.moving.seek(at_s)
            self._moved()

        self.app.push_screen(GoToSheet(), answered)

    def at_s_of(self, text: str) -> float | None:
        """A time as it is typed, in seconds of the record: of the drive, or of the record after "@"."""
        of_record = text.startswith("@")
        seconds = parse_clock(text.removeprefix("@"))
        if seconds is None or of_record or self.latest.drive is None:
            return seconds
        return self.moving.at_s_of(self.latest.drive, seconds)

    def go(self, drive: int, t: float) -> None:
        """Goes to a time of a drive and pauses there."""
        self.moving.pause()
        self.moving.seek(self.moving.at_s_of(drive, t))
        self._moved()

    def plot(self, drive: int, t: float) -> None:
        """Plots about a time of a drive."""
        self.app.push_screen(PlotsPage(self.moving, self.folder, drive, t, go=self.go))

    def action_why(self) -> None:
        """Why the trial nearest to here came out so. Every trial of the record can be looked at."""
        trials = self.moving.trials()
        if not trials:
            self.say("no trial in this record" if self.moving.map.done else "the record is still being read")
            self.draw()
            return
        here = (self.latest.drive or 1, self.latest.t or 0.0)
        times = [trial.fired_at if trial.fired_at is not None else trial.timing.expected_at for trial in trials]
        apart = [
            (trial.drive != here[0], math.inf if t is None else abs(t - here[1]))
            for trial, t in zip(trials, times, strict=True)
        ]
        at = apart.index(min(apart))
        ids = [trial.id for trial in trials]
        self.app.push_screen(WhyPage(self.moving, self.folder, ids, at, Ways(self.go, self.plot)))

    def action_plots(self) -> None:
        """Plots about this instant."""
        if self.latest.drive is None or self.latest.t is None:
            self.say("no frame here yet")
            self.draw()
            return
        self.plot(self.latest.drive, self.latest.t)

    def action_again(self) -> None:
        """Judging again."""
        self.app.push_screen(AgainPage(self.moving, self.folder, self.moving.trials()))

    def action_table(self) -> None:
        """Exports the last 60 s before here."""
        if self.latest.drive is None or self.latest.t is None:
            self.say("no frame here yet")
            self.draw()
            return
        self._export(self.latest.drive, self.latest.t)

    def _export(self, drive: int, t: float) -> None:
        answer = self.moving.series(drive, round(max(t - LONGEST_S, 0.0), 3), round(t, 3))
        if isinstance(answer.value, SeriesStretch):
            self._exporting = None
            folder = self.folder
            try:
                self.say(f"table: {write_table(folder, answer.value)}")
            except WitnessError as error:
                self.say(clean(str(error)), "bad")
        elif answer.trouble:
            self._exporting = None
            self.say(clean(answer.trouble), "bad")
        else:
            self._exporting = (drive, t)
            self.say("table: reading …")
        self.draw()

    def action_help(self) -> None:
        """Keys of the replay, then those of the watch screen."""
        self.app.push_screen(ReplayHelpSheet(self.say_more))

    def say_more(self) -> None:
        """The watch screen's own help."""
        super().action_help()


def parse_clock(text: str) -> float | None:
    """Seconds of "83.4", "1:23.4" or "1:02:03.4"; None for anything else."""
    if re.fullmatch(r"(?:(?:\d{1,3}:)?\d{1,3}:)?\d{1,6}(?:\.\d{1,6})?", text.strip()) is None:
        return None
    seconds = 0.0
    for part in text.strip().split(":"):
        seconds = seconds * 60.0 + float(part)
    return seconds

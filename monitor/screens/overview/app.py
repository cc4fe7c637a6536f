"""The app about the overview. It opens no socket: what it shows is asked for twice a second, and may be old."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from textual import events
from textual.app import ComposeResult
from textual.screen import Screen

from monitor.following.overview.listening import LOOK_EVERY_S, Overseen
from monitor.following.overview.row import RunRow
from monitor.following.status_stream import VALID_FOR_S
from monitor.screens.app import TerminalApp
from monitor.screens.drawing.canvas import Canvas
from monitor.screens.messages import ColoursAsked, PictureAsked
from monitor.screens.mouse import RowClicked
from monitor.screens.overview.drawing import (
    LEAST_HEIGHT,
    LEAST_WIDTH,
    OverviewPicture,
    draw_overview,
    first_shown,
    rows_each,
)
from monitor.screens.panel import Drawn
from monitor.screens.watch.running import show

MESSAGE_S = 8.0


@dataclass(frozen=True, slots=True)
class Attach:
    """The run that was chosen, and whether the screen on it writes."""

    record: Path
    writes: bool


class OverviewBody(Drawn):
    """The whole screen as one canvas."""

    DEFAULT_CSS = """
    OverviewBody { width: 100%; height: 100%; }
    """


class OverviewScreen(Screen[None]):
    """Chooses a run; judges and enters nothing."""

    DEFAULT_CSS = """
    OverviewScreen { overflow: hidden; }
    """

    def __init__(
        self,
        seen: Callable[[], Overseen],
        leave: Callable[[Attach | None], None],
        folder: Path,
        time_of_day: Callable[[], str],
    ) -> None:
        super().__init__()
        self.chosen = 0
        self._seen, self._leave, self._folder, self._time_of_day = seen, leave, folder, time_of_day
        self._message, self._said_at = "", float("-inf")

    def compose(self) -> ComposeResult:
        """The body."""
        yield OverviewBody()

    def on_mount(self) -> None:
        """Draws, and goes on drawing."""
        self.set_interval(LOOK_EVERY_S, self.redraw)
        self.redraw()

    def on_resize(self) -> None:
        """Draws for the new size."""
        self.redraw()

    def redraw(self) -> None:
        """Draws what is known now and repaints what changed."""
        self.query_one(OverviewBody).put_up(self.drawn())

    def drawn(self) -> Canvas:
        """The screen as it is now."""
        return draw_overview(self.picture(), self.size.width, self.size.height)

    def picture(self) -> OverviewPicture:
        """What is known now."""
        seen = self._seen()
        age_s = time.monotonic() - seen.at
        self.chosen = max(0, min(self.chosen, len(seen.places) - 1))
        return OverviewPicture(
            places=seen.places,
            chosen=self.chosen,
            now=self._time_of_day(),
            age_s=age_s if age_s > VALID_FOR_S else None,
            trouble=seen.trouble,
            old=seen.old,
            exercises=seen.exercises,
            message=self._message if time.monotonic() - self._said_at < MESSAGE_S else "",
        )

    def told(self, text: str, *, went_wrong: bool = False) -> None:
        """Shows for some seconds what a key did."""
        self.keep(text)
        self.redraw()

    def keep(self, text: str) -> None:
        """What stands at the foot for some seconds."""
        self._message, self._said_at = text, time.monotonic()

    def on_row_clicked(self, event: RowClicked) -> None:
        """A click on a run chooses it."""
        places = len(self._seen().places)
        first, room = first_shown(self.size.height, places, self.chosen)
        place = (event.y - 1) // rows_each(self.size.height, places)
        if 0 <= place < min(room, places - first):
            self.chosen = first + place
            self.redraw()

    def on_key(self, event: events.Key) -> None:
        """The keys at the foot of the screen; digits choose, too."""
        event.stop()
        too_small = self.size.width < LEAST_WIDTH or self.size.height < LEAST_HEIGHT
        if event.key in ("q", "escape"):
            self._leave(None)
        elif too_small:
            return
        elif event.key in ("up", "down"):
            self.chosen += 1 if event.key == "down" else -1
        elif event.character is not None and event.character in "123456789":
            self.chosen = int(event.character) - 1
        elif event.key in ("enter", "w"):
            self._ask_for(writes=event.key == "w")
        elif event.key == "d":
            self.post_message(ColoursAsked())
        elif event.key == "p":
            self.post_message(PictureAsked(self._folder))
        self.redraw()

    def _ask_for(self, *, writes: bool) -> None:
        places = self.picture().known
        run: RunRow | None = places[self.chosen] if self.chosen < len(places) else None
        if run is None:
            self.told("there is no run in this place")
        elif writes and not run.may_write:
            self.told(f"{run.by or 'somebody'} writes on this run; Enter looks on")
        elif not writes and not run.is_recorded:
            self.told("nothing is recorded there; w brings the recorder back and watches")
        else:
            self._leave(Attach(run.record, writes))


class OverviewApp(TerminalApp):
    """The overview; `attach` is what was chosen when it ended with 0, None where it was left."""

    def __init__(
        self,
        seen: Callable[[], Overseen],
        pictures: Path | None = None,
        time_of_day: Callable[[], str] = lambda: time.strftime("%H:%M:%S"),
    ) -> None:
        super().__init__()
        self.attach: Attach | None = None
        self.overview_screen = OverviewScreen(seen, self._end, pictures or Path.cwd(), time_of_day)

    def get_default_screen(self) -> OverviewScreen:
        """The only screen."""
        return self.overview_screen

    def repaint(self) -> None:
        """Repaints all in the colours that are now in use."""
        self.overview_screen.query_one(OverviewBody).refresh()

    def _end(self, attach: Attach | None) -> None:
        self.attach = attach
        self.exit(0)


def run_overview(seen: Callable[[], Overseen], chosen: int = 0, message: str = "") -> tuple[int, Attach | None, int]:
    """Shows the overview until it is left or a run is chosen: the status, that run, and its place for the next time."""
    app = OverviewApp(seen)
    app.overview_screen.chosen = chosen
    app.overview_screen.keep(message)
    status = show(app)
    return status, app.attach, app.overview_screen.chosen

"""What every app of a terminal shares: colours, pictures of the screen, no sound, an end from a signal's handler."""

from __future__ import annotations

import asyncio
import shutil
import signal
from collections.abc import Callable, Sequence
from functools import partial

from textual import events
from textual.app import App
from textual.binding import Binding
from textual.css.query import NoMatches
from textual.dom import NoScreen
from textual.filter import LineFilter, Monochrome, NoColor
from textual.geometry import Size

from monitor.screens.drawing.marks import THEMES
from monitor.screens.drawing.svg import placed
from monitor.screens.messages import PictureAsked, Told

SIZE_EVERY_S = 0.5
"""How often it is looked whether the terminal has another size than the picture."""

ASKS = "\x1b[?2026$p"
"""Asks a terminal whether it can hold back a picture until that is whole (DECRQM of mode 2026)."""

UNANSWERED_S = 30.0
"""A terminal that has answered before, and has not for so long, is asked no more."""

THEME_NAMES = tuple(theme.name for theme in THEMES)


class TerminalApp(App[int]):
    """Its return value is an exit status."""

    TITLE = "trialwitness"
    CSS = "* { scrollbar-size: 0 0; }"

    BINDINGS = [  # noqa: RUF012 (Textual's own way)
        Binding("ctrl+q", "leave", show=False, priority=True),
        Binding("ctrl+c", "leave", show=False, system=True),
    ]

    def __init__(self) -> None:
        super().__init__()
        self._running_loop: asyncio.AbstractEventLoop | None = None
        self.answers = False
        """Whether the terminal has said what it can do: its next answer tells that it has taken what came before."""
        self._asked: list[Callable[[], None]] = []
        """What waits for the answer to the question that was asked last."""
        self._untaken: list[Callable[[], None]] = []
        """What came since: it is asked for when that one is answered."""
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = "sixteen" if self.console.color_system == "standard" else "dark"

    def on_load(self) -> None:
        """Remembers the loop, so that a signal's handler can reach it."""
        self._running_loop = asyncio.get_running_loop()

    def on_mount(self) -> None:
        """Takes over SIGCONT: the driver begins its mode anew, also where nothing ended it (after SIGSTOP). Then two
        threads read the keys, leaving hangs, and the terminal is not given back."""
        driver = self._driver
        begin_again = getattr(driver, "_sigcont_application", None)
        if begin_again is None:
            return

        def go_on(number: int, frame: object) -> None:
            if getattr(driver, "_must_signal_resume", True):
                begin_again()
            elif self._running_loop is not None:
                self._running_loop.call_soon_threadsafe(self.refresh)

        signal.signal(signal.SIGCONT, go_on)
        self.set_interval(SIZE_EVERY_S, self._follow_size)

    def _follow_size(self) -> None:
        """Takes the terminal's size: of two changes in quick succession the toolkit may tell the older one last (the
        handler of the second signal runs inside that of the first), and then the picture would stay as it is.

        A terminal that tells its size itself, in order, is believed: the system may know another one, or none.
        """
        if getattr(self._driver, "_in_band_window_resize", False):
            return
        size = Size(*shutil.get_terminal_size())
        if size != self.size:
            self.post_message(events.Resize(size, size))

    def get_line_filters(self) -> Sequence[LineFilter]:
        """Where no colour is wanted on a terminal of sixteen, the terminal's own colours: the toolkit takes its default
        ones for black, so that what is in sight above a sheet would be black on black."""
        filters = super().get_line_filters()
        if self.theme != "sixteen":
            return filters
        return [NoColor() if isinstance(one, Monochrome) else one for one in filters]

    def when_taken(self, what: Callable[[], None]) -> None:
        """Calls it once the terminal has taken all that was written until now, which over a slow link, or where
        nobody reads, is not when it was written: it is asked something, and answers in its turn."""
        if self._driver is None or not self.answers:
            what()
            return
        self._untaken.append(what)
        if not self._asked:
            self._ask()

    def _ask(self) -> None:
        """One question at a time: of several, where one answer is lost, each later one is taken for the one before."""
        self._asked, self._untaken = self._untaken, []
        if self._asked and self._driver is not None:
            self._driver.write(ASKS)
            self.set_timer(UNANSWERED_S, partial(self._gives_up, self._asked))

    def on_terminal_supports_synchronized_output(self) -> None:
        """The terminal answers. The toolkit asks it as well, when it begins."""
        self.answers = True
        asked, self._asked = self._asked, []
        for what in asked:
            what()
        self._ask()

    def _gives_up(self, asked: list[Callable[[], None]]) -> None:
        """Another terminal may have come in the place of the one that answered."""
        if asked is self._asked:
            self.answers = False
            left, self._asked, self._untaken = [*asked, *self._untaken], [], []
            for what in left:
                what()

    def end_with(self, status: int) -> None:
        """Ends the app from a signal's handler, or raises `SystemExit` where it does not run yet."""
        if self._running_loop is None:
            raise SystemExit(status)
        self._running_loop.call_soon_threadsafe(partial(self.exit, status))

    def _handle_exception(self, error: Exception) -> None:
        """The toolkit's own, which shows where an error comes from and all that is known there. Where the app is told
        to end at the moment when a screen opens, that one finds nothing of itself any more, and nobody is told so."""
        if not (self._exit and isinstance(error, NoMatches | NoScreen)):
            super()._handle_exception(error)

    def bell(self) -> None:
        """Never sounds: the intercom may be open, and a sound could cue the participant."""

    def action_leave(self) -> None:
        """Ctrl-C and Ctrl-Q."""
        self.exit(0)

    def repaint(self) -> None:
        """Repaints all in the colours that are now in use."""

    def on_colours_asked(self) -> None:
        """Changes to the next theme and tells its name."""
        at = THEME_NAMES.index(self.theme) if self.theme in THEME_NAMES else -1
        self.theme = THEME_NAMES[(at + 1) % len(THEME_NAMES)]
        self.repaint()
        self._tell(f"colours: {self.theme}")

    def on_picture_asked(self, message: PictureAsked) -> None:
        """Saves the screen as SVG and tells where."""
        try:
            path = self.save_screenshot(path=str(message.folder))
        except OSError as error:
            self._tell(f"No picture saved in {message.folder}: {error.strerror}", went_wrong=True)
        else:
            self._tell(f"picture: {path}")

    def _tell(self, text: str, *, went_wrong: bool = False) -> None:
        if isinstance(self.screen, Told):
            self.screen.told(text, went_wrong=went_wrong)

    def export_screenshot(self, *, title: str | None = None, simplify: bool = False) -> str:
        """The screen as SVG, the same in every viewer."""
        return placed(super().export_screenshot(title=title, simplify=simplify))

"""The Textual app about the watch screen. It opens no socket and no file but pictures of the screen."""

from __future__ import annotations

import asyncio
import signal
import time
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path

from textual.app import App, SystemCommand
from textual.binding import Binding
from textual.screen import Screen

from monitor.screens.dialogs.sheet import Sheet
from monitor.screens.drawing.marks import THEMES
from monitor.screens.drawing.svg import placed
from monitor.screens.keymap import action_name, keys_for
from monitor.screens.messages import PictureAsked, Told
from monitor.screens.provider import ViewProvider
from monitor.screens.watch.screen import WatchScreen

THEME_NAMES = tuple(theme.name for theme in THEMES)


class WatchApp(App[int]):
    """The watch screen on a source; its return value is an exit status."""

    TITLE = "trialwitness"
    CSS = "* { scrollbar-size: 0 0; }"

    BINDINGS = [  # noqa: RUF012 (Textual's own way)
        Binding("ctrl+q", "leave", show=False, priority=True),
        Binding("ctrl+c", "leave", show=False, system=True),
    ]

    def __init__(
        self,
        source: ViewProvider,
        *,
        read_only: bool = False,
        replay: bool = False,
        clock: Callable[[], float] = time.monotonic,
        wall: Callable[[], float] = time.time,
        pictures: Path | None = None,
    ) -> None:
        super().__init__()
        self.source = source
        self.watch_screen = WatchScreen(
            source, read_only=read_only, replay=replay, clock=clock, wall=wall, pictures=pictures
        )
        self._running_loop: asyncio.AbstractEventLoop | None = None
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = "sixteen" if self.console.color_system == "standard" else "dark"

    def get_default_screen(self) -> WatchScreen:
        """The watch screen is the only screen below the sheets."""
        return self.watch_screen

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

    def end_with(self, status: int) -> None:
        """Ends the app from a signal's handler, or raises `SystemExit` where it does not run yet."""
        if self._running_loop is None:
            raise SystemExit(status)
        self._running_loop.call_soon_threadsafe(partial(self.exit, status))

    def bell(self) -> None:
        """Never sounds: the intercom may be open, and a sound could cue the participant."""

    def take_note(self) -> None:
        """Opens the note box over a sheet."""
        self.watch_screen.action_note()

    def on_colours_asked(self) -> None:
        """Changes to the next theme and tells its name."""
        at = THEME_NAMES.index(self.theme) if self.theme in THEME_NAMES else -1
        self.theme = THEME_NAMES[(at + 1) % len(THEME_NAMES)]
        self.watch_screen.repaint()
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

    def action_leave(self) -> None:
        """Ctrl-C and Ctrl-Q: asks; where a sheet is open they close that first."""
        if isinstance(self.screen, Sheet):
            self.screen.give_up("ctrl+q")
        elif self.screen is self.watch_screen:
            self.watch_screen.action_leave()

    def export_screenshot(self, *, title: str | None = None, simplify: bool = False) -> str:
        """The screen as SVG, the same in every viewer."""
        return placed(super().export_screenshot(title=title, simplify=simplify))

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        """The palette: every key's action by name, and nothing else."""
        watch = self.watch_screen
        for key in keys_for(read_only=watch.read_only, replay=watch.replay, every=True):
            name = action_name(key).replace("_", " ").capitalize()
            name += f" {key.key}" if key.action.endswith(")") else ""
            yield SystemCommand(name, f"{key.help} ({key.shown or key.key})", partial(self._from_palette, key.action))

    async def _from_palette(self, action: str) -> None:
        await self.run_action(action, self.watch_screen)

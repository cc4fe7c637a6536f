"""The Textual app about the watch screen. It opens no socket and no file but pictures of the screen."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from pathlib import Path

from textual.app import SystemCommand
from textual.screen import Screen

from monitor.screens.app import TerminalApp
from monitor.screens.dialogs.sheet import Sheet
from monitor.screens.keymap import action_name, keys_for
from monitor.screens.provider import ViewProvider
from monitor.screens.watch.drawn_screen import Clocks
from monitor.screens.watch.screen import WatchScreen


class WatchApp(TerminalApp):
    """The watch screen on a source; its return value is an exit status."""

    def __init__(
        self,
        source: ViewProvider,
        *,
        read_only: bool = False,
        replay: bool = False,
        clocks: Clocks = Clocks(),  # noqa: B008 - frozen
        pictures: Path | None = None,
    ) -> None:
        super().__init__()
        self.source = source
        self.watch_screen = WatchScreen(source, read_only=read_only, replay=replay, clocks=clocks, pictures=pictures)

    def get_default_screen(self) -> WatchScreen:
        """The watch screen is the only screen below the sheets."""
        return self.watch_screen

    @property
    def may_note(self) -> bool:
        """Whether the screen has the key for a note."""
        return bool(self.watch_screen.check_action("note", ()))

    def take_note(self) -> None:
        """Opens the note box over a sheet."""
        self.watch_screen.action_note()

    def repaint(self) -> None:
        """Repaints all in the colours that are now in use."""
        self.watch_screen.repaint()

    def action_leave(self) -> None:
        """Ctrl-C and Ctrl-Q: asks; where a sheet is open they close that first."""
        if isinstance(self.screen, Sheet):
            self.screen.give_up("ctrl+q")
        elif self.screen is self.watch_screen:
            self.watch_screen.action_leave()

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        """The palette: every key's action by name, and nothing else."""
        watch = self.watch_screen
        for key in keys_for(read_only=watch.read_only, replay=watch.replay, every=True):
            name = action_name(key).replace("_", " ").capitalize()
            name += f" {key.key}" if key.action.endswith(")") else ""
            yield SystemCommand(name, f"{key.help} ({key.shown or key.key})", partial(self._from_palette, key.action))

    async def _from_palette(self, action: str) -> None:
        await self.run_action(action, self.watch_screen)

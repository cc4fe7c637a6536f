"""The app about a replay, and running it in a terminal."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from pathlib import Path

from textual.app import SystemCommand
from textual.screen import Screen

from monitor.replay.provider import ReplayProvider
from monitor.screens.replay.beside import BesidePage, LaidOver
from monitor.screens.replay.keys import REPLAY_KEYS
from monitor.screens.replay.page import Page
from monitor.screens.replay.screen import ReplayScreen
from monitor.screens.watch.app import WatchApp
from monitor.screens.watch.drawn_screen import Clocks
from monitor.screens.watch.running import refuse_without_terminal, show


class ReplayApp(WatchApp):
    """The watch app over a record."""

    def __init__(
        self,
        source: ReplayProvider,
        *,
        clocks: Clocks = Clocks(),  # noqa: B008 - frozen
        pictures: Path | None = None,
        laid: LaidOver | None = None,
    ) -> None:
        super().__init__(source, replay=True, clocks=clocks, pictures=pictures)
        self.watch_screen = ReplayScreen(source, clocks=clocks, pictures=pictures)
        self._source, self._laid = source, laid

    def on_ready(self) -> None:
        """Opens on the two runs where another one is laid over this."""
        if self._laid is not None:
            self.push_screen(BesidePage(self._source, self.watch_screen.folder, self._laid))

    def action_leave(self) -> None:
        """Ctrl-C and Ctrl-Q: a page is closed first."""
        if isinstance(self.screen, Page):
            self.screen.dismiss(None)
        else:
            super().action_leave()

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        """The watch screen's actions, then the replay's."""
        yield from super().get_system_commands(screen)
        for key in REPLAY_KEYS:
            name = key.word.capitalize()
            yield SystemCommand(name, f"{key.help} ({key.shown})", partial(self._from_palette, key.action))


def run_replay(source: ReplayProvider, pictures: Path | None = None, *, laid: LaidOver | None = None) -> int:
    """Shows the replay until it is left; gives 0, or 128 + n after a signal n.

    The source stays the caller's. Raises `WitnessError` without a terminal.
    """
    refuse_without_terminal("replay")
    return show(ReplayApp(source, pictures=pictures, laid=laid))

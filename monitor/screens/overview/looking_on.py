"""The watch screen on one run of the overview: where no key has anything to say, what the other runs need."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from monitor.following.view import LiveView
from monitor.screens.drawing.picture import Picture
from monitor.screens.provider import ViewProvider
from monitor.screens.watch.app import WatchApp
from monitor.screens.watch.drawn_screen import Clocks
from monitor.screens.watch.running import show
from monitor.screens.watch.screen import WatchScreen


class LookingOnScreen(WatchScreen):
    """A watch screen of somebody who has other runs to look after."""

    def __init__(self, source: ViewProvider, elsewhere: Callable[[], str], *, read_only: bool, clocks: Clocks) -> None:
        super().__init__(source, read_only=read_only, replay=False, clocks=clocks)
        self._elsewhere = elsewhere

    def picture(self, view: LiveView) -> Picture:
        """The watch screen's, with the sentence on the others."""
        picture = super().picture(view)
        said = "" if picture.message else self._elsewhere()
        return replace(picture, message=said, message_tone="bad") if said else picture


class LookingOnApp(WatchApp):
    """The watch app over one run of several. `elsewhere` gives one sentence, empty where nothing is wrong."""

    def __init__(
        self,
        source: ViewProvider,
        elsewhere: Callable[[], str],
        *,
        read_only: bool,
        clocks: Clocks = Clocks(),  # noqa: B008 - frozen
    ) -> None:
        super().__init__(source, read_only=read_only)
        self.watch_screen = LookingOnScreen(source, elsewhere, read_only=read_only, clocks=clocks)


def look_on(source: ViewProvider, elsewhere: Callable[[], str], *, read_only: bool) -> int:
    """Shows one run until it is left; gives 0, or 128 + n after a signal n."""
    return show(LookingOnApp(source, elsewhere, read_only=read_only))

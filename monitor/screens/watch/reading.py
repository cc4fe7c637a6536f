"""Whether somebody can have read a verdict: it was in sight, and long enough."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from textual.geometry import Region
from textual.screen import Screen

from monitor.following.heading.table import to_acknowledge
from monitor.screens.drawing.picture import Picture
from monitor.screens.panel import Covering
from monitor.screens.panels.slab import headings_in_sight

READ_S = 0.5
"""Nobody has read a word that stood for less, so that a key which comes then was meant for what stood there before
(common practice, no source; to see that something changed, and to press a key, takes some 0.2 s)."""

Said = tuple[str, str]
"""A trial and the word of its verdict."""


@dataclass(slots=True)
class Showing:
    """A verdict that is in sight; `since_s`: by the screen's clock, None until it is taken."""

    said: Said
    since_s: float | None = None


def to_be_seen(picture: Picture, slab: Region | None, above: Iterable[Screen[object]]) -> Said | None:
    """The verdict that can be read in the heading and that nobody has acknowledged. `slab`: where the heading is, None
    where there is no room for it; `above`: what lies over the screen."""
    if slab is None or to_acknowledge(picture.known) is None:
        return None
    if any(not isinstance(one, Covering) or one.covers_from < slab.bottom for one in above):
        return None
    return to_acknowledge(picture.known, headings_in_sight(picture, slab.width, slab.height))


class Reading:
    """How long each verdict has been in sight, all in all: one that comes and goes with what stands above it can be
    acknowledged as well. It is in sight from when the terminal has taken it, where that tells."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._now: Showing | None = None
        self._stood_s: dict[Said, float] = {}

    def shows(self, said: Said | None) -> Showing | None:
        """What is in sight from here on; gives it where it has not been so far, for `begin` once it is taken."""
        before = self._now
        if (None if before is None else before.said) == said:
            return None
        if before is not None:
            self._stood_s[before.said] = self._stands_s(before)
        self._now = None if said is None else Showing(said)
        return self._now

    def begin(self, showing: Showing) -> None:
        """It can be read from now on."""
        showing.since_s = self._clock()

    def has_read(self, said: Said) -> bool:
        """Whether this one is in sight, and can have been read."""
        return self._now is not None and self._now.said == said and self._stands_s(self._now) >= READ_S

    def _stands_s(self, one: Showing) -> float:
        since_s = 0.0 if one.since_s is None else self._clock() - one.since_s
        return self._stood_s.get(one.said, 0.0) + since_s

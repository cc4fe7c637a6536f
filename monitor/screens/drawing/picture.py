"""What is drawn: a view and the screen's own state."""

from __future__ import annotations

from dataclasses import dataclass, replace

from monitor.following.heading.model import Heading, Tone
from monitor.following.heading.run import is_followed
from monitor.following.heading.table import headings, over_the_ladder
from monitor.following.heading.trials import waiting
from monitor.following.view import LiveView, TransportView
from monitor.following.words import BEHIND, STALE

STANDS_STILL = "The picture stands still: the follower does not answer."


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture to draw. All panels are functions of this and of their size."""

    view: LiveView
    frozen_for_s: float | None = None
    """Since when the view is held, or None."""
    still_for_s: float | None = None
    """Since when a live view has stopped changing (whoever makes it hangs), or None."""
    calm: bool = False
    read_only: bool = False
    transport: TransportView | None = None
    message: str = ""
    message_tone: Tone = "plain"

    @property
    def trusted(self) -> bool:
        """False while the view is not known to be of this moment, so that nothing in it may look live."""
        return self.still_for_s is None

    @property
    def recorded(self) -> bool:
        """Whether what is shown is a record that is looked at again."""
        return self.transport is not None or self.view.recorder.state == "replay"

    @property
    def old(self) -> bool:
        """True where the newest frame is not of this moment: nothing may be drawn as if it were live."""
        waits = self.view.feed.state == "waiting"  # there is no frame that could be old
        return not self.trusted or not (waits or is_followed(self.view))

    @property
    def old_word(self) -> str:
        """What stands instead of a number where the newest frame is not of this moment, as the heading has it; empty
        where it is."""
        if not self.old:
            return ""
        return BEHIND if self.trusted and self.view.feed.behind_s is not None else STALE

    @property
    def headings(self) -> list[Heading]:
        """What heads the screen, the most pressing first."""
        return [heading for _, heading in headings(self.known)]

    @property
    def over_the_ladder(self) -> Heading | None:
        """What stands over the ladder; nothing where the view is old or held."""
        return None if self.old or self.frozen_for_s is not None else over_the_ladder(self.known)

    @property
    def waiting(self) -> int:
        """How many trials wait for somebody."""
        return len(waiting(self.view))

    @property
    def known(self) -> LiveView:
        """The view with what only the screen knows: that it stands still."""
        if self.trusted:
            return self.view
        return replace(self.view, feed=replace(self.view.feed, state="lost", sentence=STANDS_STILL))

"""Channels, signals and pedals that are not believed before the fire, looked at once a second: holding all channels
against each other costs as much as drawing several screens."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.following.view import Doubt
from monitor.judging.case.trial import Finding
from monitor.judging.session import DriveTrials, Session

EVERY_S = 1.0


@dataclass(frozen=True, slots=True)
class ChannelDoubts:
    """What was found of the channels, and those of own car that no rule should believe."""

    doubts: tuple[Doubt, ...] = ()
    unbelieved: frozenset[str] = frozenset()


class ChannelWatch:
    """Looks at the channels of the coming trial at each whole second of the drive, and remembers what it found.
    `every_s`: 0 looks at each frame."""

    def __init__(self, every_s: float = EVERY_S) -> None:
        self._every_s = every_s
        self._found = ChannelDoubts()
        self._of: tuple[int, str, float] | None = None

    def look(self, session: Session, drive: DriveTrials, trigger: str) -> ChannelDoubts:
        """What is known of the channels before a trial; at most a second old."""
        newest_t = float(drive.log.newest_t)
        back_s = newest_t % self._every_s if self._every_s else 0.0
        of = drive.log.index, trigger, newest_t - back_s
        if of != self._of:
            self._of = of
            ahead = session.look_ahead(drive, trigger, back_s)
            self._found = ChannelDoubts()
            if ahead is not None:
                doubts = tuple(as_doubt(one, ahead.changed) for one in ahead.doubts)
                self._found = ChannelDoubts(doubts, ahead.unbelieved)
        return self._found


def as_doubt(finding: Finding, conditions: tuple[str, ...], *, at_once: bool = False, answered: str = "") -> Doubt:
    """A finding that the coming trial will have."""
    return Doubt(finding.code, finding.sentence, conditions, finding.severity, at_once, answered)

"""One trial on its way through the judging."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from monitor.judging.case.received import ReceivedMarker
from monitor.judging.case.trial import Trial
from monitor.judging.firing import Expected
from monitor.judging.rules.exposure import Shown
from monitor.judging.settled import Settled

TrackKey = tuple[int, str, int]
"""Drive, trigger, occurrence."""


@dataclass(slots=True)
class Track:
    """One trial on its way: `marker` is None while it is waited for. `final_at` is the entry that made it final."""

    occurrence: int
    marker: ReceivedMarker | None = None
    trial: Trial | None = None
    shown: Shown = Shown.NO
    final_at: int | None = None
    response_done: bool = False
    response_due_t: float = -np.inf
    """No frame before this can complete the response."""
    is_stale: bool = False
    """Whether entries have come since the trial was judged; it is judged again when it is asked for."""
    settled: Settled = field(default_factory=Settled)
    missed: Expected | None = None
    """Of a trigger that comes often: the time of its rule that no fire belongs to."""
    missed_at: int = 0
    """The entry from which on that is certain."""

    @property
    def is_done(self) -> bool:
        """Whether nothing about the trial can change any more, the operator's ruling apart."""
        return self.final_at is not None and (self.marker is None or self.response_done)

    def fork(self) -> Track:
        """The trial as it stands, to go on from alone."""
        return replace(self, settled=self.settled.fork())

    @property
    def is_waiting(self) -> bool:
        """Whether nothing has become of it yet."""
        return self.marker is None and self.missed is None

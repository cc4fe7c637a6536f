"""One trial on its way through the judging."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from monitor.judging.case.received import ReceivedMarker
from monitor.judging.case.trial import Trial
from monitor.judging.firing import Expected
from monitor.judging.judge import Settled
from monitor.judging.rules.exposure import Shown


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
    def is_waiting(self) -> bool:
        """Whether nothing has become of it yet."""
        return self.marker is None and self.missed is None

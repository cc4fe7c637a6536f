"""How fast a measure changes: the mean rate over the last seconds."""

from __future__ import annotations

import numpy as np

from monitor.measures.columns import FloatArray
from monitor.measures.measured import Measured, measured

HELD_FRAMES = 0.95
"""A frame stands for less than a period: where the one after it is lost, the rate over another window would be told."""


def rate_of_change(t: FloatArray, values: Measured, over_s: float, period_s: float) -> Measured:
    """Value now less the value `over_s` ago, over the time between the two frames, per second; shapes (n,).

    The earlier value is that of the last frame not after t − `over_s` (a tenth of a period counts as at). Not measured
    where that frame is missing or either value is none; what lies between the two has no part in it.
    """
    if not len(t):
        return values
    since = t - over_s
    before = t.searchsorted(since + 0.1 * period_s, side="right") - 1
    then = np.maximum(before, 0)
    held = (before >= 0) & (since - t[then] <= HELD_FRAMES * period_s) & (then < np.arange(len(t)))
    elapsed = np.where(held, t - t[then], np.nan)
    return measured((values.value - values.value[then]) / elapsed)

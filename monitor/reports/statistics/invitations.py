"""How many more to invite: the beta-negative-binomial distribution of the invitations that n further valid trials take.

The chance that an invited participant gives a valid trial has the beta posterior of what was seen, with the prior of
Jeffreys (one half, one half). Written out, because the forecast has no scipy (whose `betanbinom` it is checked with).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from monitor.measures.columns import FloatArray

PRIOR = 0.5
MOST = 4096
"""Invitations up to which the distribution is worked out. Beyond it nothing can be planned by."""


def invitations(needed: int, valid: int, lost: int) -> FloatArray:
    """Chance that exactly k invitations are needed for `needed` valid trials, k = 0 … `MOST`, after `valid` and `lost`
    were seen; shape (MOST + 1,). What is missing to a sum of 1 lies beyond."""
    chances = np.zeros(MOST + 1)
    if needed <= 0:
        chances[0] = 1.0
        return chances
    if needed > MOST:
        return chances
    a, b = valid + PRIOR, lost + PRIOR
    failures = np.arange(MOST - needed)
    # the chance of one failure more over that of so many: (n + k)(b + k) / ((k + 1)(a + n + b + k))
    steps = (needed + failures) * (b + failures) / ((failures + 1.0) * (a + needed + b + failures))
    none = math.lgamma(a + needed) + math.lgamma(a + b) - math.lgamma(a) - math.lgamma(a + b + needed)
    chances[needed:] = np.exp(none + np.concatenate([[0.0], np.cumsum(np.log(steps))]))
    return chances


def together(groups: Sequence[FloatArray]) -> FloatArray:
    """The distribution of the sum over groups that come to their trials independently; shape (MOST + 1,)."""
    size = 2 * (MOST + 1)
    product = np.ones(size // 2 + 1, dtype=np.complex128)
    for index, one in enumerate(groups):
        product = product * np.fft.rfft(one, size)
        if index:  # what wraps round is beyond the most
            summed = np.fft.irfft(product, size)[: MOST + 1]
            product = np.fft.rfft(np.maximum(summed, 0.0), size)
    return np.maximum(np.fft.irfft(product, size)[: MOST + 1], 0.0)


def point(chances: FloatArray, share: float) -> int | None:
    """The least number of invitations that suffices with this chance; None where it is more than `MOST`."""
    reached = np.cumsum(chances)
    place = int(np.searchsorted(reached, share - 1e-12))
    return place if place < len(reached) else None

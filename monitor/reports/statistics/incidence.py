"""Which of two ends came, and when: a contact ends the waiting for a response, and a response that for a contact.

The share that has responded, and the share that has run into the vehicle ahead, by time: Aalen & Johansen 1978. A
Kaplan–Meier curve takes a contact as if that driver would still have responded, as the others did; this does not.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from monitor.measures.columns import FloatArray, IntArray
from monitor.reports.statistics.survival import LEVEL, on_grid, z_of

CENSORED = 0


@dataclass(frozen=True, slots=True, eq=False)
class Incidence:
    """Cumulative incidence of one cause at the m distinct times at which any cause came, each array of shape (m,)."""

    t: FloatArray
    share: FloatArray
    se: FloatArray
    """Standard error by the delta method (Marubini & Valsecchi 1995)."""
    known_to: float
    """The largest time; infinite where all had come to an end by it, NaN for nobody. Beyond it nothing is known."""


def incidence(ends: Iterable[tuple[float, int]], cause: int) -> Incidence:
    """The incidence of `cause` among (time in seconds, cause) pairs; cause 0 is censored.

    At equal times whoever was censored was still at risk. The estimate holds up to the largest time.
    """
    pairs = [(on_grid(t), int(which)) for t, which in ends]
    every = np.array([t for t, _ in pairs], dtype=np.float64)
    causes = np.array([which for _, which in pairs], dtype=np.int64)
    t = np.unique(every[causes != CENSORED])
    n = np.array([(every >= at).sum() for at in t], dtype=np.float64)
    d = np.array([((every == at) & (causes != CENSORED)).sum() for at in t], dtype=np.float64)
    of_cause = np.array([((every == at) & (causes == cause)).sum() for at in t], dtype=np.float64)
    before = np.concatenate([[1.0], np.cumprod(1.0 - d / n)[:-1]]) if len(t) else np.empty(0)
    share = np.cumsum(before * of_cause / n)
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.where(n > d, d / (n * (n - d)), 0.0)  # where nobody is left, nothing is ahead either
    own = np.cumsum(before**2 * (n - of_cause) * of_cause / n**3)
    variance = np.zeros(len(t))
    for place in range(len(t)):
        upto = slice(0, place + 1)
        ahead = share[place] - share[upto]
        with_own = ahead * before[upto] * of_cause[upto] / n[upto] ** 2
        variance[place] = (ahead**2 * greenwood[upto]).sum() + own[place] - 2.0 * with_own.sum()
    return Incidence(t, share, np.sqrt(np.maximum(variance, 0.0)), _known_to(every, causes))


def _known_to(every: FloatArray, causes: IntArray) -> float:
    last = float(every.max(initial=-math.inf))
    if not len(every):
        return math.nan
    return math.inf if (causes[every == last] != CENSORED).all() else last


def share_by(found: Incidence, t: float, level: float = LEVEL) -> tuple[float | None, tuple[float, float] | None]:
    """The share by time `t`, None where nobody was waited for so long, and its interval on the log(−log) scale, None
    also where the share is 0 or 1."""
    if not t <= found.known_to:
        return None, None
    place = int(np.searchsorted(found.t, t, side="right")) - 1
    if place < 0:
        return 0.0, None
    share, se = float(found.share[place]), float(found.se[place])
    if not 0.0 < share < 1.0 or se == 0.0:
        return share, None
    wide = z_of(level) * se / (share * np.log(share))
    low, high = sorted((float(share ** np.exp(-wide)), float(share ** np.exp(wide))))
    return share, (low, high)

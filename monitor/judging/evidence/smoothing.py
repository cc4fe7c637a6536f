"""A noisy channel at an instant: the line through a fifth of a second of it, and how far that may be off."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.judging.evidence.bodies import changes, cumulated, hold_of, third_difference_noise
from monitor.measures.columns import BoolArray, FloatArray, IntArray

OVER_S = 0.2
SIGMAS = 4.5
"""A window of 3 s at 240 Hz has 720 frames; a normal error exceeds this in one such window of 200."""
NONE_BELOW = 1e-3
"""A channel whose error is less than this (m, m/s, m/s², rad) is taken as it is."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """Values with the most that each may be off, shapes (n,)."""

    value: FloatArray
    off: FloatArray


def exactly(value: FloatArray) -> Estimate:
    """Values that are taken as they are."""
    return Estimate(value, np.zeros(len(value)))


FRESH_FRAMES = 4.5
"""A line through traffic that is sent slowly goes through so many of its fresh frames."""


def smoothed(
    t: FloatArray, value: FloatArray, until_t: float, period_s: float, fresh: BoolArray | None = None
) -> Estimate:
    """The values of a channel, each by the line through the frames about it, none of them after `until_t`.

    Without noise that shows, the values themselves. Frames after `until_t` are told by the line before it. `fresh`:
    frames in which what is sent slowly was sent anew; between them it is old by some frames.
    """
    known = np.isfinite(value)
    over_s = OVER_S
    if fresh is not None:
        known &= fresh
        gaps = np.diff(t[known])
        over_s = max(OVER_S, FRESH_FRAMES * float(np.median(gaps))) if len(gaps) else OVER_S
    changed = changes(value[known])
    hold = hold_of(changed, period_s)
    sigma = third_difference_noise(value[known][changed] if hold > 1.0 else value[known])
    if not SIGMAS * sigma > NONE_BELOW:
        return exactly(value)
    slack = 0.1 * period_s
    end_t = np.minimum(t + 0.5 * over_s, max(until_t, t[0])) + slack
    begin = t.searchsorted(end_t - over_s - 2.0 * slack, side="left")
    end = t.searchsorted(end_t, side="right")
    fitted, spread = _line_at(t, np.where(known, value, 0.0), known, begin, end)
    use = np.isfinite(value) & np.isfinite(fitted)
    off = sigma * math.sqrt(hold) * spread
    return Estimate(np.where(use, fitted, value), np.where(use, SIGMAS * off, SIGMAS * sigma))


def _line_at(
    t: FloatArray, value: FloatArray, known: BoolArray, begin: IntArray, end: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Least-squares lines through frames begin … end − 1, at each frame, NaN where fewer than four are measured; and
    their standard deviation there for values with one of 1."""
    u, weight = t - t[0], known.astype(np.float64)

    def total(column: FloatArray) -> FloatArray:
        sums = cumulated(weight * column)
        return sums[end] - sums[begin]

    n = total(np.ones(len(t)))
    enough = n >= 4.0
    n = np.where(enough, n, 1.0)
    su, sv = total(u), total(value)
    middle = su / n
    spread = np.maximum(total(u * u) - su * middle, 0.0)
    wide = enough & (spread > 1e-9)
    spread = np.where(wide, spread, 1.0)
    slope = np.where(wide, (total(u * value) - sv * middle) / spread, 0.0)
    away = np.where(wide, u - middle, 0.0)
    return np.where(enough, sv / n + slope * away, np.nan), np.sqrt(1.0 / n + away * away / spread)

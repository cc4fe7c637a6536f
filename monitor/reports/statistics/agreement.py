"""How far two coders agree beyond chance: Cohen's kappa with its interval.

κ = (p_o − p_e) / (1 − p_e) (Cohen 1960, Educ. Psychol. Meas. 20, 37–46; from memory). Its standard error is that of
large samples (Fleiss, Cohen & Everitt 1969, Psychol. Bull. 72, 323–327; from memory), the interval normal. Held
against statsmodels' `cohens_kappa` in the tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.measures.columns import FloatArray

Z95 = 1.959963984540054
NO_SPREAD = 1e-12
"""A sum of squares of shares that is less than this is rounding."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """Of one table of counts, rows by one coder and columns by the other."""

    n: int
    observed: float | None
    """Share of equal codings; None without any."""
    expected: float | None
    """Share that two coders with these margins would have by chance."""
    kappa: float | None
    """None where chance alone would make them agree always: both used one category only."""
    se: float | None
    """0 where a table is so uniform that the formula sees no spread (all equal, or one coder with one category)."""
    low: float | None
    high: float | None
    """None, as `low`, without a spread: an interval of no width would be surer than any number of trials allows."""


def cohens_kappa(table: FloatArray) -> Agreement:
    """The agreement of a square table of counts, shape (k, k)."""
    n = float(table.sum())
    if n <= 0.0:
        return Agreement(0, None, None, None, None, None, None)
    share = table / n
    rows, columns = share.sum(axis=1), share.sum(axis=0)
    observed, expected = float(np.trace(share)), float(rows @ columns)
    if expected >= 1.0:
        return Agreement(int(n), observed, expected, None, None, None, None)
    kappa = (observed - expected) / (1.0 - expected)
    rest = 1.0 - kappa
    same = float(np.sum(np.diag(share) * (1.0 - (rows + columns) * rest) ** 2))
    crossed = share * (columns[:, None] + rows[None, :]) ** 2
    other = rest**2 * float(crossed.sum() - np.trace(crossed))
    spread = same + other - (kappa - expected * rest) ** 2
    if spread < NO_SPREAD:
        return Agreement(int(n), observed, expected, kappa, 0.0, None, None)
    se = math.sqrt(spread / n) / (1.0 - expected)
    return Agreement(int(n), observed, expected, kappa, se, kappa - Z95 * se, kappa + Z95 * se)

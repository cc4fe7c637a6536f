"""The one place that loads scipy, which only the comparison of groups needs and which is an extra."""

from __future__ import annotations

from typing import Any

from monitor.errors import WitnessError


class AnalysisMissing(WitnessError):
    """Raised where groups are to be compared and scipy is not installed."""


def scipy_stats() -> Any:
    """`scipy.stats`; raises `AnalysisMissing`."""
    try:
        from scipy import stats
    except ImportError as error:
        raise AnalysisMissing(
            "Comparing groups needs scipy, which is not installed; install it with: "
            "pip install 'trialwitness[analysis]'"
        ) from error
    return stats

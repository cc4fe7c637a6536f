"""Other clocks of the laboratory against the simulation's: the offset between `sync` marks must not grow.

A `sync` marker names the clock and gives its reading in `data.clock_s`, in seconds from any zero.
"""

from __future__ import annotations

from monitor.judging.case.case import Case
from monitor.judging.case.trial import Finding

DRIFT_S = 0.02
"""An offset that changes by more than this over the drive: alerts differ by tens of milliseconds (common practice, no
source)."""


def judge_clocks(case: Case) -> list[Finding]:
    """Clocks whose offset changed between their first mark of the drive and their last one up to the fire."""
    marks: dict[str, list[tuple[float, float]]] = {}
    for marker in case.of_kind("sync"):
        reading = marker.data.get("clock_s")
        if isinstance(reading, int | float) and not isinstance(reading, bool) and marker.t <= case.fired_at:
            marks.setdefault(marker.name or "another clock", []).append((marker.t, float(reading)))
    findings = []
    for name, readings in sorted(marks.items()):
        (first_t, first), (last_t, last) = readings[0], readings[-1]
        drift = (last - last_t) - (first - first_t)
        if last_t > first_t and abs(drift) > DRIFT_S:
            sentence = (
                f"The clock of {name} {'gained' if drift > 0.0 else 'lost'} {abs(drift) * 1000.0:.0f} ms on the "
                f"simulation between {first_t:.1f} and {last_t:.1f} s ({abs(drift) / (last_t - first_t) * 1000.0:.1f} "
                "ms a second)."
            )
            findings.append(case.finding("clock-drift", sentence, last_t))
    return findings

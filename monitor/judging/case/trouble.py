"""When a further source may have told something that is not known to us, and why."""

from __future__ import annotations

import math

from monitor.judging.case.alignment import UNSURE_AT_MOST_S, AlignedSources
from monitor.judging.case.sources import FAMILIES, Family, SourceLog

SILENT_S = 2.0
"""A feed says hello at least once a second: two that did not come, as with the connections of the recorder."""


def unheard_in(aligned: AlignedSources | None, start_t: float, end_t: float, number: int) -> dict[Family, str]:
    """What alert or task markers between two times may be unknown to us as of an entry, and why."""
    found: dict[Family, str] = {}
    for log in aligned.sources.logs if aligned is not None else ():
        assert aligned is not None
        trouble = trouble_between(aligned, log, start_t, end_t, number)
        for family in FAMILIES if trouble else ():
            if log.may_give(family, number):
                found.setdefault(family, f"{log.name_as_of(number)} {trouble}")
    return found


def trouble_between(aligned: AlignedSources, log: SourceLog, start_t: float, end_t: float, number: int) -> str:
    """What is wrong with a source between two times of the drive, as the rest of a sentence; empty where nothing is.

    Then it may have given markers there that are not known, or not when.
    """
    heard = log.heard_as_of(number)
    if heard is None:
        return "has not been heard"
    runs = log.runs_as_of(number)
    if not runs:
        return "has sent nothing that can be read"
    heard_t, now_t = aligned.time_of(heard), aligned.time_of(number)
    if now_t - heard_t > SILENT_S:
        since = f"since {heard_t:.1f} s" if math.isfinite(heard_t) else "all the drive"
        return f"has been silent {since}"
    begun_t = aligned.time_of(runs[0].number)
    if begun_t > start_t:
        return f"{'was started again' if len(runs) > 1 else 'was first heard'} at {begun_t:.1f} s"
    offset = aligned.offset(log, runs[0], number)
    if offset is None:
        return "has no sync mark that the simulator has seen, too: its clock is not known"
    off_by = offset.second_at(end_t)[1]
    if off_by > UNSURE_AT_MOST_S:
        return f"has a clock that is known to ±{off_by:.2f} s only"
    for step in runs[0].log.lost_markers(number):
        at_t = aligned.time_of(step.number)
        if start_t - SILENT_S <= at_t <= end_t + SILENT_S:
            return f"lost a marker on the way at {at_t:.1f} s"
    return ""

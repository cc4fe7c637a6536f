"""How the further sources of a run stand at the end of what is known: what came, their clocks, what is wrong."""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.judging.case.sources import SourceLog
from monitor.judging.case.trouble import SILENT_S, trouble_between
from monitor.judging.session import Session


@dataclass(frozen=True, slots=True)
class SourceState:
    """A further source beside the simulator: what came, how its clock stands, and what is wrong (empty: nothing)."""

    name: str
    endpoint: str
    frames: int
    lost: int
    bad: int
    offset_s: float | None
    """The simulator's time less its own; None where that is not known."""
    uncertainty_s: float | None
    marks: int
    """Sync marks that both have seen and that the offset comes from."""
    trouble: str
    """The rest of a sentence that its name begins."""


def look_at_sources(session: Session) -> tuple[SourceState, ...]:
    """Each further source, in the order of the feeds; empty where there is none."""
    return tuple(_look(session, log) for log in session.sources.logs)


def _look(session: Session, log: SourceLog) -> SourceState:
    as_of, drive = session.last_number, session.current
    aligned = drive.log.aligned if drive is not None else None
    runs = log.runs_as_of(as_of)
    offset_s = uncertainty_s = None
    marks, trouble = 0, "" if runs else "has not been heard"
    if aligned is not None and drive is not None and math.isfinite(drive.log.newest_t):
        now_t = drive.log.newest_t
        trouble = trouble_between(aligned, log, now_t - SILENT_S, now_t, as_of)
        offset = aligned.offset(log, runs[0], as_of) if runs else None
        if offset is not None:
            second_t, uncertainty_s = offset.second_at(now_t)
            offset_s, marks = now_t - second_t, aligned.marks(log, runs[0], as_of)
            newest_t = runs[0].log.newest_t  # of its samples; NaN where it gives none
            if not trouble and second_t - newest_t > SILENT_S:
                trouble = f"has a clock that has stood since {now_t - (second_t - newest_t):.1f} s"
    if log.last_refusal is not None and (not runs or not trouble):
        trouble = f"sends what is refused: {log.last_refusal.why}"
    return SourceState(
        name=log.name_as_of(as_of),
        endpoint=log.endpoint,
        frames=log.frames,
        lost=sum(run.log.counts.lost for run in log.runs),
        bad=log.bad,
        offset_s=offset_s,
        uncertainty_s=uncertainty_s,
        marks=marks,
        trouble=trouble,
    )

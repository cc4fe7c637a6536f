"""The further sources of a run as they stand now: for the state line, preflight, lines without a screen, the JSON."""

from __future__ import annotations

import math
from typing import Any

from monitor.following.view import SourceView
from monitor.judging.session import Session
from monitor.judging.sources import SourceLog
from monitor.judging.telling import SILENT_S, trouble_between
from monitor.judging.trial import SourceEvidence, number


def look_at_sources(session: Session) -> tuple[SourceView, ...]:
    """Each further source, in the order of the feeds; empty where there is none."""
    return tuple(_look(session, log) for log in session.sources.logs)


def trouble_sentence(sources: tuple[SourceView, ...]) -> str:
    """The first source in trouble, in one sentence; empty where there is none."""
    return next((f"{one.name} {one.trouble}." for one in sources if one.trouble), "")


def clock_words(name: str, offset_s: float | None, uncertainty_s: float | None) -> str:
    """A source's clock: "gaze −0.401 s ±17 ms"."""
    if offset_s is None or uncertainty_s is None:
        return f"{name} clock not known"
    return f"{name} {'−' if offset_s < 0 else '+'}{abs(offset_s):.3f} s ±{uncertainty_s * 1000:.0f} ms"


def evidence_words(sources: tuple[SourceEvidence, ...]) -> str:
    """The clocks of further sources at a trial's fire: "gaze −0.401 s ±17 ms by 4 sync markers"."""
    return ", ".join(
        clock_words(one.source, one.offset_s, one.uncertainty_s)
        + (f" by {one.marks} sync {'marker' if one.marks == 1 else 'markers'}" if one.marks else "")
        for one in sources
    )


def sources_json(session: Session) -> list[dict[str, Any]]:
    """Each further source at the end of what is known."""
    return [
        {
            "source": one.name,
            "feed": one.endpoint,
            "frames": one.frames,
            "lost": one.lost,
            "bad": one.bad,
            "runs": len(log.runs),
            "offset_s": number(one.offset_s),
            "uncertainty_s": number(one.uncertainty_s),
            "marks": one.marks,
            "trouble": one.trouble,
        }
        for one, log in zip(look_at_sources(session), session.sources.logs, strict=True)
    ]


def _look(session: Session, log: SourceLog) -> SourceView:
    as_of, drive = session.last_number, session.current
    beside = drive.log.beside if drive is not None else None
    runs = log.runs_as_of(as_of)
    offset_s = uncertainty_s = None
    marks, trouble = 0, "" if runs else "has not been heard"
    if beside is not None and drive is not None and math.isfinite(drive.log.newest_t):
        now_t = drive.log.newest_t
        trouble = trouble_between(beside, log, now_t - SILENT_S, now_t, as_of)
        offset = beside.offset(log, runs[0], as_of) if runs else None
        if offset is not None:
            second_t, uncertainty_s = offset.second_at(now_t)
            offset_s, marks = now_t - second_t, beside.marks(log, runs[0], as_of)
            newest_t = runs[0].log.newest_t  # of its samples; NaN where it gives none
            if not trouble and second_t - newest_t > SILENT_S:
                trouble = f"has a clock that has stood since {now_t - (second_t - newest_t):.1f} s"
    if log.last_refusal is not None and (not runs or not trouble):
        trouble = f"sends what is refused: {log.last_refusal.why}"
    return SourceView(
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

"""A judged session as the JSON object of one record (contract of the command line)."""

from __future__ import annotations

from typing import Any

from monitor.judging.blinding import masked_from
from monitor.judging.case.trial import note_json, number, trial_json
from monitor.judging.session import Session
from monitor.judging.source_state import look_at_sources


def session_json(session: Session, record: str) -> dict[str, Any]:
    """The object that `review`, `demo` and `watch` print for one record (contract of the command line).

    While a response is hidden, so is how long its drive took, how many frames it had and what ended it: null.
    """
    trials = session.trials()
    hiding = {drive.log.index for drive in session.drives if masked_from(trials, drive.log.index) is not None}
    counts = [drive.log.counts for drive in session.drives]
    spans = [drive.log.newest_t - drive.log.first_t for drive in session.drives if drive.log.counts.judged]
    rates = [drive.log.hello.rate_hz for drive in session.drives if drive.log.hello is not None]
    return {
        "record": record,
        "participant": session.opening.participant,
        "group": session.group,
        "drives": [
            {
                "drive": drive.log.index,
                "run": drive.log.run,
                "scenario": drive.log.hello.scenario if drive.log.hello else None,
                "ended_by": None if drive.log.index in hiding else drive.log.end_kind,
            }
            for drive in session.drives
        ],
        "feed": {
            "frames": None if hiding else sum(one.frames for one in counts),
            "lost": sum(one.lost for one in counts),
            "duplicates": sum(one.duplicates for one in counts),
            "bad": session.bad,
            "duration_s": None if hiding else float(sum(spans)),
            "rate_hz": number(rates[-1]) if rates else None,
            "out_of_order": sum(one.out_of_order for one in counts),
            "repeated_time": sum(one.repeated_time for one in counts),
            "before_hello": sum(one.before_hello for one in counts),
            **_real_time(session),
        },
        "sources": sources_json(session, hides_length=bool(hiding)),
        "trials": [trial_json(trial) for trial in trials],
        "notes": [note_json(note) for note in session.operator.notes],
    }


def real_time_of(session: Session) -> float | None:
    """Simulated seconds a second of the recorder's clock, in the slowest drive; None where receipt tells nothing."""
    return min((one for drive in session.drives if (one := drive.log.pacing.factor) is not None), default=None)


def _real_time(session: Session) -> dict[str, float]:
    """The key is left out where receipt tells nothing."""
    factor = real_time_of(session)
    return {} if factor is None else {"real_time": factor}


def sources_json(session: Session, *, hides_length: bool) -> list[dict[str, Any]]:
    """Each further source at the end of what is known."""
    return [
        {
            "source": one.name,
            "feed": one.endpoint,
            "frames": None if hides_length else one.frames,
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

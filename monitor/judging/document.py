"""A judged session as the JSON object of one record (contract of the command line), and each of its parts."""

from __future__ import annotations

import math
from typing import Any

from monitor.judging.blinding import ToldTimes, masked_from
from monitor.judging.case.trial import (
    ConditionEvidence,
    ConditionResult,
    Note,
    Response,
    Ruling,
    Seen,
    SourceEvidence,
    Trial,
)
from monitor.judging.session import Session
from monitor.judging.source_state import look_at_sources


def session_json(session: Session, record: str) -> dict[str, Any]:
    """The object that `review`, `demo` and `watch` print for one record (contract of the command line).

    While a response is hidden, so is how long its drive took, how many frames it had and what ended it: null. So is
    the time of a note that was entered after it.
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
        "notes": notes_json(session),
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


def number(value: float | None) -> float | None:
    """A JSON number, or None where the value is none, NaN or infinite."""
    return None if value is None or not math.isfinite(value) else value


def trial_json(trial: Trial) -> dict[str, Any]:
    """The trial as the command line's contract states it. Of a trial that came after another one whose response is
    hidden, `fired_at` is null too."""
    response = None if trial.response is None or trial.response_hidden else response_json(trial.response)
    rulings = [ruling_json(one) for one in trial.rulings]
    return {
        "id": trial.id,
        "trigger": trial.trigger,
        "drive": trial.drive,
        "fired_at": number(trial.told_fired_at),
        "wall": number(trial.wall),
        "stage": trial.stage,
        "verdict": trial.verdict,
        "ruling": rulings[-1] if rulings else None,
        "rulings": rulings,
        "effective": trial.effective,
        "naive": trial.naive,
        "role_id": dict(trial.told_role_id),
        "timing": {
            "expected_at": number(trial.told_expected_at),
            "delay_s": number(trial.timing.delay_s),
            "result": trial.timing.result,
        },
        "conditions": [condition_json(condition) for condition in trial.conditions],
        "findings": [
            {"code": one.code, "severity": one.severity, "sentence": one.sentence, "at": number(one.at)}
            for one in trial.findings
        ],
        "alert": {
            "expected": list(trial.alert.expected or ()),
            "given": list(trial.alert.given),
            "at": number(trial.alert.at),
            "evidence": trial.alert.evidence,
            "result": trial.alert.result,
        },
        "response": response,
        "response_hidden": trial.response_hidden,
        "what_now": trial.what_now,
        **({} if trial.surprises else {"surprises": False}),
        **({} if trial.treatment is None else {"treatment": trial.treatment}),
        **({"sources": [source_json(one) for one in trial.sources]} if trial.sources else {}),
    }


def ruling_json(ruling: Ruling) -> dict[str, Any]:
    """One ruling; `seen` is null where it was not recorded what its author knew."""
    seen = ruling.seen
    return {
        "verdict": ruling.verdict,
        "reason": ruling.reason,
        "words": ruling.words,
        "by": ruling.by,
        "at": number(ruling.told_at),
        "wall": number(ruling.told_wall),
        "seen": seen and {name: getattr(seen, name) for name in Seen.__slots__},
    }


def source_json(source: SourceEvidence) -> dict[str, Any]:
    """A further source at the fire."""
    fields = {name: getattr(source, name) for name in SourceEvidence.__slots__}
    return fields | {name: number(fields[name]) for name in ("offset_s", "uncertainty_s")}


def condition_json(condition: ConditionResult) -> dict[str, Any]:
    """One condition as the contract states it."""
    fields: dict[str, Any] = {
        "name": condition.name,
        "measure": condition.measure,
        "role": condition.role,
        "state": condition.state,
        "unit": condition.unit,
        "result": condition.result,
        "at_edge": condition.at_edge,
        "required": condition.required,
    }
    for name in ("at_least", "at_most", "value", "margin"):
        fields[name] = number(getattr(condition, name))
    told = condition.evidence or ConditionEvidence((), None, None, None)
    fields["evidence"] = {
        "by": list(told.by),
        "rebuilt": number(told.rebuilt),
        "differs": number(told.differs),
        "noticed_from": number(told.noticed_from),
    }
    if condition.outside is not None:
        fields["outside"] = list(condition.outside)
    if condition.any_of:
        fields["any_of"] = list(condition.any_of)
    return fields


def response_json(response: Response) -> dict[str, Any]:
    """The response: the contract's keys, then the further figures; what only some studies ask for where it is there.

    What only the comparison of groups needs of the time watched is no part of it.
    """
    return {
        name: number(value) if isinstance(value, float) else value
        for name, value in ((name, getattr(response, name)) for name in Response.__slots__)
        if name not in _OF_WATCHING and (name not in _WHERE_ASKED or value not in (None, {}))
    }


_OF_WATCHING = ("contact_s", "watched_s", "not_watched")
_WHERE_ASKED = ("signs", "sign_states", "max_lateral_deviation_m", "time_to_stable_s", "min_ttc_bodies_s")


def notes_json(session: Session, first: int = 0) -> list[dict[str, Any]]:
    """The operator's notes from one on, without the times of those that were entered after a drive with a hidden
    response."""
    times = session.told_times()
    return [note_json(note, times) for note in session.operator.notes[first:]]


def note_json(note: Note, times: ToldTimes) -> dict[str, Any]:
    """One note as the contract states it."""
    back = note.retracted
    return {
        "at": number(times.at(note.drive, note.at)),
        "drive": note.drive,
        "wall": number(times.wall(note.wall)),
        "by": note.by,
        "text": note.text,
        "retracted": back and {"by": back.by, "wall": number(times.wall(back.wall)), "words": back.words},
    }

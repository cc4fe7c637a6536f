"""The safety report as plain values, for programs: with the sixteen answers of each questionnaire."""

from __future__ import annotations

from typing import Any

from monitor.judging.case.trial import Retraction
from monitor.judging.day.log import Event, FilledIn
from monitor.judging.rules.stopped import Stop
from monitor.judging.symptoms import ITEMS
from monitor.reports.assigning.asked import Asked
from monitor.reports.safety.sessions import SafetyFacts, SafetySession


def safety_json(facts: SafetyFacts, asked: Asked) -> dict[str, Any]:
    """The JSON document of the command."""
    return {
        "sessions": [_session(one) for one in facts.sessions],
        "withdrawn": [{"date": one.date, "study": one.study, "kept": list(one.kept)} for one in facts.withdrawn],
        "unreadable": list(facts.unreadable),
        "asked": asked.as_json(),
    }


def _session(one: SafetySession) -> dict[str, Any]:
    log = one.operator.day
    return {
        "record": one.record,
        "participant": one.participant,
        "study": one.study,
        "began": one.began,
        "stops": [_stop(each) for each in one.stops],
        "events": [_event(each) for each in log.events],
        "symptoms": [_symptoms(each) for each in log.symptoms],
        "comfort": [{"rating": each.rating, "wall": _minute(each.wall)} for each in one.comfort],
        "fit": [
            {"fit": each.fit, "words": each.words, "wall": _minute(each.entered.wall), "by": each.entered.by}
            for each in log.fitness
        ],
        "reminded": [{"words": each.words, "wall": _minute(each.entered.wall)} for each in log.reminders],
        "missing": list(one.missing),
        "faults": list(one.faults),
    }


def _minute(wall: float) -> float:
    """No finer than the report in words: of what was entered as a drive ended, the second tells how long it took."""
    return 60.0 * (wall // 60.0)


def _stop(one: Stop) -> dict[str, Any]:
    lifted = one.lifted and {"wall": _minute(one.lifted.wall), "by": one.lifted.by, "words": one.why_lifted}
    return {"why": one.words, "wall": _minute(one.entered.wall), "by": one.entered.by, "lifted": lifted}


def _event(one: Event) -> dict[str, Any]:
    return {
        "name": one.name,
        "kind": one.kind,
        "text": one.text,
        "wall": _minute(one.entered.wall),
        "by": one.entered.by,
        "retracted": _retracted(one.retracted),
    }


def _symptoms(one: FilledIn) -> dict[str, Any]:
    scores = one.scores
    return {
        "when": one.when,
        "answers": dict(zip(ITEMS, one.answers, strict=True)),
        "nausea": scores.nausea,
        "oculomotor": scores.oculomotor,
        "disorientation": scores.disorientation,
        "total": scores.total,
        "wall": _minute(one.entered.wall),
        "by": one.entered.by,
        "retracted": _retracted(one.retracted),
    }


def _retracted(one: Retraction | None) -> dict[str, Any] | None:
    return None if one is None else {"by": one.by, "wall": _minute(one.wall), "words": one.words}

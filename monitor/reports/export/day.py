"""Rows of what was entered of the day around the drive: in the seat, events, symptoms, fitness, debrief, notes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from monitor.judging.case.trial import Note
from monitor.judging.day.log import FilledIn
from monitor.judging.rules.stopped import Instant
from monitor.judging.session import Session
from monitor.judging.symptoms import ITEMS

Row = dict[str, Any]


def day_rows(session: Session, *, masked: bool) -> Iterator[Row]:
    """One record's rows, without its name; times are `wall`. `masked`: without the participant's own words of the
    event, which tell of the response."""
    log = session.operator.day
    for seat in log.rehearsed.perceived if log.rehearsed is not None else ():
        yield {"wall": seat.wall, "by": seat.by, "entry": "perceived", "item": seat.name, "answer": seat.answer}
    for event in log.events:
        row = {"entry": event.kind, "item": event.name, "words": event.text}
        yield {**_when(event.entered), **row, "retracted": event.retracted is not None}
    for stop in session.operator.stops:
        words = stop.words if stop.lifted is None else f"{stop.words}; lifted by {stop.lifted.by}: {stop.why_lifted}"
        yield {**_when(stop.entered), "entry": "stop", "item": stop.code, "words": words}
    for filled in log.symptoms:
        yield from _symptoms(filled)
    for fit in log.fitness:
        row = {"entry": "fit", "answer": "yes" if fit.fit else "no", "words": fit.words}
        yield {**_when(fit.entered), **row, "retracted": fit.retracted is not None}
    keyed = {one.name for one in session.study.day.debrief if one.answers}
    for said in log.debrief:
        words = said.words if not masked or said.item in keyed else ""
        yield {**_when(said.entered), "entry": "debrief", "item": said.item, "answer": said.answer, "words": words}
    for one in log.reminders:
        yield {**_when(one.entered), "entry": "reminded", "item": one.about, "answer": one.level, "words": one.words}


def _symptoms(filled: FilledIn) -> Iterator[Row]:
    scores = filled.scores
    values: dict[str, float] = dict(zip(ITEMS, filled.answers, strict=True))
    values |= {"score nausea": scores.nausea, "score oculomotor": scores.oculomotor}
    values |= {"score disorientation": scores.disorientation, "score total": scores.total}
    head = {**_when(filled.entered), "entry": f"symptoms {filled.when}", "retracted": filled.retracted is not None}
    yield from ({**head, "item": name, "answer": f"{value:g}"} for name, value in values.items())


def _when(entered: Instant) -> Row:
    return {"drive": entered.drive, "t_s": entered.at, "wall": entered.wall, "by": entered.by, "retracted": False}


def note_row(note: Note) -> Row:
    """A note or mark, with who took it back, where somebody did."""
    back = note.retracted
    return {
        "drive": note.drive,
        "t_s": note.at,
        "by": note.by,
        "text": note.text,
        "mark": note.code,
        "retracted": back is not None,
        "retracted_by": back.by if back else "",
        "retracted_words": back.words if back else "",
    }

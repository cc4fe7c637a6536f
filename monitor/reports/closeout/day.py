"""The day around the drive in the report of one run: this morning's rehearsal, earlier runs, how the participant was,
the debrief, and what belongs to the session beside the record. Nothing for a study that asks for none of it."""

from __future__ import annotations

from monitor.judging.day.log import DayLog
from monitor.judging.session import Session
from monitor.reports.closeout.sections import Section, Table, minute

HIDDEN = "hidden until the ruling (blind record)"
"""What a participant says in own words of the event tells of the response."""


def day_sections(session: Session) -> tuple[Section, ...]:
    """What was entered of the day, in the order of the day."""
    log = session.operator.day
    return (*_rehearsed(log), *_earlier(log), *_safety(log, session), *_debrief(session), *_companions(session))


def day_left_to_do(session: Session) -> list[str]:
    """What the study asks for and nobody entered, a sentence each."""
    day, log = session.study.day, session.operator.day
    said = [
        f"Not answered in the debrief of drive {drive}: {', '.join(items)}."
        for drive, items in _unanswered(session).items()
    ]
    if day.safety is not None:
        asked = {when for run in log.earlier or () for when in run.filled}
        lacking = [when for when in day.safety.questionnaire if log.filled_in(when) is None and when not in asked]
        said += [f"Symptoms {when} the drive were not asked." for when in lacking]
        if day.safety.fit_to_leave and log.fit is None:
            said.append("Nobody has said whether the participant is fit to leave.")
    return said + [f"{one.name}: {one.words}." for one in session.companions() if one.is_there is False]


def _unanswered(session: Session) -> dict[int, list[str]]:
    items, found = session.study.day.debrief, {}
    for drive in sorted({trial.drive for trial in session.trials() if trial.fired_at is not None}):
        answers = session.operator.day.answers_after(drive)
        lacking = [one.name for one in items if one.name not in answers]
        if lacking:
            found[drive] = lacking
    return found


def _rehearsed(log: DayLog) -> tuple[Section, ...]:
    found = log.rehearsed
    said = [
        f"{name} could not be read when the run began, and is newer than any that could." for name in log.unreadable
    ]
    if found is not None:
        go = "Go" if found.go else "NO-GO"
        said += [f"{go} of {minute(found.at)}, by {found.by}, study file {found.study_sha256[:8]}."]
        said += [f"In the seat: {one.name} was {_perceived(one.answer)}, says {one.by}." for one in found.perceived]
    return (Section(2, "Rehearsal before this run", tuple(said)),) if said else ()


def _perceived(answer: str) -> str:
    return "NOT perceived" if answer == "no" else answer


def _earlier(log: DayLog) -> tuple[Section, ...]:
    rows = [
        (
            one.record,
            ", ".join(filter(None, one.scenarios)) or "none named",
            f"{sum(each.driven_s for each in one.stretches) / 60.0:.0f} min",
            "; ".join(one.stops) or "–",
        )
        for one in log.earlier or ()
    ]
    table = Table(("record", "drives", "driven", "stops"), tuple(rows))
    return (Section(2, "Earlier runs of the participant", table=table),) if rows else ()


def _safety(log: DayLog, session: Session) -> tuple[Section, ...]:
    """Events, symptoms and fitness with their times; notes have them, too, in the order of entry."""
    times = session.told_times()

    def when(wall: float, before: str = "") -> str:
        told = times.wall(wall)
        return "when is hidden until the ruling" if told is None else f"{before}{minute(told)}"

    said = [
        f"{one.name}, {when(one.entered.wall)}: {one.text}, by {one.entered.by}."
        for one in log.events
        if one.retracted is None
    ]
    said += [f"Symptoms {one.when} the drive: {one.scores.words()}." for one in log.symptoms if one.retracted is None]
    said += [f"Reminded {when(one.entered.wall, 'at ')}: {one.words}." for one in log.reminders]
    said += [f"{log.fit.said[0].upper()}{log.fit.said[1:]}."] if log.fit is not None else []
    return (Section(2, "How the participant was", tuple(said)),) if said else ()


def _debrief(session: Session) -> tuple[Section, ...]:
    hides = any(trial.withheld for trial in session.trials())
    asked = {one.name: one for one in session.study.day.debrief}
    rows = []
    for one in session.operator.day.debrief:
        item = asked.get(one.item)
        is_free = item is None or not item.answers
        drive = "–" if one.entered.drive is None else str(one.entered.drive)
        answer = HIDDEN if hides and is_free else one.said
        seen = "not recorded" if one.seen is None else "shown" if one.seen.verdict else "not shown"
        rows.append((item.ask if item is not None else one.item, answer, drive, seen))
    table = Table(("asked", "answer", "drive", "verdict before"), tuple(rows))
    return (Section(2, "Debrief", table=table),) if rows else ()


def _companions(session: Session) -> tuple[Section, ...]:
    states = {True: "there", False: "MISSING", None: "–"}
    rows = [(one.name, states[one.is_there], one.words) for one in session.companions()]
    table = Table(("companion", "", "by what"), tuple(rows))
    return (Section(2, "Beside the record", table=table),) if rows else ()

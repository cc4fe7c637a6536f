"""The safety report in sections, for somebody who knows nothing of the program: an ethics board, a physician, a monitor
of the study. Times are told to the minute; nothing of driving, responses, verdicts or groups is in it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

from monitor.archive.gathering import count, listed
from monitor.judging.case.trial import Retraction
from monitor.judging.day.log import EVENT_WORDS, EventKind, FilledIn
from monitor.judging.rules.stopped import Stop
from monitor.judging.symptoms import ANSWERS, ITEMS, score_symptoms
from monitor.reports.assigning.asked import Asked
from monitor.reports.closeout.sections import Section, Table, minute
from monitor.reports.safety.sessions import Gone, SafetyFacts, SafetySession

WHAT_IT_IS = (
    "This report lists what the people who ran the sessions entered about the well-being of the participants: stopped "
    "sessions, adverse events, deviations from the protocol, symptoms, and whether participants were fit to leave.",
    "Participants are named by their study codes. Times are UTC, to the minute. Words in quotation marks were written "
    "by the person named beside them. Where a list is empty, nothing was entered: that does not prove that nothing "
    "happened.",
    "Nothing that was measured of how anybody drove or reacted, and no group of the study, is in it.",
    "The program that kept these entries reminds and records. It decided none of them, it is no safety device, and it "
    "replaces no rule, emergency stop or person of the facility.",
)
NOTHING_OPEN = (
    "None: all that the study asks for was entered. Of somebody who did not drive it asks nothing about after a drive."
)

QUESTIONNAIRE = (
    "Simulator Sickness Questionnaire (Kennedy, Lane, Berbaum and Lilienthal 1993): sixteen symptoms, each none (0), "
    "slight (1), moderate (2) or severe (3). Weighted totals run from 0 to 235.6; healthy people before a drive are "
    "often above 0, so that the change from before to after tells more than either."
)
MODERATE = 2
"""From this answer on a symptom is named."""

Rows = list[tuple[str, ...]]


def safety_report(facts: SafetyFacts, asked: Asked) -> tuple[Section, ...]:
    """The whole report. `asked`: who was invited and did not come, or was not taken."""
    return (
        _head(facts),
        _in_numbers(facts, asked),
        _stops(facts.sessions),
        _events(facts, "adverse", "Adverse events"),
        _events(facts, "deviation", "Deviations from the protocol"),
        _symptoms(facts.sessions),
        *_comfort(facts.sessions),
        *_driving(facts.sessions),
        _fit(facts.sessions),
        *_taken_back(facts.sessions),
        *_withdrawn(facts.withdrawn),
        _open(facts),
        _records(facts),
    )


def visits(sessions: Iterable[SafetySession]) -> dict[tuple[str, str], list[SafetySession]]:
    """Participant and day → the records of that visit: practice and main drive may have one each."""
    found: dict[tuple[str, str], list[SafetySession]] = {}
    for one in sessions:
        found.setdefault((one.participant, day_of(one.began)), []).append(one)
    return found


def missing_in(visit: Sequence[SafetySession]) -> list[str]:
    """What the study asks for and nobody entered on a visit."""
    each = [set(one.missing) for one in visit if one.asks is not None]
    lacking = set.intersection(*each) if each else set()
    return [
        name for name in ("symptoms before the drive", "symptoms after the drive", "fit to leave") if name in lacking
    ]


def day_of(wall: float) -> str:
    """By UTC, as all times of the report."""
    return minute(wall)[:10] if wall else "not known"


def _head(facts: SafetyFacts) -> Section:
    titles = list(dict.fromkeys(one.title for one in facts.sessions))
    days = sorted({day_of(one.began) for one in facts.sessions})
    people = len({one.participant for one in facts.sessions})
    made = f"Made from the records of {count(len(facts.sessions), 'session')} of {count(people, 'participant')}"
    made += f", {days[0]} to {days[-1]}." if len(days) > 1 else f", {days[0]}." if days else "."
    title = " + ".join(titles) or "no session"
    return Section(1, f"Safety report: {title}", (made, *WHAT_IT_IS))


def _in_numbers(facts: SafetyFacts, asked: Asked) -> Section:
    sessions = facts.sessions
    events = [event for one in sessions for event in one.operator.day.events if event.retracted is None]
    rows: Rows = [
        ("participants who came to a session and did not withdraw", str(len({one.participant for one in sessions}))),
        ("participants who were stopped", str(len({one.participant for one in sessions if one.stops}))),
        ("adverse events", str(sum(event.kind == "adverse" for event in events))),
        ("deviations from the protocol", str(sum(event.kind == "deviation" for event in events))),
        ("participants who withdrew", str(len({one.whose for one in facts.withdrawn}))),
    ]
    if asked.any:
        rows.append(("invited and did not come", str(asked.no_shows)))
        rows += [(f"not taken: {words}", str(number)) for words, number in asked.by_words.items()]
    return Section(2, "In numbers", table=Table(("", "number"), tuple(rows)))


def _stops(sessions: Sequence[SafetySession]) -> Section:
    rows = [(one.participant, minute(stop.entered.wall), *_stop(stop)) for one in sessions for stop in one.stops]
    return _listed(
        "Stopped sessions", ("participant", "when", "why", "entered by", "went on later"), rows, "No stop was entered."
    )


def _stop(stop: Stop) -> tuple[str, str, str]:
    then = "no"
    if stop.lifted is not None:
        then = f'yes, {minute(stop.lifted.wall)} by {stop.lifted.by}: "{stop.why_lifted}"'
    return stop.words, stop.entered.by, then


def _events(facts: SafetyFacts, kind: EventKind, heading: str) -> Section:
    """Numbered through the study, in the order of entry; the number in the session's own record stands beside it."""
    found = sorted(
        ((one, event) for one in facts.sessions for event in one.operator.day.events if event.kind == kind),
        key=lambda pair: (pair[1].entered.wall, pair[0].record, pair[1].number),
    )
    rows = [
        (
            str(number),
            one.participant,
            event.name,
            minute(event.entered.wall),
            f'"{event.text}"{_back(event.retracted)}',
            event.entered.by,
        )
        for number, (one, event) in enumerate(found, start=1)
    ]
    head = ("number", "participant", "in the record", "when", "what happened", "entered by")
    return _listed(heading, head, rows, f"No {EVENT_WORDS[kind]} was entered.")


def _symptoms(sessions: Sequence[SafetySession]) -> Section:
    rows: Rows = []
    for (participant, day), visit in visits(sessions).items():
        filled = {when: _filled(visit, when) for when in ("before", "after")}
        if not any(filled.values()):
            continue
        first, last = filled["before"], filled["after"]
        change = "–" if first is None or last is None else f"{last.scores.total - first.scores.total:+.2f}"
        after = _total(last) if last is not None or any(one.drove for one in visit) else "did not drive"
        rows.append((participant, day, _total(first), after, change, _named(last or first)))
    head = ("participant", "day", "total before", "total after", "change", "moderate or severe, last answer")
    section = _listed("Symptoms", head, rows, "No questionnaire was entered.")
    return Section(
        2, section.heading, (QUESTIONNAIRE, *section.sentences) if rows else section.sentences, section.table
    )


def _filled(visit: Sequence[SafetySession], when: str) -> FilledIn | None:
    """The first one of before the drive, the last one of after it."""
    found = [one for each in visit if (one := each.operator.day.filled_in(when)) is not None]
    return None if not found else found[0] if when == "before" else found[-1]


def _total(filled: FilledIn | None) -> str:
    return "not asked" if filled is None else f"{filled.scores.total:.2f}"


def _named(filled: FilledIn | None) -> str:
    answers = filled.answers if filled is not None else ()
    named = [f"{item} ({ANSWERS[n]})" for item, n in zip(ITEMS, answers, strict=False) if n >= MODERATE]
    return ", ".join(named) or "none"


def _comfort(sessions: Sequence[SafetySession]) -> tuple[Section, ...]:
    rows = [
        (one.participant, day_of(one.began), ", ".join(f"{rating.rating:g}" for rating in one.comfort))
        for one in sessions
        if one.comfort
    ]
    said = ["Spoken during the session, from 0 (fine) to 20 (very sick), in the order in which they were given."]
    rules = {one.comfort_stop_at for one in sessions if one.comfort_stop_at is not None}
    said += [f"The study's rule: a session is stopped at a rating of {rule:g} or more." for rule in sorted(rules)]
    table = Table(("participant", "day", "ratings"), tuple(rows))
    return (Section(2, "Comfort ratings", tuple(said), table),) if rows else ()


def _driving(sessions: Sequence[SafetySession]) -> tuple[Section, ...]:
    rows = [
        (one.participant, minute(reminder.entered.wall), reminder.words)
        for one in sessions
        for reminder in one.operator.day.reminders
    ]
    table = Table(("participant", "when", "what was said"), tuple(rows))
    return (Section(2, "Limits of driving time that were near or passed", table=table),) if rows else ()


def _fit(sessions: Sequence[SafetySession]) -> Section:
    rows = [
        (
            one.participant,
            minute(fit.entered.wall),
            "yes" if fit.fit else "NO",
            f'"{fit.words}"{_back(fit.retracted)}' if fit.words or fit.retracted else "",
            fit.entered.by,
        )
        for one in sessions
        for fit in one.operator.day.fitness
    ]
    head = ("participant", "when", "fit to leave", "words", "said by")
    return _listed("Fit to leave", head, rows, "Nobody said of anybody whether they were fit to leave.")


def _taken_back(sessions: Sequence[SafetySession]) -> tuple[Section, ...]:
    """Marks of unwell, emergency stops and ratings that were taken back; events say it where they stand."""
    events = {event.key for one in sessions for event in one.operator.day.events}
    rows = [
        (one.participant, minute(note.wall), note.text, f'by {note.retracted.by}: "{note.retracted.words}"')
        for one in sessions
        for note in one.operator.notes
        if note.must_say_why and note.retracted is not None and note.key not in events
    ]
    table = Table(("participant", "when", "what was entered", "taken back"), tuple(rows))
    return (Section(2, "Entered and taken back", table=table),) if rows else ()


def _withdrawn(gone: Sequence[Gone]) -> tuple[Section, ...]:
    """A withdrawal leaves no code and no data, but what the protocol keeps."""
    if not gone:
        return ()
    said = [
        f"On {day} the data of {count(number, 'session')} were erased, because the participant withdrew consent."
        for (_, day), number in Counter((one.whose, one.date) for one in gone).items()
    ]
    rows = [
        (one.date, minute(_wall(event)), _kept(event), str(event.get("by") or "")) for one in gone for event in one.kept
    ]
    if rows:
        said.append("Adverse events of withdrawn participants, kept as the approved protocol says, without a code:")
    head = ("withdrawn", "when", "what was entered", "entered by")
    return (Section(2, "Withdrawn", tuple(said), Table(head, tuple(rows)) if rows else None),)


def _wall(event: dict[str, Any]) -> float:
    wall = event.get("wall")
    return float(wall) if isinstance(wall, int | float) else 0.0


def _kept(event: dict[str, Any]) -> str:
    if event.get("type") == "comfort":
        return f"comfort rating {event.get('rating')}"
    if event.get("type") == "symptoms":
        try:
            return f"symptoms {event.get('when')} the drive: {score_symptoms(event['answers']).words()}"
        except (ValueError, TypeError, KeyError):
            return "symptoms that cannot be read"
    return str(event.get("text") or event.get("code") or event.get("words") or event.get("type"))


def _open(facts: SafetyFacts) -> Section:
    """What nobody must overlook in the lists above."""
    said = [
        f"{participant}, {day}: {', '.join(lacking)} not entered, and the study asks for it."
        for (participant, day), visit in visits(facts.sessions).items()
        if (lacking := missing_in(visit))
    ]
    said += [
        f"{one.record} is damaged, entries may be missing: {fault}" for one in facts.sessions for fault in one.faults
    ]
    said += [f"Nobody can say what was entered in {one}" for one in facts.unreadable]
    return Section(2, "Open questions", tuple(said) or (NOTHING_OPEN,))


def _records(facts: SafetyFacts) -> Section:
    names = [one.record for one in facts.sessions]
    return Section(
        2, "Made from these records", (listed(names) if len(names) <= 3 else ", ".join(names),) if names else ("none",)
    )


def _listed(heading: str, head: tuple[str, ...], rows: Sequence[tuple[str, ...]], nothing: str) -> Section:
    if not rows:
        return Section(2, heading, (nothing,))
    return Section(2, heading, table=Table(head, tuple(rows)))


def _back(retracted: Retraction | None) -> str:
    return "" if retracted is None else f' (taken back by {retracted.by}: "{retracted.words}")'

"""What a live run is told of the day around the drive: whether the rehearsal's go still holds, what was heard and felt,
what the participant has driven before, and what is due.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

from monitor import __version__
from monitor.archive.program import program_digest
from monitor.archive.rehearsals import NewestRehearsal
from monitor.following.around import DayView, DebriefLine, LimitView
from monitor.following.view import LiveView, PreflightLine
from monitor.judging.case.trial import Result, Trial
from monitor.judging.day.driving import Driven, Due, driven, due, stretches_of
from monitor.judging.day.log import Answered
from monitor.judging.session import Session
from monitor.study.day.model import AskedWhen, DebriefItem

NEEDED = "go, today"
KEPT_ON_TIMELINE = ("note", "loss", "trigger")
"""What of a drive's time line tells nothing of the response."""


def rehearsed_line(session: Session, newest: NewestRehearsal, wall: float) -> PreflightLine:
    """The newest kept rehearsal: a go holds for its date, study file, program and channel maps; else what has changed.

    It stops a run only where the study needs a go, or where today's was a no-go. A newer page that cannot be read may
    have been a no-go, so that a go before it is none.
    """
    rule = session.study.day.rehearsal
    lacking: Result = "not met" if rule is not None and rule.needed else "undecided"
    line = _readable_line(session, newest.page, wall, lacking)
    if not newest.unreadable:
        return line
    more = f" and {len(newest.unreadable) - 1} more" if len(newest.unreadable) > 1 else ""
    given = f"{newest.unreadable[0]}{more} cannot be read; before it: {line.given}"
    return replace(line, given=given, result="not met" if line.result == "not met" else lacking)


def _readable_line(session: Session, page: dict[str, Any] | None, wall: float, lacking: Result) -> PreflightLine:
    at = page.get("at") if page is not None else None
    if page is None or not isinstance(at, int | float):
        return PreflightLine("rehearsal", NEEDED, "no rehearsal of this study is kept", lacking)
    when = datetime.fromtimestamp(at, UTC)
    said = "go" if page.get("go") is True else "no-go"
    changed = list(_changed_since(session, page, wall))
    if not changed:
        given = f"{said} at {when:%H:%M} UTC"
        return PreflightLine("rehearsal", NEEDED, given, "met" if page.get("go") is True else "not met")
    day = f"{when:%H:%M} UTC" if _day(at) == _day(wall) else f"{_day(at)}"
    return PreflightLine("rehearsal", NEEDED, f"the {said} of {day} has expired: {', '.join(changed)}", lacking)


def _changed_since(session: Session, page: dict[str, Any], wall: float) -> Iterator[str]:
    """What is another one now. What a page of an older version does not keep is not claimed to have changed."""
    days = (_day(wall) - _day(float(page["at"]))).days
    if days:
        yield "yesterday's" if days == 1 else f"{days} days old" if days > 0 else "its date is after today"
    if page.get("study_sha256") != session.study.sha256:
        yield f"another study file ({str(page.get('study_sha256'))[:8]}, now {session.study.sha256[:8]})"
    kept = page.get("program")
    if isinstance(kept, dict) and kept.get("digest") != program_digest():
        version = kept.get("version")
        yield f"program {version}, now {__version__}" if version != __version__ else "the program was changed"
    maps = page.get("channel_maps")
    hello = session.current.log.hello if session.current is not None else None
    if isinstance(maps, list) and hello is not None and set(maps) != set(hello.channel_maps):
        yield "another channel map" if maps and hello.channel_maps else "no channel map" if maps else "a channel map"


def _day(wall: float) -> date:
    """The date where this machine stands: a laboratory far from Greenwich has its morning on another UTC day."""
    return datetime.fromtimestamp(wall, UTC).astimezone().date()


def day_lines(session: Session) -> Iterator[PreflightLine]:
    """Lines for what the study's sections ask for; none where it has none of them."""
    day, log = session.study.day, session.operator.day
    if day.rehearsal is not None and day.rehearsal.perceived:
        yield from _perceived(session)
    if session.study.looks_back and log.earlier is None:
        yield PreflightLine("earlier runs", "known", "nobody has looked", "undecided")
    elif session.study.looks_back and log.earlier:
        runs = log.earlier
        last = runs[-1]
        given = (
            f"{len(runs)}, the last one {_day(last.began)} ({', '.join(filter(None, last.scenarios)) or 'no drive'})"
        )
        stops = [f"{_day(run.began)} {words}" for run in runs for words in run.stops]
        yield PreflightLine("earlier runs", "known", given, "met")
        if stops:
            yield PreflightLine("earlier stops", "none", "; ".join(stops), "undecided")
    yield from _driven(session)
    yield from _order(session)
    yield from _companions(session)
    yield from _lot(session)


def _companions(session: Session) -> Iterator[PreflightLine]:
    """Signals beside the simulator's own, as well as they are measured so far; it stops nobody."""
    signals = {one.name: one for one in session.study.day.companions if one.signal is not None}
    for state in session.companions():
        if state.name in signals and session.drives:
            needed = f"measured in {100.0 * signals[state.name].measured_at_least:.0f} %"
            yield PreflightLine(state.name, needed, state.words, "met" if state.is_there else "undecided")


def _lot(session: Session) -> Iterator[PreflightLine]:
    """In a study whose lots wait: that this run is before the participant's lot, and for what it waits."""
    rule, opening = session.study.assignment, session.opening
    if rule is None or not rule.after or opening.group is not None:
        return
    ticked = {*session.operator.steps_done, *session.operator.day.ticked_before}
    left = [step for step in rule.after if step not in ticked]
    given = f"before it: {', '.join(left)} to tick" if left else "before it: all ticked, opened with the next run"
    yield PreflightLine("lot", f"after {len(rule.after)} steps", given, "undecided")


def _perceived(session: Session) -> Iterator[PreflightLine]:
    """Each alert that somebody in the seat was to perceive this morning."""
    rule, found = session.study.day.rehearsal, session.operator.day.rehearsed
    assert rule is not None
    answers = {one.name: one for one in found.perceived} if found is not None else {}
    for one in rule.perceived:
        answer, needed = answers.get(one.name), one.expected or "perceived"
        if answer is None:
            yield PreflightLine(one.name, needed, "nobody in the seat has said", "undecided")
            continue
        fits = answer.answer != "no" and one.expected in (None, answer.answer)
        given = "not perceived" if answer.answer == "no" else answer.answer
        day = "" if _day(answer.wall) == _day(session.last_wall_ns / 1e9) else f"{_day(answer.wall)} "
        when = f"{day}{datetime.fromtimestamp(answer.wall, UTC):%H:%M} UTC"
        yield PreflightLine(one.name, needed, f"{given}, by {answer.by}, {when}", "met" if fits else "not met")


def limit_now(session: Session) -> Due | None:
    """The limit of driving that is near or passed now."""
    limits = session.study.day.limits
    return None if limits is None else due(_driven_today(session), limits)


def day_view(session: Session, trials: Sequence[Trial], *, history: bool) -> DayView:
    """What the screen shows of the day. `history`: of a record that is looked at afterwards nothing is due any more."""
    day, log = session.study.day, session.operator.day
    asked = {
        "safety": day.safety is not None or day.limits is not None,
        "debrief": bool(day.debrief),
        "companions": bool(day.companions),
    }
    if not any(asked.values()):
        return DayView(comfort=tuple(session.operator.comfort))  # whoever takes over is told, whatever a study asks
    found, drive = None if history else limit_now(session), session.current
    index = drive.log.index if drive is not None else None
    answers = log.answers_after(index)
    hides = history and any(trial.withheld for trial in trials)
    debrief = tuple(
        DebriefLine(one.name, one.ask, one.answers, _answered(one, answers.get(one.name), hides=hides))
        for one in day.debrief
    )
    is_over = drive is not None and drive.log.ended
    fired = any(trial.fired_at is not None and trial.drive == index for trial in trials)
    driven_now = None if history or day.limits is None else _driven_today(session)
    return DayView(
        asked=frozenset(name for name, is_asked in asked.items() if is_asked),
        limit=None if found is None else LimitView(found.short, found.sentence, over=found.level == "over"),
        driven="" if driven_now is None else _driven_words(driven_now),
        debrief=debrief,
        asks_debrief=fired,
        asks_first=not history and is_over and fired and any(one.answered is None for one in debrief),
        log=log,
        stops=tuple(session.operator.stops),
        comfort=tuple(session.operator.comfort),
        questionnaire=tuple(_to_ask(session)),
        asks_fit=day.safety is not None and day.safety.fit_to_leave,
        companions=session.companions(),
    )


def _answered(item: DebriefItem, found: Answered | None, *, hides: bool) -> str | None:
    """What was answered; who looks at a blind record before the ruling is not told the participant's own words."""
    if found is None:
        return None
    return "hidden until the ruling" if hides and not item.answers else found.said


def _to_ask(session: Session) -> Iterator[AskedWhen]:
    """When the questionnaire is asked, but for what was filled in in an earlier run today."""
    rule, log = session.study.day.safety, session.operator.day
    today = _day(session.last_wall_ns / 1e9)
    asked = {when for run in log.earlier or () if _day(run.began) == today for when in run.filled}
    yield from (
        when for when in (rule.questionnaire if rule is not None else ()) if when not in asked or log.filled_in(when)
    )


def without_trials(view: LiveView) -> LiveView:
    """The view with nothing of a trial or a response in it: between the drive's end and the debrief. The course of the
    last minute, or of the drive, would show how the participant braked."""
    timeline = tuple(mark for mark in view.timeline if mark.kind in KEPT_ON_TIMELINE)
    hidden = replace(view, trials=(), contested=(), lost_words=(), saved=None, responses=(), timeline=timeline)
    return replace(hidden, strips=(), whole=(), slow=(), day=replace(view.day, hides_trials=True))


def _driven_words(found: Driven) -> str:
    return f"{found.total_min:.0f} min driven today, {found.since_break_min:.0f} min since the last break"


def _driven_today(session: Session) -> Driven | None:
    limits = session.study.day.limits
    assert limits is not None
    began = session.last_wall_ns / 1e9
    earlier = [
        one for run in session.operator.day.earlier or () if _day(run.began) == _day(began) for one in run.stretches
    ]
    return driven([*earlier, *stretches_of(drive.log for drive in session.drives)], limits)


def _driven(session: Session) -> Iterator[PreflightLine]:
    limits = session.study.day.limits
    if limits is None:
        return
    found = _driven_today(session)
    total_min, since_min = (found.total_min, found.since_break_min) if found is not None else (0.0, 0.0)
    for what, minutes, limit in (
        ("driven today", total_min, limits.total_min),
        ("since a break", since_min, limits.since_break_min),
    ):
        if limit is not None:
            over: Result = "met" if minutes < limit else "undecided"
            yield PreflightLine(what, f"under {limit:g} min", f"{minutes:.0f} min", over)


def _order(session: Session) -> Iterator[PreflightLine]:
    """Whether this drive is the one that comes next for the participant, and whether enough days lie between."""
    rule, runs = session.study.day.sessions, session.operator.day.earlier
    if rule is None or runs is None:
        return
    began = session.last_wall_ns / 1e9
    days = [_day(run.began) for run in runs if _day(run.began) != _day(began)]
    if rule.days_apart is not None and days:
        apart = (_day(began) - days[-1]).days
        fits: Result = "met" if apart >= rule.days_apart else "not met"
        yield PreflightLine("days apart", f"{rule.days_apart} or more", str(apart), fits)
    driven_before = [name for run in runs for name in run.scenarios]
    drives = [drive.log.hello.scenario or "" for drive in session.drives if drive.log.hello is not None]
    place = len(driven_before) + max(len(drives) - 1, 0)
    if not rule.scenarios:
        return
    due_now = rule.scenarios[place] if place < len(rule.scenarios) else None
    needed = "no further drive" if due_now is None else f"{due_now}, drive {place + 1} of {len(rule.scenarios)}"
    if not drives:
        yield PreflightLine("order", needed, "no drive yet", "undecided")
    else:
        given = drives[-1] or "not said"
        result: Result = "undecided" if not drives[-1] else "met" if drives[-1] == due_now else "not met"
        yield PreflightLine("order", needed, given, result)

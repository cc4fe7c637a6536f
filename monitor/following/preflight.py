"""Preflight: what a study needs against what is there, before the participant drives. One heading: GO or NOT YET.

What is not met says NOT YET; what cannot be told ("not said", "no rehearsal today") is shown and stops nobody.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from monitor.archive.rehearsals import NewestRehearsal
from monitor.following.coming.channels import FAR_EVERY_S, ChannelWatch
from monitor.following.day import day_lines, rehearsed_line
from monitor.following.heading.run import NOT_RECORDING
from monitor.following.source_words import clock_words
from monitor.following.view import LiveView, PreflightLine, PreflightView
from monitor.following.words import minutes_text
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.sources import SourceRun
from monitor.judging.case.trial import Result
from monitor.judging.rules.exposure import exposure_before
from monitor.judging.rules.identity import MISMATCHES
from monitor.judging.session import Session
from monitor.study.needs import OTHERS, needed_channels

RATE_OFF = 0.1
"""A rate further than this share from the stated one is not the stated one; as in `check`."""

DISK_LEAST_MIN = 60.0
"""A disk that is full earlier could end before the run does: no source, a run and its drive in last under an hour."""

NEAR_S = 15.0
"""A trigger that is due in less than this wants the whole screen; from then on the heading carries what is not met."""

CHECKED_FIRST_S, CHECKED_EVERY_S = 10.0, 5.0
"""Channels are held against each other as often as far from a fire while a drive begins, then so often: it costs as
much for each trigger as all that is drawn."""


def preflight(
    session: Session,
    view: LiveView,
    rehearsal: NewestRehearsal,
    wall: float,
    channels: ChannelWatch | None = None,
) -> PreflightView:
    """The preflight now. `wall`: seconds since 1970; `channels`: what was found of them before, which is kept there."""
    lines = (
        *_answered(session, view, _told(session)),
        *_feed(session, view),
        *_checks(session, ChannelWatch() if channels is None else channels),
        *_sources(session, view),
        *_exposures(session),
        _disk(view),
        rehearsed_line(session, rehearsal, wall),
        *day_lines(session),
    )
    wrong = [one for one in lines if one.result == "not met"]
    why = "; ".join(f"{one.what}: {one.given}" for one in wrong)
    if not wrong:
        open_ones = [one.what for one in lines if one.result == "undecided"]
        why = (
            f"all that can be told is met; look yourself: {', '.join(open_ones)}" if open_ones else "all needs are met"
        )
    return PreflightView("NOT YET" if wrong else "GO", why, lines, _is_over(view))


def _is_over(view: LiveView) -> bool:
    left = view.outlook.seconds_left if view.outlook is not None else None
    fired = any(trial.fired_at is not None for trial in view.trials)
    return fired or view.feed.state == "ended" or (left is not None and left < NEAR_S)


def _log(session: Session) -> DriveLog | None:
    return session.current.log if session.current is not None else None


def _told(session: Session) -> Iterator[PreflightLine]:
    """Participant, group and scenario: as planned, and as the simulator says."""
    log = _log(session)
    hello = log.hello if log is not None else None
    opening, study = session.opening, session.study
    said = hello.participant if hello is not None else None
    result: Result = "undecided" if said is None else "met" if said == opening.participant else "not met"
    yield PreflightLine("participant", opening.participant, _said(said), result)

    said = hello.group if hello is not None else None
    needed = opening.group or "one of the study's"
    if said is None:
        result = "undecided"
    else:
        result = "met" if said in ((opening.group,) if opening.group is not None else study.groups) else "not met"
    yield PreflightLine("group", needed, _said(said), result)
    yield from _assigned(session, opening.group or said)

    said = hello.scenario if hello is not None else None
    if said is None or not study.scenarios:
        result = "undecided"
    else:
        result = "met" if said in study.scenarios else "not met"
    yield PreflightLine("scenario", "one of the study's" if study.scenarios else "any", _said(said), result)


def _answered(session: Session, view: LiveView, lines: Iterable[PreflightLine]) -> Iterator[PreflightLine]:
    """A difference that was answered quotes the answer, and no longer stops the run where it only leaves a doubt."""
    answers = {one.about: one.answer for one in view.questions if one.answer}
    codes = {about: code for code, about in MISMATCHES.items()}
    for line in lines:
        answer = answers.get(line.what)
        if answer is None or line.result != "not met":
            yield line
            continue
        is_void = session.study.reasons[codes[line.what]].severity == "void"
        yield replace(line, given=f"{line.given}: {answer}", result="not met" if is_void else "undecided")


def _assigned(session: Session, group: str | None) -> Iterator[PreflightLine]:
    """The group that the study's assignment gives the participant, where the run began with a proposal."""
    standing = session.standing
    if standing is None or standing.proposed is None:
        return
    result: Result = "undecided" if group is None or standing.words else "not met"
    if group == standing.proposed:
        result = "met"
    given = _said(group) if group == standing.proposed or not standing.words else f"{group}: {standing.words}"
    yield PreflightLine("assignment", standing.proposed, given, result)


def _said(text: str | None) -> str:
    return text or "not said"


def _feed(session: Session, view: LiveView) -> Iterator[PreflightLine]:
    """The feed itself, its rate, and the channels that conditions and rules look at."""
    log, feed = _log(session), view.feed
    runs = feed.state in ("live", "paused")
    yield PreflightLine("feed", "live", feed.state, "met" if runs else "not met")
    if log is None or log.hello is None or not log.blocks:
        return
    stated, rate = log.hello.rate_hz, feed.rate_hz
    if rate is None:
        yield PreflightLine("rate", f"{stated:g} Hz", "not known yet", "undecided")
    else:
        as_stated = abs(rate / stated - 1.0) <= RATE_OFF
        yield PreflightLine("rate", f"{stated:g} Hz", f"{rate:.1f} Hz", "met" if as_stated else "not met")
    needs = needed_channels(session.study)
    elsewhere = {name for one in session.sources.logs for run in one.runs[-1:] for name in _given_by(run)}
    missing = [name for name in needs if name not in elsewhere and not _is_given(log, name)]
    count = len(needs)
    given = "all there" if not missing else f"{len(missing)} missing"
    yield PreflightLine("channels", f"all {count}", given, "not met" if missing else "met")
    for name in missing:
        what = "other vehicles" if name == OTHERS else name
        yield PreflightLine(what, "it", f"not given; looked at by {', '.join(needs[name])}", "not met")
    lost = "none lost" if not feed.lost else f"{feed.lost} lost"
    yield PreflightLine("frames", "none lost", lost, "undecided" if feed.lost else "met")


def _checks(session: Session, channels: ChannelWatch) -> Iterator[PreflightLine]:
    """By what else in the feed each condition can be checked, and what already disagrees."""
    drive = session.current
    if drive is None or drive.log.ended or not drive.log.blocks:
        return
    begins = float(drive.log.newest_t - drive.log.blocks[0].frames.t[0]) < CHECKED_FIRST_S
    every_s = FAR_EVERY_S if begins else CHECKED_EVERY_S
    found = [channels.look(session.occasion(drive, name, 1), every_s) for name in drive.watches]
    doubts = list(dict.fromkeys(one.sentence for ahead in found for one in ahead.doubts))
    for sentence in doubts:
        yield PreflightLine("evidence", "no doubt", sentence, "not met")
    unchecked = list(dict.fromkeys(name for ahead in found for name in ahead.unchecked))
    if unchecked:
        given = f"as published, nothing to check by: {', '.join(unchecked)}"
        yield PreflightLine("checked by others", "each condition", given, "undecided")
    elif any(one.is_checked for one in found) and not doubts:
        yield PreflightLine("checked by others", "each condition", "all agree", "met")


def _sources(session: Session, view: LiveView) -> Iterator[PreflightLine]:
    """Each further source: heard, going on, and its clock known; that may still come with the next sync marker."""
    for log, source in zip(session.sources.logs, view.feed.sources, strict=True):
        needed = "heard, clock known"
        if source.trouble and (source.offset_s is not None or not log.runs or "sync" not in source.trouble):
            yield PreflightLine(source.name, needed, source.trouble, "not met")
        elif source.offset_s is None:
            yield PreflightLine(source.name, needed, "clock not known: no sync marker of both yet", "undecided")
        else:
            yield PreflightLine(
                source.name, needed, clock_words("", source.offset_s, source.uncertainty_s).strip(), "met"
            )


def _is_given(log: DriveLog, name: str) -> bool:
    """Whether a channel has had a value in the newest frames."""
    block = log.blocks[-1].frames
    if name == OTHERS:
        return any(len(one.frames.others.id) for one in log.blocks)
    if name in ("lane_offset", "lane_width") and log.road is not None:
        return True
    column = block.own.get(name)
    if column is None:
        column = block.signals.get(name)
    return column is not None and bool(np.isfinite(column).any())


def _given_by(run: SourceRun) -> Iterator[str]:
    """Signals of a further source that have had a value in the newest samples."""
    newest = run.blocks[-1].signals if run.blocks else {}
    return (name for name, column in newest.items() if np.isfinite(column).any())


def _exposures(session: Session) -> Iterator[PreflightLine]:
    """Whether the participant is naive, for every surprise class that this scenario fires."""
    log, opening = _log(session), session.opening
    scenario = log.hello.scenario if log is not None and log.hello is not None else None
    classes = dict.fromkeys(
        trigger.surprise_class
        for trigger in session.study.triggers
        if trigger.surprise_class is not None and trigger.expected_in(scenario) != 0
    )
    earlier = session.shown()
    for name in classes:
        shown = [(trial, how) for surprise_class, trial, how in earlier if surprise_class == name]
        exposure = exposure_before(name, opening.exposures, opening.exposures_known, shown)
        given = {"yes": "naive", "no": "not naive", "unknown": "not known, counts as spent"}[exposure.naive]
        words = f"{given}. {exposure.why}" if exposure.why else given
        yield PreflightLine(f"surprise {name}", "naive", words, "met" if exposure.naive == "yes" else "not met")


def _disk(view: LiveView) -> PreflightLine:
    minutes = view.recorder.minutes_left
    needed = f"{DISK_LEAST_MIN:.0f} min"
    if view.recorder.state in NOT_RECORDING:
        return PreflightLine("recorder", "recording", view.recorder.state, "not met")
    if minutes is None:
        return PreflightLine("disk", needed, "not known yet", "undecided")
    return PreflightLine(
        "disk", needed, f"{minutes_text(minutes)} left", "met" if minutes >= DISK_LEAST_MIN else "not met"
    )

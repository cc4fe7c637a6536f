"""The frozen view of a session: what a screen shows at one instant."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple

import numpy as np

from monitor.feed.marker_kinds import KINDS
from monitor.following.coming.channels import ChannelWatch
from monitor.following.coming.outlook import horizon_over_s, look_out
from monitor.following.day import day_view
from monitor.following.numbers import bands_of, build_numbers, build_strips
from monitor.following.saving import look_for_saving, lost_words
from monitor.following.scene import build_scene
from monitor.following.source_words import trouble_sentence
from monitor.following.view import (
    FeedState,
    FeedView,
    LiveView,
    Question,
    ReasonView,
    RecorderView,
    SheetLine,
    StepState,
    StopView,
    TimelineMark,
)
from monitor.judging.blinding import Span, hides, hides_marker, spans_in_picture
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.pacing import is_off_pace
from monitor.judging.case.trial import Trial
from monitor.judging.rules.identity import MISMATCHES, identity_findings
from monitor.judging.session import DriveTrials, Session
from monitor.judging.source_state import look_at_sources
from monitor.study.model import Reason, SheetStep, Study
from monitor.study.reasons import FINDING_REASONS, OPERATOR_REASONS

STALE_S = 0.25
"""A feed whose last frame is older than this is stale: its numbers are not shown (three frames of 12 Hz)."""

SOON_S = 15.0
"""A step of the run sheet that is due in less than this is called soon: time to find the words."""


@dataclass(frozen=True, slots=True)
class Viewing:
    """How a session is looked at, which it does not know of itself."""

    record: str
    recorder: RecorderView
    age_s: float | None
    """Seconds since the last frame came in; None in a record that is looked at."""
    revision: int
    history: bool = False
    """Whether a record is looked at afterwards, whose blind trials hide all that follows, to the ruling."""


def build_view(session: Session, viewing: Viewing, channels: ChannelWatch | None = None) -> LiveView:
    """The view of a session now. `channels` remembers what is found of the channels from one view to the next."""
    drive = session.current
    log = drive.log if drive is not None else None
    trials = session.trials()
    feed = _feed(session, log, viewing.age_s)
    shown = feed.state in ("live", "paused", "ended")
    t = float(log.newest_t) if log is not None and np.isfinite(log.newest_t) else None
    hidden = spans_in_picture(session.study, trials, log.index if log is not None else None, history=viewing.history)
    masked = hides(hidden, t)
    outlook = look_out(session, drive, masked=masked, channels=channels) if drive is not None and shown else None
    bands = bands_of(outlook, session, log)
    scene = build_scene(log) if log is not None and log.blocks and shown and not masked else None
    return LiveView(
        revision=viewing.revision,
        record=viewing.record,
        participant=session.opening.participant,
        group=session.group,
        study=session.study.name,
        scenario=log.hello.scenario if log is not None and log.hello is not None else None,
        drive=log.index if log is not None else None,
        t=t,
        feed=feed,
        recorder=viewing.recorder,
        numbers=tuple(build_numbers(session.study, log, bands, feed, masked=masked)),
        strips=tuple(build_strips(session.study, log, bands, hidden)) if log is not None else (),
        scene=scene,
        outlook=outlook,
        nothing_ahead=shown and outlook is None,
        trials=trials,
        notes=tuple(session.operator.notes),
        timeline=tuple(_timeline(session, log, hidden)),
        masked=masked,
        hidden=hidden,
        blind=session.blind,
        reasons=reasons_of(session.study),
        sheet=tuple(sheet_lines(session, log if shown else None, masked=masked)),
        stop=_stop(session),
        questions=questions_of(session),
        saved=look_for_saving(session, drive) if drive is not None and shown else None,
        seen=frozenset(session.operator.seen),
        contested=_contested(session),
        practice=_is_practice(session, drive),
        horizon_over_s=horizon_over_s(drive, float(drive.log.newest_t)) if drive is not None and shown else None,
        in_charge=session.operator.in_charge,
        lost_words=_lost_words(session, trials),
        day=day_view(session, trials, history=viewing.history),
    )


def with_trials(view: LiveView, session: Session, trials: tuple[Trial, ...], revision: int) -> LiveView | None:
    """The view with the session's trials as they stand now and all else as it was: a verdict need not wait for the
    rest, which takes ten times as long. None where the rest must not stay as it was: numbers that a fire has masked."""
    if spans_in_picture(session.study, trials, view.drive, history=False) != view.hidden:
        return None
    outlook = view.outlook
    fired = {(one.trigger, one.id) for one in trials if one.fired_at is not None}
    if outlook is not None and any(name == outlook.trigger for name, _ in fired - _fired(view.trials)):
        outlook = None  # what was said of it before it fired is over
    return replace(
        view,
        trials=trials,
        outlook=outlook,
        lost_words=_lost_words(session, trials),
        seen=frozenset(session.operator.seen),
        revision=revision,
    )


@cache
def _reason_views(reasons: tuple[Reason, ...]) -> tuple[ReasonView, ...]:
    return tuple(ReasonView(one.code, one.words, one.severity) for one in reasons)


def reasons_of(study: Study) -> tuple[ReasonView, ...]:
    """What only a person can know first, then the study's own codes, then those of findings."""

    def place(code: str) -> int:
        return 0 if code in OPERATOR_REASONS else 2 if code in FINDING_REASONS else 1

    return _reason_views(tuple(sorted(study.reasons.values(), key=lambda one: place(one.code))))


def _fired(trials: tuple[Trial, ...]) -> set[tuple[str, str]]:
    return {(one.trigger, one.id) for one in trials if one.fired_at is not None}


def _lost_words(session: Session, trials: tuple[Trial, ...]) -> tuple[tuple[str, str], ...]:
    found = [(one.id, lost_words(session, session.current, one)) for one in trials]
    return tuple(one for one in found if one[1])


def _stop(session: Session) -> StopView | None:
    stop = session.operator.standing_stop
    if stop is None:
        return None
    return StopView(stop.key, stop.words, stop.entered.at, stop.entered.drive, stop.entered.by)


def questions_of(session: Session) -> tuple[Question, ...]:
    """What differs between the simulator's hello and the plan, in the order in which it is asked."""
    drive = session.current
    hello = drive.log.hello if drive is not None else None
    if drive is None or hello is None:
        return ()
    plan, answers = session.plan_of(drive), session.operator.answers
    said = {"participant": hello.participant, "group": hello.group, "scenario": hello.scenario}
    ours = {"participant": plan.participant, "group": plan.planned_group, "scenario": "one of the study's"}
    found = identity_findings(plan.study, plan.participant, plan.planned_group, hello, None)
    asked = [MISMATCHES[one.code] for one in found]
    return tuple(
        Question(about, said[about] or "", ours[about] or "", answers[about].words if about in answers else "")
        for about in asked
    )


def _contested(session: Session) -> tuple[tuple[str, str], ...]:
    """Trials that two people ruled on differently, with a sentence for both."""
    found = []
    for trial, (before, last) in session.operator.contested.items():
        said = f"{last.by or 'somebody'} ruled {last.verdict}, {before.by or 'somebody'} had ruled {before.verdict}"
        found.append((trial, said))
    return tuple(found)


def _is_practice(session: Session, drive: DriveTrials | None) -> bool:
    """Whether the scenario of the drive fires nothing, and nothing has fired: then it is no practice any more."""
    if drive is None or drive.log.hello is None:
        return False
    fires = any(trigger.expected_in(drive.log.hello.scenario) != 0 for trigger in session.study.triggers)
    return not fires and not any(drive.tracks.values())


def _feed(session: Session, log: DriveLog | None, age_s: float | None) -> FeedView:
    counts = [drive.log.counts for drive in session.drives]
    frames = sum(one.frames for one in counts)
    lost, duplicates = sum(one.lost for one in counts), sum(one.duplicates for one in counts)
    sentence = str((session.intake or {}).get("sentence", ""))
    state: FeedState
    if log is None or not log.counts.judged:
        state, sentence = "waiting", sentence or "No frame has come in yet."
    elif log.ended:
        # what the intake said last is of no use now: nothing answers any more because the drive is over
        state, sentence = "ended", "The record is closed." if session.closed else ""
    elif age_s is not None and age_s > STALE_S and not log.paused:
        state, sentence = "stale", f"No frame for {age_s:.1f} s. {sentence}".rstrip()
    elif log.paused:
        state, sentence = "paused", "The simulation is paused."
    else:
        state = "live"
        sentence = session.last_refusal.why if session.last_refusal is not None else ""
    sources = look_at_sources(session)
    if state == "live":
        sentence = sentence or trouble_sentence(sources)
    real_time = log.pacing.recently() if state == "live" and log is not None else None
    if real_time is not None and log is not None and is_off_pace(real_time / (log.pacing.pace or 1.0)):
        sentence = sentence or f"Simulated time runs at {real_time:.2f} times real time."
    return FeedView(
        state=state,
        rate_hz=_rate_hz(log),
        frames=frames,
        lost=lost,
        duplicates=duplicates,
        bad=session.bad,
        age_s=age_s,
        sentence=sentence,
        sources=sources,
        real_time=real_time,
    )


def _rate_hz(log: DriveLog | None) -> float | None:
    """Frames a second over the last judged frames."""
    if log is None or not log.blocks:
        return None
    t = np.concatenate([block.frames.t for block in list(log.blocks)[-5:]])[-120:]
    return float((len(t) - 1) / (t[-1] - t[0])) if len(t) > 1 else None


def _timeline(session: Session, log: DriveLog | None, hidden: tuple[Span, ...]) -> list[TimelineMark]:
    """What stands on the time line; of a blind trial nothing that its response brought about."""
    if log is None:
        return []
    marks = [
        TimelineMark(marker.t, word, marker.name)
        for marker in log.known_markers(session.last_number)
        if (word := KINDS[marker.kind].on_timeline) and not hides_marker(hidden, marker.kind, marker.t)
    ]
    marks += [TimelineMark(loss.after_t, "loss", f"{loss.count} frames lost") for loss in log.losses]
    marks += [
        TimelineMark(note.at, "note", note.text)
        for note in session.operator.notes
        if note.at is not None and note.drive in (None, log.index)
    ]
    return sorted(marks, key=lambda mark: mark.t)


def sheet_lines(session: Session, log: DriveLog | None, *, masked: bool) -> list[SheetLine]:
    """The run sheet as it stands. `log` is None where nothing is known of the drive now."""
    station = speed = float("nan")
    if log is not None and log.blocks:
        own = log.blocks[-1].frames.own
        station, speed = float(own["station"][-1]), float(own["speed"][-1])
    here = _Here(float(log.newest_t) if log is not None else float("nan"), station, speed)
    before = [step for step in session.operator.day.ticked_before if session.study.is_once(step)]
    done = {*session.operator.steps_done, *before}
    ticked = (SheetStep(one.name) for one in session.study.day.companions if one.is_ticked)
    steps = (*session.study.sheet, *ticked)
    return [_sheet_line(step, here, done=step.name in done, masked=masked) for step in steps]


class _Here(NamedTuple):
    """Where the own car is: the time of the drive in s, its station in m, its speed in m/s; NaN where not known."""

    t: float
    station_m: float
    speed_mps: float


def _sheet_line(step: SheetStep, here: _Here, *, done: bool, masked: bool) -> SheetLine:
    left_m = left_s = None
    if step.at_station_m is not None and masked:
        pass  # how far it is tells how fast the car goes
    elif step.at_station_m is not None and np.isfinite(here.station_m):
        left_m = step.at_station_m - here.station_m
        left_s = left_m / here.speed_mps if here.speed_mps > 0.1 else None
    elif step.at_s is not None and np.isfinite(here.t):
        left_s = step.at_s - here.t
    left = left_s if left_m is None else left_m
    state: StepState
    if done:
        state = "done"
    elif step.at_station_m is None and step.at_s is None:
        state = "any time"
    elif left is None:
        state = "not known"
    elif left <= 0:
        state = "due"
    else:
        state = "soon" if left_s is not None and left_s <= SOON_S else "later"
    return SheetLine(step.name, step.say, step.at_station_m, step.at_s, left_m, left_s, state)

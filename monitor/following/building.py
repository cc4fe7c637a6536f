"""The frozen view of a session: what a screen shows at one instant."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.feed.marker_kinds import KINDS
from monitor.following.outlook import look_out
from monitor.following.scene import build_scene
from monitor.following.source_words import trouble_sentence
from monitor.following.view import (
    FeedState,
    FeedView,
    LiveView,
    NumberView,
    OutlookView,
    RecorderView,
    SheetLine,
    StepState,
    StripView,
    TimelineMark,
)
from monitor.judging.blinding import Span, hidden_frames, hides, hides_marker, reveals, spans_in_picture
from monitor.judging.case.blocks import MeasuredBlock
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.trial import Result
from monitor.judging.case.values import channel_values, role_channel, state_text
from monitor.judging.session import STRIP_S, DriveTrials, Session
from monitor.judging.source_state import look_at_sources
from monitor.measures.columns import FloatArray
from monitor.measures.measured import Measured
from monitor.measures.names import MEASURES
from monitor.study.band import Band
from monitor.study.model import Measure, SheetStep, Study, Trigger

STALE_S = 0.25
"""A feed whose last frame is older than this is stale: its numbers are not shown (three frames of 12 Hz)."""

SOON_S = 15.0
"""A step of the run sheet that is due in less than this is called soon: time to find the words."""

NUMBERS = (
    ("time_gap", "TIME GAP", None),
    ("ttc", "TTC", None),
    ("lane_offset", "LANE OFFSET", None),
    ("distance_gap", "gap", None),
    ("speed", "own speed", None),
    ("speed", "lead speed", "lead"),
)
STRIPS = ("time_gap", "ttc", "lane_offset")


def build_view(
    session: Session,
    *,
    record: str,
    recorder: RecorderView,
    age_s: float | None,
    revision: int,
    history: bool = False,
) -> LiveView:
    """The view of a session now. `age_s`: seconds since the last frame came in; None in a record that is looked at.

    `history`: of a record that is looked at afterwards, whose blind trials hide all that follows, to the ruling.
    """
    drive = session.current
    log = drive.log if drive is not None else None
    trials = session.trials()
    feed = _feed(session, log, age_s)
    shown = feed.state in ("live", "paused", "ended")
    t = float(log.newest_t) if log is not None and np.isfinite(log.newest_t) else None
    hidden = spans_in_picture(session.study, trials, log.index if log is not None else None, history=history)
    masked = hides(hidden, t)
    outlook = look_out(session, drive, masked=masked) if drive is not None and shown else None
    trigger = _next_trigger(drive, outlook)
    scene = build_scene(log) if log is not None and log.blocks and shown and not masked else None
    return LiveView(
        revision=revision,
        record=record,
        participant=session.opening.participant,
        group=session.group,
        study=session.study.name,
        scenario=log.hello.scenario if log is not None and log.hello is not None else None,
        drive=log.index if log is not None else None,
        t=t,
        feed=feed,
        recorder=recorder,
        numbers=tuple(_numbers(session.study, log, trigger, feed, masked)),
        strips=tuple(_strips(session.study, log, trigger, hidden)) if log is not None else (),
        scene=scene,
        outlook=outlook,
        trials=trials,
        notes=tuple(session.operator.notes),
        timeline=tuple(_timeline(session, log, hidden)),
        masked=masked,
        hidden=hidden,
        blind=session.blind,
        reasons=tuple((reason.code, reason.words) for reason in session.study.reasons.values()),
        sheet=tuple(sheet_lines(session, log if shown else None, masked=masked)),
        reminder=session.operator.reminder,
        reminder_short=_reminder_short(session),
    )


def _reminder_short(session: Session) -> str:
    operator = session.operator
    if not operator.reminder:
        return ""
    return f"comfort {operator.comfort[-1].rating:g}: stop rule {operator.comfort_stop_at:g}"


def with_trials(view: LiveView, session: Session, revision: int) -> LiveView | None:
    """The view with the trials as they stand now and all else as it was: a verdict need not wait for the rest, which
    takes ten times as long. None where the rest must not stay as it was: numbers that a fire has masked."""
    trials = session.trials()
    if spans_in_picture(session.study, trials, view.drive, history=False) != view.hidden:
        return None
    return replace(view, trials=trials, revision=revision)


def _next_trigger(drive: DriveTrials | None, outlook: OutlookView | None) -> Trigger | None:
    if drive is None:
        return None
    if outlook is not None:
        return drive.watches[outlook.trigger].trigger
    return next(iter(watch.trigger for watch in drive.watches.values()), None)


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
    )


def _rate_hz(log: DriveLog | None) -> float | None:
    """Frames a second over the last judged frames."""
    if log is None or not log.blocks:
        return None
    t = np.concatenate([block.frames.t for block in list(log.blocks)[-5:]])[-120:]
    return float((len(t) - 1) / (t[-1] - t[0])) if len(t) > 1 else None


def _measured(block: MeasuredBlock, name: str, role: str | None) -> Measured:
    if role is not None:
        return role_channel(block.frames, name, block.lead_row)
    if name in block.lead:
        return block.lead[name]
    if name in block.lateral:
        return block.lateral[name]
    return channel_values(block.frames, Measure("own", name, None, ""), block.lead_row)


def _band(trigger: Trigger | None, name: str, role: str | None) -> Band | None:
    if trigger is None:
        return None
    for condition in trigger.conditions:
        measure = condition.measure
        wanted = "role" if role is not None else None
        if measure.name == name and (measure.kind == "role") == (wanted == "role"):
            # the middle of the lane lies outside of a band to either side, and nothing is wrong with it until the fire
            return None if condition.band.outside is not None or condition.or_else else condition.band
    return None


def _numbers(
    study: Study, log: DriveLog | None, trigger: Trigger | None, feed: FeedView, masked: bool
) -> list[NumberView]:
    found = []
    for name, label, role in NUMBERS:
        known = MEASURES[name]
        band = _band(trigger, name, role)
        value: float | None = None
        state: str | None = "no data"
        result: Result | None = None
        if masked and reveals(study, Measure("own" if role is None else "role", name, role, known.unit)):
            state = "masked"
        elif feed.state == "stale":
            state = "stale"
        elif log is not None and log.blocks:
            measured = _measured(log.blocks[-1], name, role)
            state = state_text(measured, -1)
            value = None if state else float(measured.value[-1])
            result = in_band(value, state, band)
        found.append(NumberView(name, label, value, state, known.unit, known.definition, band, result))
    return found


def in_band(value: float | None, state: str | None, band: Band | None) -> Result | None:
    """How a value stands in a band, its tolerance included; None without a band."""
    if band is None:
        return None
    if value is None:
        if state not in ("not closing", "standing still", "not departing"):
            return "undecided"
        return "met" if band.takes_unbounded else "not met"
    return "met" if band.contains_one(value) else "not met"


def _strips(study: Study, log: DriveLog, trigger: Trigger | None, hidden: tuple[Span, ...]) -> list[StripView]:
    blocks = [block for block in log.blocks if block.frames.t[-1] >= log.newest_t - STRIP_S]
    found = []
    for name in STRIPS:
        t: FloatArray = np.concatenate([block.frames.t for block in blocks]) if blocks else np.empty(0)
        value = np.concatenate([_measured(block, name, None).value for block in blocks]) if blocks else np.empty(0)
        keep = t >= log.newest_t - STRIP_S
        if reveals(study, Measure("own", name, None, "")):
            value = np.where(hidden_frames(hidden, t), np.nan, value)
        found.append(StripView(name, t[keep], value[keep], _band(trigger, name, None)))
    return found


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
    t = log.newest_t if log is not None else float("nan")
    done = session.operator.steps_done
    return [_sheet_line(step, station, speed, t, done=step.name in done, masked=masked) for step in session.study.sheet]


def _sheet_line(step: SheetStep, station: float, speed: float, t: float, *, done: bool, masked: bool) -> SheetLine:
    left_m = left_s = None
    if step.at_station_m is not None and masked:
        pass  # how far it is tells how fast the car goes
    elif step.at_station_m is not None and np.isfinite(station):
        left_m = step.at_station_m - station
        left_s = left_m / speed if speed > 0.1 else None
    elif step.at_s is not None and np.isfinite(t):
        left_s = step.at_s - float(t)
    state: StepState
    if done:
        state = "done"
    elif step.at_station_m is None and step.at_s is None:
        state = "any time"
    elif left_m is None and left_s is None:
        state = "not known"
    elif (left_s if left_m is None else left_m) <= 0:  # type: ignore[operator]
        state = "due"
    else:
        state = "soon" if left_s is not None and left_s <= SOON_S else "later"
    return SheetLine(step.name, step.say, step.at_station_m, step.at_s, left_m, left_s, state)

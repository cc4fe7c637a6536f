"""The next trigger before it fires: will its conditions hold, and how long is there to decide?

READY: every required condition that can be foreseen holds and is foreseen to hold at the fire. ABORT: one is sure to
fail and at most `DECIDE_S` are left. HOLD: all between, one failing now or foreseen to fail, with time left for it to
come right. It advises, and decides no verdict; what a blind study hides is in none of its words.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.following.foresight import TREND_S, seconds_to_fire, trend_of
from monitor.following.outlook_words import failing_words, row_words, trend_sign
from monitor.following.view import Heading, OutlookRow, OutlookView
from monitor.judging.ahead import AGAIN_AFTER_S
from monitor.judging.blinding import reveals
from monitor.judging.case.conditions import condition_standing, window_of
from monitor.judging.case.stretch import Stretch, cut_stretch
from monitor.judging.case.trial import ConditionResult, Finding, Result
from monitor.judging.case.values import IN, MISSING, OUT, Cast, Standing, values_on
from monitor.judging.firing import FireWatch
from monitor.judging.session import DriveTrials, Session
from monitor.study.model import Study, Trigger
from monitor.study.terms import AtFire, Condition, During, Looked

DECIDE_S = 10.0
"""From here on a condition that is sure to fail means ABORT; before, there is time for it to come right."""

NEAR_S = 3.0
"""From here on what a trend foresees is taken for sure."""

FURTHER = 1.5
"""A trend says something of the fire while that is at most this many times its reach away."""

AT_ONCE_S = 1.0
"""What cannot be foreseen, such as where the driver looks, must hold from here on."""

HIDDEN = "hidden until the ruling"


@dataclass(frozen=True, slots=True)
class Foreseen:
    """A condition's row, and whether it will hold: as it stands now, and by its trend (None: cannot be foreseen)."""

    row: OutlookRow
    by_now: bool | None
    by_trend: bool | None
    then: float | None
    """The value that its trend foresees at the fire."""
    for_good: bool = False
    """Whether it has failed already, whatever comes."""


def look_out(session: Session, drive: DriveTrials, *, masked: bool = False) -> OutlookView | None:
    """The outlook on the drive's next trigger; None where no trigger is waited for or nothing is known yet.

    `masked`: a blind record hides the response to a fire now, and with it all that reveals it: which trigger is next by
    the speed of now, how its conditions stand, what that makes of the heading, and the time left.
    """
    log = drive.log
    if masked:
        return _masked_view(session, drive)
    waiting = [
        (order, name, track.occurrence)
        for order, (name, _) in enumerate(drive.watches.items())
        for track in drive.tracks.get(name, ())
        if track.is_waiting
    ]
    if log.ended or not log.blocks or not waiting:
        return None
    now_t = float(log.newest_t)
    recent = cut_stretch(log, now_t - TREND_S, now_t, session.last_number)
    if recent is None:
        return None
    ranked = []
    for order, name, occurrence in waiting:
        watch = drive.watches[name]
        held_t = _held_since(drive, watch, occurrence)
        seconds = None if held_t is not None else seconds_to_fire(watch, drive, recent, session.study)
        overdue = held_t is not None and now_t - held_t > watch.trigger.grace_s
        ranked.append((overdue, seconds is None and held_t is None, seconds or 0.0, order, name, seconds, held_t))
    _, _, _, _, name, seconds_left, held_t = min(ranked, key=lambda one: one[:5])
    trigger = drive.watches[name].trigger
    foreseen = _foresee(session, drive, trigger, now_t, seconds_left)
    rows = tuple(one.row for one in foreseen)
    if held_t is not None:
        why = f"should have fired at {held_t:.2f} s, {now_t - held_t:.1f} s ago: no marker has come"
        return OutlookView(trigger.name, "HOLD", None, why, rows)
    heading, why = _heading(foreseen, seconds_left)
    doubts = _doubts(session, drive, name)
    if doubts and heading != "ABORT":
        heading, why = "HOLD", doubts[0].sentence
    return OutlookView(trigger.name, heading, seconds_left, why, rows)


def _doubts(session: Session, drive: DriveTrials, name: str) -> tuple[Finding, ...]:
    """What is doubted of the channels that the coming trial looks at, looked for four times a second."""
    ahead = drive.ahead
    if ahead is None or ahead.trigger != name or drive.log.newest_t - ahead.t >= AGAIN_AFTER_S:
        ahead = drive.ahead = session.look_ahead(drive, name)
    return () if ahead is None else ahead.doubts


def _held_since(drive: DriveTrials, watch: FireWatch, occurrence: int) -> float | None:
    """Since when the rule of an occurrence that has no marker has held."""
    if watch.trigger.comes_often:
        repeated = drive.repeated.get(watch.trigger.name)
        return None if repeated is None else repeated.held_since()
    return watch.expected[occurrence - 1].t if occurrence <= len(watch.expected) else None


def _masked_view(session: Session, drive: DriveTrials) -> OutlookView | None:
    """The next trigger in the study's order, whatever the car does, with the values that reveal nothing."""
    waits = (name for name in drive.watches if any(track.marker is None for track in drive.tracks.get(name, ())))
    name = next(waits, None)
    if name is None or drive.log.ended:
        return None
    trigger = drive.watches[name].trigger
    hidden = {one.name: reveals(session.study, one.measure) for one in trigger.conditions}
    foreseen = _foresee(session, drive, trigger, float(drive.log.newest_t), None)
    rows = tuple(_hide(one.row) if hidden[one.row.condition.name] else one.row for one in foreseen)
    return OutlookView(name, "HIDDEN", None, HIDDEN, rows)


def _hide(row: OutlookRow) -> OutlookRow:
    shown = row.condition
    hidden = ConditionResult(
        name=shown.name,
        measure=shown.measure,
        role=shown.role,
        at_least=shown.at_least,
        at_most=shown.at_most,
        tolerance=shown.tolerance,
        outside=shown.outside,
        value=None,
        state="masked",
        margin=None,
        unit=shown.unit,
        result="undecided",
        at_edge=False,
        required=shown.required,
        open=True,
    )
    return OutlookRow(hidden, 0, HIDDEN)


def _foresee(
    session: Session, drive: DriveTrials, trigger: Trigger, now_t: float, seconds_left: float | None
) -> list[Foreseen]:
    """The conditions that look at the time until the fire; one that looks only at what comes after has no outlook."""
    looked_at = [
        condition
        for condition in trigger.conditions
        if isinstance(condition.when, AtFire) or (isinstance(condition.when, During) and condition.when.start_s < 0.0)
    ]
    span_s = max([TREND_S, *(one.looks_back_s - window_of(one)[0] for one in looked_at)])
    stretch = cut_stretch(drive.log, now_t - span_s, now_t, session.last_number)
    if stretch is None:
        return []
    return [_foresee_one(one, stretch, session.study, trigger, seconds_left) for one in looked_at]


def _foresee_one(
    condition: Condition, stretch: Stretch, study: Study, trigger: Trigger, seconds_left: float | None
) -> Foreseen:
    rows_of = Cast(study.roles, trigger.role, int(stretch.lead_id[-1])).rows_in(stretch)
    standing = condition_standing(condition, stretch, rows_of, slice(len(stretch.t) - 1, len(stretch.t)))
    looked = condition.alternatives[0 if standing.which is None else int(standing.which[-1])]
    measured = values_on(stretch, looked.measure, rows_of, slice(len(stretch.t) - 1, len(stretch.t)))
    trend = trend_of(looked.measure, stretch.t, measured.value)
    shown = _shown(condition, looked, standing)
    by_now = None if standing.inside[-1] == MISSING else bool(standing.inside[-1] == IN)
    for_good = _failed_already(condition, standing, seconds_left)
    by_trend, then = by_now, None
    if trend is not None and seconds_left is not None:
        start_s, end_s = window_of(condition)
        if trend.is_known and seconds_left + start_s <= FURTHER * trend.reach_s:
            then = trend.after(seconds_left + min(end_s, 0.0))
            by_trend = all(looked.band.contains_one(value) for value in (then, trend.after(seconds_left + start_s)))
        elif by_now is False and (not trend.is_known or trend_sign(trend, looked.band) > 0):
            by_trend = None  # too far off to tell, and coming in; or too early to tell
    if looked.measure.kind == "signal":
        by_now = by_trend = None
    words = row_words(shown, trend, looked.band, then)
    row = OutlookRow(shown, trend_sign(trend, looked.band), words)
    return Foreseen(row, False if for_good else by_now, False if for_good else by_trend, then, for_good)


def _shown(condition: Condition, looked: Looked, standing: Standing) -> ConditionResult:
    inside = int(standing.inside[-1])
    result: Result = "met" if inside == IN else "not met" if inside == OUT else "undecided"
    state = standing.state_text(-1)
    margin = None if state or np.isnan(standing.margin[-1]) else float(standing.margin[-1])
    return ConditionResult(
        name=condition.name,
        measure=looked.measure.text,
        role=looked.measure.role,
        at_least=looked.band.at_least,
        at_most=looked.band.at_most,
        tolerance=looked.band.tolerance,
        outside=looked.band.outside,
        value=None if state else float(standing.value[-1]),
        state=state,
        margin=margin,
        unit=looked.measure.unit,
        result=result,
        at_edge=result == "met" and margin is not None and margin < 0.0,
        required=condition.required,
    )


def _failed_already(condition: Condition, standing: Standing, seconds_left: float | None) -> bool:
    """Whether the window has begun and has been out of the band for longer than it may: that cannot come right."""
    if seconds_left is None or not isinstance(condition.when, During) or condition.measure.kind == "rolling":
        return False
    start_s, end_s, share = condition.when.start_s, condition.when.end_s, condition.when.share
    begun_t = standing.t[-1] + seconds_left + start_s
    out = (standing.t >= begun_t) & (standing.inside == OUT)
    if share >= 1.0:
        return bool(out.any())
    out_s = float(np.sum(out[1:] * np.diff(standing.t)))
    return out_s > (1.0 - share) * (end_s - start_s)


def _heading(foreseen: list[Foreseen], seconds_left: float | None) -> tuple[Heading, str]:
    """The word over the ladder, and the sentence under it."""
    when = f", fires in {seconds_left:.0f} s" if seconds_left is not None else ""
    required = [one for one in foreseen if one.row.condition.required]
    near = seconds_left is not None and seconds_left <= NEAR_S
    sure = [one for one in required if one.for_good or (one.by_trend is False and (near or one.by_now is False))]
    if sure:
        heading: Heading = "ABORT" if seconds_left is not None and seconds_left <= DECIDE_S else "HOLD"
        return heading, _failing(sure[0]) + when
    doubtful = [one for one in required if one.by_trend is False or one.by_now is False]
    if doubtful:
        return "HOLD", _failing(doubtful[0]) + when
    unknown = [one for one in required if one.row.condition.result != "met"]
    if not unknown:
        return "READY", f"every condition holds{when}"
    name = unknown[0].row.condition.name
    if seconds_left is not None and seconds_left <= AT_ONCE_S:
        return "HOLD", f"{name} does not hold yet{when}"
    return "READY", f"all else holds; waits for {name}{when}"


def _failing(one: Foreseen) -> str:
    return failing_words(one.row.condition, one.then, by_trend=one.by_trend, for_good=one.for_good)

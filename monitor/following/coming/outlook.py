"""The next trigger before it fires: which one it is, how long until then, and all that is known of its trial.

It advises, and decides no verdict; what a blind study hides is in none of its words. What heads the screen for it is
`following.heading`'s.
"""

from __future__ import annotations

from monitor.following.coming.channels import ChannelWatch
from monitor.following.coming.doubts import doubts_before, who_doubts
from monitor.following.coming.foresight import TREND_S, seconds_to_fire
from monitor.following.coming.rows import ladder_conditions, ladder_rows
from monitor.following.coming.view import OutlookRow, OutlookView
from monitor.judging.blinding import condition_reveals
from monitor.judging.case.case import trial_window
from monitor.judging.case.stretch import cut_stretch
from monitor.judging.case.trial import ConditionResult
from monitor.judging.firing import FireWatch
from monitor.judging.occasion import wanted
from monitor.judging.session import DriveTrials, Session
from monitor.judging.tracks.track import Track
from monitor.study.model import Trigger

HIDDEN = "hidden until the ruling"


def look_out(
    session: Session, drive: DriveTrials, *, masked: bool = False, channels: ChannelWatch | None = None
) -> OutlookView | None:
    """The outlook on the drive's next trigger; None where no trigger is waited for or nothing is known yet.

    A trigger whose rule has held and whose marker has not come is not waited for any more: it is overdue, and what can
    still be done about it is `saving`'s. `masked`: a blind record hides the response to a fire now, and with it all
    that reveals it: which trigger is next by the speed of now, how its conditions stand, and the time left.
    """
    log = drive.log
    if log.ended or not log.blocks:
        return None
    if masked:
        return _masked_view(session, drive)
    now_t = float(log.newest_t)
    recent = cut_stretch(log, now_t - TREND_S, now_t, session.last_number)
    if recent is None:
        return None
    ranked = []
    for order, (name, watch) in enumerate(drive.watches.items()):
        for track in drive.tracks.get(name, ()):
            if track.is_waiting and not is_overdue(drive, watch, track):
                seconds = seconds_to_fire(watch, drive, recent, session.study)
                ranked.append((seconds is None, seconds or 0.0, order, track.occurrence, name, seconds))
    if not ranked:
        return None
    _, _, _, occurrence, name, seconds_left = min(ranked, key=lambda one: one[:4])
    watch = drive.watches[name]
    trigger = watch.trigger
    return OutlookView(
        trigger=trigger.name,
        seconds_left=seconds_left,
        rows=ladder_rows(log, session.study, trigger, session.last_number, seconds_left),
        action=trigger.action,
        action_takes_s=trigger.action_takes_s,
        in_horizon=horizon_over_s(drive, now_t) is not None,
        as_it_comes=trigger.comes_often and trigger.surprise_class is None,
        to_come=_to_come(drive, trigger, now_t),
        which=_which(drive, trigger, occurrence),
        doubts=doubts_before(session, session.occasion(drive, name, occurrence), seconds_left, channels),
    )


def _masked_view(session: Session, drive: DriveTrials) -> OutlookView | None:
    """The next trigger in the study's order, whatever the car does, with the values that reveal nothing."""
    waits = (name for name in drive.watches if any(track.marker is None for track in drive.tracks.get(name, ())))
    name = next(waits, None)
    if name is None:
        return None
    trigger, study = drive.watches[name].trigger, session.study
    occurrence = next(track.occurrence for track in drive.tracks[name] if track.marker is None)
    revealing = {one.name for one in ladder_conditions(trigger, study) if condition_reveals(study, one)}
    rows = ladder_rows(drive.log, study, trigger, session.last_number, None)
    return OutlookView(
        trigger=name,
        seconds_left=None,
        rows=tuple(_hide(one) if one.condition.name in revealing else one for one in rows),
        action=trigger.action,
        action_takes_s=trigger.action_takes_s,
        in_horizon=horizon_over_s(drive, float(drive.log.newest_t)) is not None,
        hidden=True,
        which=_which(drive, trigger, occurrence),
        doubts=who_doubts(session, session.occasion(drive, name, occurrence)),
    )


def horizon_over_s(drive: DriveTrials, now_t: float) -> float | None:
    """Seconds until the trial that fired last is over, its windows and its response; None where none runs."""
    left = None
    for name, tracks in drive.tracks.items():
        trigger = drive.watches[name].trigger
        horizon_s = trigger.response.horizon_s if trigger.response is not None else 0.0
        over_s = max(trial_window(trigger)[1], horizon_s)
        for track in tracks:
            if track.marker is not None and now_t < track.marker.t + over_s:
                left = max(left or 0.0, track.marker.t + over_s - now_t)
    return left


def is_overdue(drive: DriveTrials, watch: FireWatch, track: Track) -> bool:
    """Whether the rule of a trial that has no marker has held."""
    if watch.trigger.comes_often:
        repeated = drive.repeated.get(watch.trigger.name)
        return repeated is not None and repeated.held_since() is not None
    return track.occurrence <= len(watch.expected)


def _which(drive: DriveTrials, trigger: Trigger, occurrence: int) -> str:
    """Which of several the next one is."""
    often = wanted(trigger, drive.log)
    if not trigger.comes_often:
        return ""
    return f"{occurrence} of {'any number' if often is None else often}"


def _to_come(drive: DriveTrials, trigger: Trigger, now_t: float) -> tuple[str, ...]:
    """The visual task, where it must run at the fire and has not begun."""
    task = trigger.task
    if task is None:
        return ()
    begun = [
        marker
        for marker in drive.log.markers.values()
        if marker.kind == "task_start" and task.name in (None, marker.name) and marker.t > now_t - task.begins_at_most_s
    ]
    return () if begun else (f"task {task.name}" if task.name else "the task",)


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
    return OutlookRow(hidden, 0, HIDDEN, "to come")

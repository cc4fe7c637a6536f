"""The next trigger before it fires: which one it is, how long until then, and all that is known of its trial.

It advises, and decides no verdict; what a blind study hides is in none of its words. What heads the screen for it is
`following.heading`'s.
"""

from __future__ import annotations

from dataclasses import replace

from monitor.following.coming.doubts import doubts_before, who_doubts
from monitor.following.coming.foresight import TREND_S, seconds_to_fire
from monitor.following.coming.rows import ladder_rows
from monitor.following.view import OutlookRow, OutlookView
from monitor.judging.case.case import trial_window
from monitor.judging.case.stretch import cut_stretch
from monitor.judging.case.trial import ConditionResult
from monitor.judging.firing import FireWatch
from monitor.judging.session import DriveTrials, Session
from monitor.study.model import Trigger

MASKED_MEASURES = frozenset(
    (
        *("speed", "accel", "accelerator", "brake", "station"),
        *("distance_gap", "time_gap", "distance_headway", "time_headway", "closing_speed"),
        *("ttc", "ttc_accel", "drac", "required_decel"),
    )
)
"""What a blind study hides from the fire to the ruling: own speed, pedals, gap and TTC, and what is made of them."""

HIDDEN = "hidden until the ruling"


def look_out(session: Session, drive: DriveTrials, *, masked: bool = False) -> OutlookView | None:
    """The outlook on the drive's next trigger; None where no trigger is waited for or nothing is known yet.

    A trigger whose rule has held and whose marker has not come is not waited for any more: it is overdue, and what can
    still be done about it is `saving`'s. `masked`: a blind study hides the response of a trial that fired; then own
    speed, gap and TTC are not told either.
    """
    log = drive.log
    if log.ended or not log.blocks:
        return None
    now_t = float(log.newest_t)
    recent = cut_stretch(log, now_t - TREND_S, now_t, session.last_number)
    if recent is None:
        return None
    ranked = []
    for order, (name, watch) in enumerate(drive.watches.items()):
        for track in drive.tracks.get(name, ()):
            if track.marker is None and not _is_overdue(watch, track.occurrence):
                seconds = seconds_to_fire(watch, drive, recent, session.study)
                ranked.append((seconds is None, seconds or 0.0, order, track.occurrence, name, seconds))
    if not ranked:
        return None
    _, _, _, occurrence, name, seconds_left = min(ranked, key=lambda one: one[:4])
    watch = drive.watches[name]
    trigger, study = watch.trigger, session.study
    rows = ladder_rows(log, study, trigger, session.last_number, None if masked else seconds_left)
    view = OutlookView(
        trigger=trigger.name,
        seconds_left=seconds_left,
        rows=rows,
        action=trigger.action,
        action_takes_s=trigger.action_takes_s,
        in_horizon=horizon_over_s(drive, now_t) is not None,
        to_come=_to_come(drive, trigger, now_t),
    )
    if masked:
        hidden = tuple(_hide(one) if one.condition.measure in MASKED_MEASURES else one for one in rows)
        return replace(
            view, seconds_left=None, rows=hidden, hidden=True, doubts=who_doubts(session, drive, trigger), to_come=()
        )
    return replace(view, doubts=doubts_before(session, drive, watch, occurrence, seconds_left))


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


def _is_overdue(watch: FireWatch, occurrence: int) -> bool:
    """Whether the rule of an occurrence that has no marker has held."""
    return occurrence <= len(watch.expected)


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

"""A trial that was lost and has surprised nobody: can it still be had from this participant, and until when?"""

from __future__ import annotations

import math

from monitor.following.coming.outlook import is_overdue
from monitor.following.view import SavedView
from monitor.judging.case.trial import Trial
from monitor.judging.rules.exposure import Shown
from monitor.judging.session import DriveTrials, Session
from monitor.study.rules import RearmRule

NEWS_S = 20.0
"""What cannot be run again is news for so long; then the trial's own verdict says it."""


def look_for_saving(session: Session, drive: DriveTrials) -> SavedView | None:
    """The newest lost trial of the drive that surprised nobody, while arming again helps or it is news."""
    log = drive.log
    if log.ended or not log.blocks:
        return None
    shown = {trial: how for _, trial, how in session.shown()}
    found = [
        saved
        for trial in session.trials()
        if trial.drive == log.index
        and (saved := _saved(trial, shown.get(trial.id, Shown.YES), session, drive)) is not None
    ]
    return found[-1] if found else None


def _saved(trial: Trial, shown: Shown, session: Session, drive: DriveTrials) -> SavedView | None:
    trigger, now_t = drive.watches[trial.trigger].trigger, float(drive.log.newest_t)
    overdue = trial.fired_at is None and trial.timing.expected_at is not None
    lost = trial.fired_at is not None and trial.effective == "invalid" and trial.timing.result != "double"
    lost_t = trial.timing.expected_at if overdue else trial.fired_at
    if not trial.surprises:
        shown = Shown.NO  # nothing to spend
    later = [one for one in drive.tracks[trial.trigger] if one.occurrence > trial.occurrence]
    again = any(one.marker is not None for one in later)
    spent = shown is Shown.YES or (shown is Shown.UNKNOWN and not overdue)
    if not (overdue or lost) or lost_t is None or spent or trial.naive != "yes" or again:
        return None
    period_s = drive.log.period_s
    if overdue and now_t - lost_t <= (trigger.late_after_frames + 1.0) * period_s:
        return None  # its marker is on the way
    # what decides whether arming again helps stands first: at 80 columns the end is cut off
    still = "The participant is still naive" if shown is Shown.NO else "Not known yet whether anything showed"
    if not trial.surprises:
        still = "Who has met it before counts too"
    said = f"{trial.trigger} is lost, and nothing of its hazard showed"
    if overdue:
        said = f"{trial.trigger} should have fired {now_t - lost_t:.0f} s ago and no marker has come"
    why = f"{still}: {said}."
    rearm = trigger.rearm
    if rearm is None:
        if now_t - lost_t > NEWS_S:
            return None
        return SavedView(trial.id, trial.trigger, why, "", None, overdue)
    left_s = _left_s(rearm, lost_t, drive)
    if left_s is not None and left_s <= 0.0:
        return None
    return SavedView(trial.id, trial.trigger, why, rearm.words, left_s, overdue)


def _left_s(rearm: RearmRule, lost_t: float, drive: DriveTrials) -> float | None:
    """Seconds for which arming again helps; None where only a place ends it and the way there is not known."""
    log = drive.log
    own = log.blocks[-1].frames.own
    left = []
    if rearm.within_s is not None:
        left.append(lost_t + rearm.within_s - float(log.newest_t))
    if rearm.until_station_m is not None:
        station, speed = float(own["station"][-1]), float(own["speed"][-1])
        way_m = rearm.until_station_m - station
        if math.isfinite(way_m) and (speed > 0.1 or way_m <= 0.0):
            left.append(way_m / max(speed, 0.1))
    return min(left, default=None)


def lost_words(session: Session, drive: DriveTrials | None, trial: Trial) -> str:
    """What a lost trial means for the drive: what still counts in it, and whether it can be run again here.

    Replacement is a matter of close-out; nobody needs it while somebody drives.
    """
    if trial.effective != "invalid" or trial.timing.result == "double":
        return ""
    same = drive is not None and trial.drive == drive.log.index and not drive.log.ended
    ahead = _still_counts(drive, trial) if same and drive is not None else []
    trigger = next((one for one in session.study.triggers if one.name == trial.trigger), None)
    again = "" if trigger is not None and trigger.rearm is not None else "; it cannot be rerun here"
    if ahead:
        names = " and ".join(ahead)
        return f"{trial.trigger} is lost{again}; drive on, {names} still {'count' if len(ahead) > 1 else 'counts'}."
    return f"{trial.trigger} is lost{again}; nothing else is left to fire in this drive."


def _still_counts(drive: DriveTrials, lost: Trial) -> list[str]:
    """Triggers of other surprise classes that are still to fire."""
    spent = drive.watches[lost.trigger].trigger.surprise_class
    return [
        name
        for name, watch in drive.watches.items()
        if (spent is None or watch.trigger.surprise_class != spent)
        and any(track.is_waiting and not is_overdue(drive, watch, track) for track in drive.tracks.get(name, ()))
    ]

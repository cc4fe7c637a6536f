"""The vehicle that a trial is about, over the frames of a stretch: how it braked, and which one was ahead before it."""

from __future__ import annotations

import math

import numpy as np

from monitor.judging.blinding import hidden_frames, hidden_spans, reveals
from monitor.judging.case.stretch import Stretch, cut_stretch
from monitor.judging.case.trial import Trial
from monitor.judging.case.values import held_rows, role_channel
from monitor.measures.columns import FloatArray, IntArray
from monitor.replay.lines.rows import lead_rows_of
from monitor.replay.seeking.playback import Playback
from monitor.replay.series import SeriesStretch
from monitor.study.model import Measure, Study, Trigger

OVER_S = 0.2
"""Where a simulator leaves accelerations at zero, they are the change of the speed over so long."""
STANDS_MPS2, CHANGES_MPS = 1e-6, 1.0


def role_accel(playback: Playback, study: Study, trial: Trial, trigger: Trigger, shown: SeriesStretch) -> FloatArray:
    """Accelerations of the trigger's vehicle at the frames of `shown`, shape (n,): the one that was held at the fire,
    whichever drives ahead before and after. NaN where it is absent, or hidden. `playback` stands behind `shown`."""
    stretch = _cut(playback, shown)
    if stretch is None:
        return np.full(len(shown.t), np.nan)
    rows = _rows(study, trial, trigger, stretch)
    accel = role_channel(stretch.frames, "accel", rows).value
    speed = role_channel(stretch.frames, "speed", rows).value
    known = np.isfinite(speed)
    is_left = not (np.abs(accel[np.isfinite(accel)]) > STANDS_MPS2).any()
    if is_left and known.any() and np.ptp(speed[known]) > CHANGES_MPS:
        t = stretch.t[known]
        after, before = (np.interp(stretch.t + half, t, speed[known]) for half in (OVER_S / 2, -OVER_S / 2))
        accel = np.where(known, (after - before) / OVER_S, np.nan)
    if reveals(study, Measure("role", "accel", trigger.role, "m/s²")):
        accel = np.where(hidden_frames(hidden_spans(playback.trials(), trial.drive), stretch.t), math.nan, accel)
    return accel[(stretch.t >= shown.start_t) & (stretch.t <= shown.end_t)]


def taken_over(playback: Playback, trial: Trial, shown: SeriesStretch, until_t: float) -> tuple[tuple[float, str], ...]:
    """Each time until `until_t` at which another vehicle was ahead than a moment before, and its name or number."""
    stretch = _cut(playback, shown)
    if stretch is None:
        return ()
    hidden = hidden_frames(hidden_spans(playback.trials(), trial.drive), stretch.t)
    told = (stretch.t <= until_t) & (stretch.lead_id >= 0) & ~hidden
    ids, times, rows = stretch.lead_id[told], stretch.t[told], lead_rows_of(stretch)[told]
    label, labels = stretch.frames.others.label, stretch.frames.others.labels
    found = []
    for place in (np.flatnonzero(ids[1:] != ids[:-1]) + 1).tolist():
        named = -1 if label is None else int(label[rows[place]])
        found.append((float(times[place]), labels[named] if named >= 0 else f"vehicle {int(ids[place])}"))
    return tuple(found)


def _cut(playback: Playback, shown: SeriesStretch) -> Stretch | None:
    session = playback.session
    if not 1 <= shown.drive <= len(session.drives):
        return None
    return cut_stretch(session.drives[shown.drive - 1].log, shown.start_t, shown.end_t, session.last_number)


def _rows(study: Study, trial: Trial, trigger: Trigger, stretch: Stretch) -> IntArray:
    role, held = study.roles.get(trigger.role), trial.told_role_id.get(trigger.role)
    named = role is not None and (role.vehicle is not None or role.id is not None)
    return held_rows(stretch, role, held) if named or held is not None else lead_rows_of(stretch)

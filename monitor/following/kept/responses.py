"""What own car, lead and pedals did about each fire, kept for the trial card: judging lets old frames go.

Kept as soon as a trial's response is timed. It enters a view only where the response may be shown.
"""

from __future__ import annotations

import numpy as np

from monitor.following.view import LiveView, ResponseTraces
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.stretch import cut_stretch
from monitor.judging.case.values import held_rows, pair_values, role_channel
from monitor.judging.firing import FireWatch
from monitor.judging.session import Session, Track
from monitor.measures.columns import FloatArray
from monitor.study.model import Study

BEFORE_S = 2.0
"""So much before the fire is drawn: the pedals as they were, to compare with."""
AFTER_S = 1.0
"""So much beyond the response's horizon …"""
LONGEST_S = 20.0
"""… and never more than this."""
MOST_KEPT = 64
"""Trials; each takes some 40 kB at 60 Hz."""


class KeptResponses:
    """Give it the session after each `take`, with at most some seconds of new entries, and each view to add to."""

    def __init__(self, study: Study) -> None:
        self._roles = study.roles
        self._kept: dict[str, ResponseTraces] = {}
        self._done: set[str] = set()
        self._first = 0

    def take(self, session: Session) -> None:
        """Keeps the responses that are complete now."""
        drives = session.drives
        for place in range(self._first, len(drives)):
            drive = drives[place]
            for name, tracks in drive.tracks.items():
                for track in tracks:
                    trial = f"{drive.log.index}/{name}/{track.occurrence}"
                    if track.response_done and trial not in self._done:
                        self._done.add(trial)
                        self._keep(trial, drive.log, drive.watches[name], track, session.last_number)
        self._first = max(len(drives) - 1, 0)

    def _keep(self, trial: str, log: DriveLog, watch: FireWatch, track: Track, number: int) -> None:
        rule, judged = watch.trigger.response, track.trial
        if rule is None or judged is None or judged.response is None or judged.fired_at is None:
            return
        start_t = judged.fired_at - BEFORE_S
        end_t = min(judged.response.t0 + rule.horizon_s + AFTER_S, start_t + LONGEST_S)
        stretch = cut_stretch(log, start_t, end_t, number)
        if stretch is None:
            return
        role = self._roles.get(watch.trigger.role)
        rows = held_rows(stretch, role, judged.role_id.get(watch.trigger.role))
        inside = (stretch.t >= start_t) & (stretch.t <= end_t)
        nothing = np.full(len(stretch.t), np.nan)

        def own(name: str) -> FloatArray:
            return stretch.frames.own.get(name, nothing)[inside]

        self._kept[trial] = ResponseTraces(
            trial=trial,
            start_t=start_t,
            end_t=end_t,
            period_s=stretch.period_s,
            t=stretch.t[inside],
            own_speed=own("speed"),
            lead_speed=role_channel(stretch.frames, "speed", rows).value[inside],
            gap=pair_values(stretch, rows)["distance_gap"].value[inside],
            accelerator=own("accelerator"),
            brake=own("brake"),
            steering=own("steering_angle"),
        )
        while len(self._kept) > MOST_KEPT:
            del self._kept[next(iter(self._kept))]

    def of(self, view: LiveView) -> tuple[ResponseTraces, ...]:
        """Those of the view's trials whose response is timed there and may be shown."""
        kept = self._kept
        return tuple(
            kept[trial.id]
            for trial in view.trials
            if trial.response is not None and not trial.response_hidden and trial.id in kept
        )

"""Lane keeping over a drive of hours: statistics of the last minute (or the study's window), taken every ten seconds.

Each value stands at a whole multiple of ten seconds of the drive and is that of judging's own rolling measures, so that
it does not depend on how the entries came in.
"""

from __future__ import annotations

import math
from bisect import bisect_right

import numpy as np

from monitor.following.view import LiveView, SlowView
from monitor.judging.blinding import Span, hidden_frames, reveals
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.stretch import cut_stretch
from monitor.judging.case.trial import Result
from monitor.judging.case.values import rolling_values
from monitor.judging.session import Session
from monitor.measures.names import MEASURES
from monitor.measures.rolling import ROLLING
from monitor.study.band import Band
from monitor.study.model import Measure, Study

EVERY_S = 10.0
OVER_S = 60.0
"""Window of a measure that the study does not use."""
MOST_POINTS = 4320
"""Twelve hours; then the oldest go."""
LABELS = {"sdlp": "LANE SD", "steering_reversal_rate": "REVERSALS", "lane_departures": "DEPARTURES"}


class SlowTracks:
    """Values of every drive so far, one row each ten seconds."""

    def __init__(self, study: Study) -> None:
        self._study = study
        used: dict[str, tuple[float, Band | None]] = {}
        for trigger in study.triggers:
            for condition in trigger.conditions:
                measure = condition.measure
                if measure.kind == "rolling" and measure.over_s is not None:
                    used.setdefault(measure.name, (measure.over_s, condition.band))
        self.used = len(used)
        rest = {name: (OVER_S, None) for name in ROLLING if name not in used}
        self._measures = [
            (Measure("rolling", name, None, MEASURES[name].unit, over_s), band)
            for name, (over_s, band) in {**used, **rest}.items()
        ]
        self._rows: dict[int, list[tuple[float, ...]]] = {}
        self._next_t: dict[int, float] = {}
        self._shown: tuple[tuple[object, ...], tuple[SlowView, ...]] = ((), ())

    def take(self, session: Session) -> None:
        """Takes the values that are due; while a verdict is being decided they wait."""
        drive = session.current
        if drive is None or session.is_deciding or not drive.log.counts.judged:
            return
        log = drive.log
        due_t = self._next_t.setdefault(log.index, EVERY_S * math.ceil(log.first_t / EVERY_S))
        while due_t <= log.newest_t:
            rows = self._rows.setdefault(log.index, [])
            rows.append((due_t, *self._values(log, due_t, session.last_number)))
            del rows[:-MOST_POINTS]
            due_t += EVERY_S
        self._next_t[log.index] = due_t

    def _values(self, log: DriveLog, t: float, number: int) -> list[float]:
        stretch = cut_stretch(log, t - max(measure.over_s or 0.0 for measure, _ in self._measures), t, number)
        if stretch is None:
            return [math.nan] * len(self._measures)
        at = stretch.last_at(t)
        if at < 0:
            return [math.nan] * len(self._measures)
        return [float(rolling_values(stretch, measure, slice(at, at + 1)).value[at]) for measure, _ in self._measures]

    def of(self, view: LiveView) -> tuple[SlowView, ...]:
        """The view's drive up to the view's time."""
        rows = self._rows.get(view.drive or 0)
        if rows is None or view.t is None:
            return ()
        count = bisect_right(rows, (view.t, math.inf))
        if not count:
            return ()
        is_stale = view.feed.state in ("stale", "lost")
        key = (view.drive, count, rows[0][0], view.hidden, is_stale)
        if self._shown[0] != key:
            self._shown = (key, self._views(rows[:count], view.hidden, is_stale=is_stale))
        return self._shown[1]

    def _views(
        self, rows: list[tuple[float, ...]], hidden: tuple[Span, ...], *, is_stale: bool
    ) -> tuple[SlowView, ...]:
        table = np.array(rows, np.float64).reshape(len(rows), len(self._measures) + 1)
        t = table[:, 0]
        found = []
        for place, (measure, band) in enumerate(self._measures, start=1):
            value, state = table[:, place], None
            label, over_s = LABELS[measure.name], measure.over_s or OVER_S
            masked = hidden_frames(hidden, t, over_s=over_s)
            if reveals(self._study, measure) and masked.any():
                value = np.where(masked, math.nan, value)
            if math.isnan(value[-1]):
                state = "masked" if masked[-1] else "not measured"
            if is_stale and state != "masked":
                state = "stale"
            result = None if state in ("masked", "stale") else in_band(None if state else float(value[-1]), state, band)
            found.append(SlowView(measure.name, label, measure.unit, over_s, t, value, band, state, result))
        return tuple(found)


def in_band(value: float | None, state: str | None, band: Band | None) -> Result | None:
    """How a statistic stands in a band; None without a band."""
    if band is None:
        return None
    if value is None:
        return "undecided"
    return "met" if band.contains_one(value) else "not met"

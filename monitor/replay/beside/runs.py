"""One run about the instant at which it is laid over another: its trial, and its numbers from before to after it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from monitor.errors import WitnessError
from monitor.judging.blinding import Span, hidden_spans
from monitor.judging.case.trial import Trial
from monitor.measures.columns import FloatArray
from monitor.replay.beside.role_vehicle import role_accel, taken_over
from monitor.replay.seeking.map import RecordMap
from monitor.replay.seeking.playback import Playback
from monitor.replay.seeking.reading import MapMaking
from monitor.replay.series import SeriesStretch, series_about
from monitor.study.model import Study, Trigger

BEFORE_S, AFTER_S = 15.0, 8.0
"""A run is laid over another from this long before the instant to this long after it."""
MARGIN_S = 2.0
"""So much more is read on either side: what came just outside in one run is not missing in it."""

Alignment = Literal["trigger", "place", "time"]
"""At the fire of both; where the first one fired; or at the same seconds of the drive."""

ALIGNMENTS: tuple[Alignment, ...] = ("trigger", "place", "time")


@dataclass(frozen=True, slots=True)
class LaidRun:
    """A run with its zero: `zero_t` in seconds of its drive, all other times of it in seconds from there."""

    trial: Trial
    trigger: Trigger
    zero_t: float
    stretch: SeriesStretch
    study: Study
    accel: FloatArray
    """Acceleration of the trigger's vehicle at each frame, shape (n,), NaN where it is absent or hidden."""
    ahead: tuple[tuple[float, str], ...] = ()
    """Times before the fire at which another vehicle was ahead than a moment before, and which."""
    hidden: tuple[Span, ...] = ()
    """When the driver's doing is hidden, in seconds of the drive."""
    damage: tuple[str, ...] = ()
    """What is damaged in the record."""

    def hides(self, t: float) -> bool:
        """Whether what the driver did `t` seconds from the zero is hidden."""
        return any(one.start_t < self.zero_t + t <= one.end_t for one in self.hidden)

    def covers(self, t: float) -> bool:
        """Whether the run was driven and seen `t` seconds from the zero."""
        period_s = self.stretch.period_s
        return bool(len(self.t)) and self.t[0] - period_s <= t <= self.t[-1] + period_s

    @property
    def title(self) -> str:
        """Participant and record."""
        return f"{self.stretch.participant} ({self.stretch.record})"

    @property
    def t(self) -> FloatArray:
        """Frame times from the zero, shape (n,)."""
        return self.stretch.t - self.zero_t

    def values(self, name: str, at: FloatArray) -> FloatArray:
        """A number of the run at times from the zero, shape of `at`: that of the nearest frame, NaN without one."""
        series = self.stretch.named(name)
        return np.full(len(at), np.nan) if series is None else self.at_times(series.value, at)

    def at_times(self, value: FloatArray, at: FloatArray) -> FloatArray:
        """What has a value at each frame, at times from the zero, shape of `at`."""
        t = self.t
        if not len(t):
            return np.full(len(at), np.nan)
        after = np.clip(np.searchsorted(t, at), 1, max(len(t) - 1, 1))
        nearest = np.where(np.abs(t[np.minimum(after, len(t) - 1)] - at) < np.abs(at - t[after - 1]), after, after - 1)
        nearest = np.minimum(nearest, len(t) - 1)
        there = np.abs(t[nearest] - at) <= 0.75 * self.stretch.period_s + 1e-9
        return np.where(there, value[nearest], np.nan)


def instant_of(trial: Trial) -> float | None:
    """When a trial fired, else when it should have; None where neither is known, or may be told."""
    return trial.told_fired_at if trial.fired_at is not None else trial.told_expected_at


@dataclass(slots=True)
class ReadRun:
    """A record that has been read through, to lay any of its trials."""

    found: RecordMap
    playback: Playback

    @staticmethod
    def of(path: Path, study: Study | None = None) -> ReadRun:
        """Reads a record. Raises `RecordUnreadable`, and `StudyFaults` where its study does not load."""
        found = MapMaking(path, study).run()
        return ReadRun(found, Playback(found))

    def all_trials(self) -> tuple[Trial, ...]:
        """All trials of the record."""
        assert self.found.session is not None
        return self.found.session.trials()

    def trials(self) -> tuple[Trial, ...]:
        """Those with an instant to lay them at."""
        return tuple(one for one in self.all_trials() if instant_of(one) is not None)

    def laid(self, trial: Trial, zero_t: float) -> LaidRun:
        """A trial's numbers about an instant of its drive."""
        trigger = next(one for one in self.found.study.triggers if one.name == trial.trigger)
        begin_t, end_t = zero_t - BEFORE_S - MARGIN_S, zero_t + AFTER_S + MARGIN_S
        stretch = series_about(self.found, self.playback, trial.drive, begin_t, end_t)
        study, fired_t = self.found.study, instant_of(trial)
        return LaidRun(
            trial,
            trigger,
            zero_t,
            stretch,
            study,
            role_accel(self.playback, study, trial, trigger, stretch),
            taken_over(self.playback, trial, stretch, zero_t if fired_t is None else fired_t),
            hidden_spans(self.playback.trials(), trial.drive),
            tuple(self.found.damage),
        )


def lay_runs(
    first: ReadRun, second: ReadRun, alignment: Alignment, trial_id: str | None = None
) -> tuple[LaidRun, LaidRun]:
    """Both runs at one trigger. Raises `WitnessError` where they have no trial of one trigger in common."""
    here = next((one for one in first.trials() if trial_id in (None, one.id) and _like(second, one)), None)
    if here is None:
        wanted = f"no trial {trial_id}" if trial_id is not None else "no trial"
        hidden = [one.id for run in (first, second) for one in run.all_trials() if one.hidden_after is not None]
        until = f" When {', '.join(hidden)} fired is hidden until what came before is ruled on." if hidden else ""
        raise WitnessError(
            f"{first.found.path} has {wanted} of a trigger that fired, or should have, in {second.found.path}, too; "
            f"its trials: {_known(first)}; those of the other: {_known(second)}.{until}"
        )
    there = _like(second, here)
    assert there is not None
    here_t, there_t = instant_of(here), instant_of(there)
    assert here_t is not None
    assert there_t is not None
    laid = first.laid(here, here_t)
    if alignment == "time":
        return laid, second.laid(there, here_t)
    other = second.laid(there, there_t)
    if alignment == "place":
        return laid, second.laid(there, there_t + _when_at(other, _station_at_zero(laid)))
    return laid, other


def _known(run: ReadRun) -> str:
    """The trials of a run by their ids, with what stands against laying them over others."""
    there = {one.id for one in run.trials()}
    words = [
        one.id if one.id in there or one.hidden_after is not None else f"{one.id} ({one.timing.result})"
        for one in run.all_trials()
    ]
    return ", ".join(words) or "none"


def _like(run: ReadRun, trial: Trial) -> Trial | None:
    """The trial of the same trigger and occurrence in another run, else its first one of the trigger."""
    same = [one for one in run.trials() if one.trigger == trial.trigger]
    return next((one for one in same if one.occurrence == trial.occurrence), same[0] if same else None)


def _station_at_zero(run: LaidRun) -> float:
    """How far along the road the run was at its zero, between two frames; NaN where it is not known there."""
    t, station = _stations(run)
    near = len(t) and t[0] <= 0.0 <= t[-1] + run.stretch.period_s
    return float(np.interp(0.0, t, station)) if near else math.nan


def _when_at(run: LaidRun, station_m: float) -> float:
    """When the run was at a place along the road, between two frames, in seconds from its zero."""
    t, station = _stations(run)
    passed = np.flatnonzero(station >= station_m)
    if not len(passed) or passed[0] == 0:
        place = f"at which {station_m:.1f} m were passed" if math.isfinite(station_m) else "to compare with"
        raise WitnessError(
            f"{run.stretch.record} tells no station {place} within {BEFORE_S:.0f} s before the fire; lay the runs at "
            "the trigger or in time."
        )
    first = int(passed[0]) - 1
    return float(np.interp(station_m, station[first : first + 2], t[first : first + 2]))


def _stations(run: LaidRun) -> tuple[FloatArray, FloatArray]:
    """Times from the zero and stations, of the frames that tell one."""
    series = run.stretch.named("station")
    known = np.zeros(len(run.t), np.bool_) if series is None else np.isfinite(series.value)
    return run.t[known], np.empty(0) if series is None else series.value[known]

"""One run about the instant at which it is laid over another: its trial, and its numbers from before to after it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from monitor.errors import WitnessError
from monitor.judging.case.trial import Trial
from monitor.measures.columns import FloatArray
from monitor.replay.seeking.map import RecordMap
from monitor.replay.seeking.playback import Playback
from monitor.replay.seeking.reading import MapMaking
from monitor.replay.series import SeriesStretch, series_about
from monitor.study.model import Study, Trigger

BEFORE_S, AFTER_S = 15.0, 8.0
"""A run is laid over another from this long before the instant to this long after it."""

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
        t = self.t
        if series is None or not len(t):
            return np.full(len(at), np.nan)
        after = np.clip(np.searchsorted(t, at), 1, max(len(t) - 1, 1))
        nearest = np.where(np.abs(t[np.minimum(after, len(t) - 1)] - at) < np.abs(at - t[after - 1]), after, after - 1)
        nearest = np.minimum(nearest, len(t) - 1)
        there = np.abs(t[nearest] - at) <= 0.75 * self.stretch.period_s + 1e-9
        return np.where(there, series.value[nearest], np.nan)


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
        stretch = series_about(self.found, self.playback, trial.drive, zero_t - BEFORE_S, zero_t + AFTER_S)
        return LaidRun(trial, trigger, zero_t, stretch)


def lay_runs(
    first: ReadRun, second: ReadRun, alignment: Alignment, trial_id: str | None = None
) -> tuple[LaidRun, LaidRun]:
    """Both runs at one trigger. Raises `WitnessError` where they have no trial of one trigger in common."""
    here = next((one for one in first.trials() if trial_id in (None, one.id) and _like(second, one)), None)
    if here is None:
        known = ", ".join(one.id for one in first.trials()) or "none"
        wanted = f"no trial {trial_id}" if trial_id is not None else "no trial"
        hidden = [one.id for run in (first, second) for one in run.all_trials() if one.hidden_after is not None]
        until = f" When {', '.join(hidden)} fired is hidden until what came before is ruled on." if hidden else ""
        raise WitnessError(
            f"{first.found.path} has {wanted} of a trigger that {second.found.path} has, too; its trials: {known}."
            + until
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
        return laid, second.laid(there, there_t + _when_at(other, float(laid.values("station", np.zeros(1))[0])))
    return laid, other


def _like(run: ReadRun, trial: Trial) -> Trial | None:
    """The trial of the same trigger and occurrence in another run, else its first one of the trigger."""
    same = [one for one in run.trials() if one.trigger == trial.trigger]
    return next((one for one in same if one.occurrence == trial.occurrence), same[0] if same else None)


def _when_at(run: LaidRun, station_m: float) -> float:
    """When the run was at a place along the road, in seconds from its zero."""
    series = run.stretch.named("station")
    known = series is not None and np.isfinite(station_m)
    passed = np.flatnonzero(series.value >= station_m) if series is not None and known else np.empty(0, np.int64)
    if not len(passed) or passed[0] == 0:
        raise WitnessError(
            f"{run.stretch.record} tells no station at which {station_m:.1f} m were passed within {BEFORE_S:.0f} s "
            "before the fire; lay the runs at the trigger or in time."
        )
    return float(run.t[passed[0]])

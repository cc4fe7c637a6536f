"""One alert group: how the waiting for each valid trial's response ended, and what follows for the group."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from monitor.archive.summary import TrialSummary
from monitor.reports.statistics.intervals import FEWEST, Interval, median_interval, wilson
from monitor.reports.statistics.survival import Curve, Times, kaplan_meier, median, restricted_mean

Measure = Literal["first", "brake", "accelerator", "steering"]
MEASURES: dict[Measure, tuple[str, str]] = {
    "first": ("first_s", "first response (accelerator, brake or steering)"),
    "brake": ("brake_onset_s", "brake onset"),
    "accelerator": ("accelerator_release_s", "accelerator release"),
    "steering": ("steering_onset_s", "steering onset"),
}
End = Literal["responded", "horizon", "contact", "cut", "unusable"]


@dataclass(frozen=True, slots=True)
class Ending:
    """How the waiting for one trial's response ended: at `t` seconds from the origin. None for an unusable one."""

    end: End
    t: float | None


@dataclass(frozen=True, slots=True)
class GroupTimes:
    """One group: what is known of its times."""

    group: str
    times: Times
    curve: Curve
    endings: dict[End, int]
    """How many trials ended how; the unusable ones have no time and are left out of everything else."""
    anticipatory: int
    """Responses too soon to be one to the event; they are in the times all the same."""
    median_s: float | None
    median_interval: Interval
    mean_s: float | None
    """Restricted mean to the horizon."""
    mean_se_s: float | None
    """Its standard error; None for fewer than `FEWEST` trials."""
    by_count: int
    """Responded by the stated time; contact before a response counts as no response."""
    by_known: int
    """Trials of which that is known: all but those cut short before it."""
    by_interval: tuple[float, float] | None
    valid: int
    """All valid trials, those without a time among them."""
    collisions: int
    """Of all valid trials."""
    collision_interval: tuple[float, float] | None

    @property
    def n(self) -> int:
        """Trials with a time."""
        return len(self.times)


def ending_of(trial: TrialSummary, measure: Measure, horizon_s: float) -> Ending:
    """How the waiting for the response ended. Whoever braked already at the origin has no time (unusable)."""
    response = trial.response
    if response is None or response["outcome"] == "already responding":
        return Ending("unusable", None)
    t = response[MEASURES[measure][0]]
    if t is not None:
        return Ending("responded", float(t))
    if response["outcome"].startswith("collision"):
        return Ending("unusable", None) if trial.contact_s is None else Ending("contact", trial.contact_s)
    if response["outcome"] == "cut short":
        return Ending("cut", float(response["censored_at_s"]))
    return Ending("horizon", horizon_s)


def group_times(
    name: str, trials: Iterable[TrialSummary], measure: Measure, horizon_s: float, within_s: float
) -> GroupTimes:
    """What is known of the times of a group's valid trials."""
    trials = list(trials)
    endings = [ending_of(trial, measure, horizon_s) for trial in trials]
    known = [one for one in endings if one.t is not None]
    times = Times.of((one.t, one.end == "responded") for one in known if one.t is not None)
    curve = kaplan_meier(times)
    mean = restricted_mean(curve, horizon_s)
    by = [one for one in known if one.t is not None and not (one.end == "cut" and one.t < within_s)]
    by_count = sum(one.end == "responded" and one.t is not None and one.t <= within_s for one in by)
    collisions = sum(bool(trial.response and trial.response["outcome"].startswith("collision")) for trial in trials)
    kinds: tuple[End, ...] = ("responded", "horizon", "contact", "cut", "unusable")
    return GroupTimes(
        group=name,
        times=times,
        curve=curve,
        endings={kind: sum(one.end == kind for one in endings) for kind in kinds},
        anticipatory=sum(bool(trial.response and trial.response["outcome"] == "anticipatory") for trial in trials),
        median_s=median(curve),
        median_interval=median_interval(times),
        mean_s=None if mean is None else mean[0],
        mean_se_s=None if mean is None or len(times) < FEWEST else mean[1],
        by_count=by_count,
        by_known=len(by),
        by_interval=wilson(by_count, len(by)),
        valid=len(trials),
        collisions=collisions,
        collision_interval=wilson(collisions, len(trials)),
    )

"""One alert group: how the waiting for each valid trial's response ended, and what follows for the group."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from monitor.archive.summary import TrialSummary
from monitor.reports.comparison.plan import Analysis
from monitor.reports.statistics.incidence import Incidence, incidence, share_by
from monitor.reports.statistics.intervals import FEWEST, Interval, Method, median_interval, wilson
from monitor.reports.statistics.survival import (
    SLACK,
    Curve,
    Times,
    first_at_half,
    kaplan_meier,
    median,
    on_grid,
    restricted_mean,
)
from monitor.study.model import ResponseMeasure

MEASURES: dict[ResponseMeasure, tuple[str, str]] = {
    "first": ("first_s", "first response (accelerator, brake or steering)"),
    "brake": ("brake_onset_s", "brake onset"),
    "accelerator": ("accelerator_release_s", "accelerator release"),
    "steering": ("steering_onset_s", "steering onset"),
}
End = Literal["responded", "horizon", "contact", "cut", "unusable"]
ENDS: tuple[End, ...] = ("responded", "horizon", "contact", "cut", "unusable")
CAUSES: dict[End, int] = {"responded": 1, "contact": 2}
"""Ends that compete; the others leave it open what would have come."""


@dataclass(frozen=True, slots=True)
class Ending:
    """How the waiting for one trial's response ended: at `t` seconds from the origin. None for an unusable one."""

    end: End
    t: float | None


@dataclass(frozen=True, slots=True)
class Competing:
    """Response and contact as ends that compete (Aalen & Johansen)."""

    responded: Incidence
    contact: Incidence
    responded_by: tuple[float | None, tuple[float, float] | None]
    """Share that had responded by the stated time, None where nobody was waited for so long, and its interval."""
    contact_by_horizon: tuple[float | None, tuple[float, float] | None]
    median_s: float | None
    """Time by which half of all had responded; None where half never did."""


@dataclass(frozen=True, slots=True)
class GroupTimes:
    """One group: what is known of its times."""

    group: str
    every_end: tuple[Ending, ...]
    times: Times
    curve: Curve
    competing: Competing
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

    def ended(self, how: End) -> int:
        """How many trials ended so; the unusable ones have no time and are left out of everything else."""
        return sum(one.end == how for one in self.every_end)


def ending_of(trial: TrialSummary, measure: ResponseMeasure, horizon_s: float) -> Ending:
    """How the waiting for the response ended. Whoever braked already at the origin has no time (unusable), nor has who
    was not seen to do otherwise: a pedal that is not in the feed, or an accelerator that was up at the origin. What
    comes after the horizon was not waited for."""
    ending = _ending_of(trial, measure, horizon_s)
    return Ending("horizon", horizon_s) if ending.t is not None and ending.t > horizon_s else ending


def _ending_of(trial: TrialSummary, measure: ResponseMeasure, horizon_s: float) -> Ending:
    response = trial.response
    if response is None or response["outcome"] in ("already responding", "not measured"):
        return Ending("unusable", None)
    t = response[MEASURES[measure][0]]
    if t is not None:
        return Ending("responded", on_grid(t))
    if measure in trial.not_watched:
        return Ending("unusable", None)
    if trial.contact_s is not None:
        return Ending("contact", on_grid(trial.contact_s))
    if trial.watched_s is not None and trial.watched_s < horizon_s - SLACK:
        return Ending("cut", on_grid(trial.watched_s))
    return Ending("horizon", horizon_s)


def times_of(endings: Sequence[Ending]) -> Times:
    """The times of a group: who did not respond is censored, a contact too."""
    return Times.of((one.t, one.end == "responded") for one in endings if one.t is not None)


def group_times(
    name: str, trials: Sequence[TrialSummary], endings: Sequence[Ending], analysis: Analysis, method: Method
) -> GroupTimes:
    """What is known of the times of a group's valid trials; `endings` are theirs, in their order."""
    times = times_of(endings)
    curve = kaplan_meier(times)
    mean = restricted_mean(curve, analysis.horizon_s)
    known = [one for one in endings if one.t is not None and not (one.end == "cut" and one.t < analysis.within_s)]
    by_count = sum(one.end == "responded" and one.t is not None and one.t <= analysis.within_s for one in known)
    collisions = sum(trial.contact_s is not None for trial in trials)
    return GroupTimes(
        group=name,
        every_end=tuple(endings),
        times=times,
        curve=curve,
        competing=_competing(endings, analysis),
        anticipatory=sum(bool(trial.response and trial.response["outcome"] == "anticipatory") for trial in trials),
        median_s=median(curve, analysis.median),
        median_interval=median_interval(times, method),
        mean_s=None if mean is None else mean[0],
        mean_se_s=None if mean is None or len(times) < FEWEST else mean[1],
        by_count=by_count,
        by_known=len(known),
        by_interval=wilson(by_count, len(known)),
        valid=len(trials),
        collisions=collisions,
        collision_interval=wilson(collisions, len(trials)),
    )


def _competing(endings: Sequence[Ending], analysis: Analysis) -> Competing:
    ends = [(one.t, CAUSES.get(one.end, 0)) for one in endings if one.t is not None]
    responded, contact = incidence(ends, CAUSES["responded"]), incidence(ends, CAUSES["contact"])
    return Competing(
        responded,
        contact,
        share_by(responded, analysis.within_s),
        share_by(contact, analysis.horizon_s),
        first_at_half(responded.t, 1.0 - responded.share, analysis.median),
    )

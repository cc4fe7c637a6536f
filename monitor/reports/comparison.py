"""Alert groups compared by their response times, for the analyst: valid trials; who never responded is censored."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from monitor.errors import WitnessError
from monitor.reports.exact import exact_test
from monitor.reports.gathering import Gathered, StudyRuns, count
from monitor.reports.intervals import (
    FEWEST,
    Interval,
    difference_interval,
    median_difference,
    median_interval,
    wilson,
)
from monitor.reports.logrank import AnalysisMissing, LogRank, Weighting, chi_square_tail, holm, log_rank, pairwise
from monitor.reports.summary import NO_GROUP, RunSummary, TrialSummary, TriggerSummary
from monitor.reports.survival import Curve, Times, kaplan_meier, median, restricted_mean

Measure = Literal["first", "brake", "accelerator", "steering"]
MEASURES: dict[Measure, tuple[str, str]] = {
    "first": ("first_s", "first response (accelerator, brake or steering)"),
    "brake": ("brake_onset_s", "brake onset"),
    "accelerator": ("accelerator_release_s", "accelerator release"),
    "steering": ("steering_onset_s", "steering onset"),
}
WITHIN_S = 2.5
"""Time by which a response is asked for by default: the perception-reaction time for which roads are designed (AASHTO,
A Policy on Geometric Design of Highways and Streets)."""

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


@dataclass(frozen=True, slots=True)
class Pair:
    """Two groups compared. Differences are second − first, in seconds."""

    first: str
    second: str
    median_difference_s: float | None
    median_interval: Interval
    mean_difference_s: float | None
    mean_se_s: float | None
    test: LogRank
    p: float | None
    p_holm: float | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """One trigger of one study."""

    study: str
    trigger: str
    measure: Measure
    origin: str
    horizon_s: float
    within_s: float
    weighting: Weighting
    blind: bool
    groups: tuple[GroupTimes, ...]
    test: LogRank
    p: float | None
    pairs: tuple[Pair, ...]
    collision_p: float | None
    """Exact test of "the share of collisions is the same in all groups"; None for fewer than two groups."""
    planned: int
    unruled: int
    """Trials, valid or not, of a blind study without a ruling; undecided ones without a ruling of any study."""
    timed_alike: bool
    """Whether all study files of the study time the response from the same origin to the same horizon."""
    left_out: tuple[str, ...]
    """What was left out and why, one sentence each."""
    p_missing: str | None
    """Why there are no p values, where there are none."""

    @property
    def trials(self) -> int:
        """Trials with a time."""
        return sum(group.n for group in self.groups)

    @property
    def contacts(self) -> int:
        """Times censored by contact."""
        return sum(group.endings["contact"] for group in self.groups)


def compare_studies(
    gathered: Gathered,
    trigger: str | None = None,
    *,
    measure: Measure = "first",
    within_s: float = WITHIN_S,
    weighting: Weighting = "log-rank",
) -> tuple[Comparison, ...]:
    """The comparison of each study in a directory. Raises `WitnessError` for a trigger that none of them has."""
    found = [
        _compare(one, chosen, measure, within_s, weighting)
        for one in gathered.studies
        if (chosen := _chosen_trigger(one, trigger)) is not None
    ]
    if gathered.studies and not found:
        known = sorted({each.name for one in gathered.studies for each in one.study.triggers if each.origin})
        wanted = f"no trigger {trigger!r} whose response is timed" if trigger else "no trigger whose response is timed"
        raise WitnessError(f"The study in {gathered.directory} has {wanted}; there is {', '.join(known) or 'none'}.")
    return tuple(found)


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


def _chosen_trigger(one: StudyRuns, name: str | None) -> TriggerSummary | None:
    timed = [trigger for trigger in one.study.triggers if trigger.origin is not None]
    if name is not None:
        return next((trigger for trigger in timed if trigger.name == name), None)
    return next((trigger for trigger in timed if trigger.has_alert), timed[0] if timed else None)


def _compare(
    one: StudyRuns, trigger: TriggerSummary, measure: Measure, within_s: float, weighting: Weighting
) -> Comparison:
    horizon_s = trigger.horizon_s or 0.0
    within_s = min(within_s, horizon_s)
    trials, left_out = _usable(one, trigger)
    names = list(one.study.planned)
    names += sorted({run.group for run, _ in trials} - {*names, NO_GROUP})
    groups = tuple(
        _group(name, [trial for run, trial in trials if run.group == name], measure, horizon_s, within_s)
        for name in names
    )
    unusable = sum(group.endings["unusable"] for group in groups)
    if unusable:
        left_out.append(
            f"{count(unusable, 'valid trial')} without a time: already braking at the origin, or contact at a time "
            "that is not known."
        )
    with_time = {group.group: group.times for group in groups if group.n}
    test, pairs = log_rank(list(with_time.values()), weighting), pairwise(with_time, weighting)
    p_missing = None
    p: float | None = None
    p_values: dict[tuple[str, str], float] = {}
    try:
        p = _p(test)
        p_values = {pair: value for pair, one_test in pairs.items() if (value := _p(one_test)) is not None}
    except AnalysisMissing as error:
        p_missing = str(error)
    adjusted = dict(zip(p_values, holm(list(p_values.values())), strict=True))
    by_name = {group.group: group for group in groups}
    return Comparison(
        study=one.name,
        trigger=trigger.name,
        measure=measure,
        origin=trigger.origin or "",
        horizon_s=horizon_s,
        within_s=within_s,
        weighting=weighting,
        blind=one.study.blind,
        groups=groups,
        test=test,
        p=p,
        pairs=tuple(
            _pair(by_name[pair[0]], by_name[pair[1]], one_test, p_values.get(pair), adjusted.get(pair))
            for pair, one_test in pairs.items()
        ),
        collision_p=_collision_p(groups),
        planned=sum(planned or 0 for planned in one.study.planned.values()),
        unruled=_unruled(one, trigger),
        timed_alike=_timed_alike(one, trigger),
        left_out=tuple(left_out),
        p_missing=p_missing,
    )


def _usable(one: StudyRuns, trigger: TriggerSummary) -> tuple[list[tuple[RunSummary, TrialSummary]], list[str]]:
    """The first valid trial of each participant, and what was left out: copies, repeats, groups not known."""
    trials: list[tuple[RunSummary, TrialSummary]] = []
    left_out: list[str] = []
    digests: set[str] = set()
    seen: set[str] = set()
    for run in one.runs:
        if run.digest in digests:
            left_out.append(f"{run.record} is a copy of another record and was left out.")
            continue
        digests.add(run.digest)
        for trial in run.trials:
            if trial.trigger != trigger.name or trial.effective != "valid":
                continue
            if run.participant in seen:
                left_out.append(f"{run.participant} has a further valid trial in {run.record}: the first one counts.")
            elif run.group == NO_GROUP:
                left_out.append(f"{run.record} has a valid trial and its group is not known.")
            else:
                seen.add(run.participant)
                trials.append((run, trial))
    return trials, left_out


def _timed_alike(one: StudyRuns, trigger: TriggerSummary) -> bool:
    ways = {
        (each.origin, each.horizon_s) for part in one.files for each in part.study.triggers if each.name == trigger.name
    }
    return len(ways) == 1


def _unruled(one: StudyRuns, trigger: TriggerSummary) -> int:
    return sum(
        trial.hidden or (trial.effective == "undecided" and not trial.ruled)
        for run in one.runs
        for trial in run.trials
        if trial.trigger == trigger.name
    )


def _group(
    name: str, trials: Iterable[TrialSummary], measure: Measure, horizon_s: float, within_s: float
) -> GroupTimes:
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


def _pair(first: GroupTimes, second: GroupTimes, test: LogRank, p: float | None, p_holm: float | None) -> Pair:
    apart = None if first.mean_s is None or second.mean_s is None else second.mean_s - first.mean_s
    errors = first.mean_se_s, second.mean_se_s
    return Pair(
        first=first.group,
        second=second.group,
        median_difference_s=median_difference(first.times, second.times),
        median_interval=difference_interval(first.times, second.times),
        mean_difference_s=apart,
        mean_se_s=None if errors[0] is None or errors[1] is None else math.hypot(errors[0], errors[1]),
        test=test,
        p=p,
        p_holm=p_holm,
    )


def _collision_p(groups: Iterable[GroupTimes]) -> float | None:
    table = [(group.collisions, group.valid - group.collisions) for group in groups if group.valid]
    return exact_test(table) if len(table) > 1 else None


def _p(test: LogRank) -> float | None:
    return None if test.statistic is None else chi_square_tail(test.statistic, test.df)

"""Alert groups compared by their response times, for the analyst: valid trials; who never responded is censored."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from monitor.archive.gathering import Gathered, StudyRuns, count
from monitor.archive.summary import NO_GROUP, RunSummary, TrialSummary, TriggerSummary
from monitor.errors import WitnessError
from monitor.reports.comparison.groups import GroupTimes, Measure, group_times
from monitor.reports.statistics.exact import exact_test
from monitor.reports.statistics.intervals import Interval, difference_interval, median_difference
from monitor.reports.statistics.logrank import AnalysisMissing, GroupTest, chi_square_tail, holm, log_rank, pairwise
from monitor.reports.statistics.ranks import have_ranks, pairwise_ranks, rank_test
from monitor.reports.statistics.survival import Times

TestName = Literal["log-rank", "gehan", "ranks"]
NO_RANKS = (
    "There is no test by ranks: a time was censored (contact, or cut short) before the last response, and has no rank. "
    "Use --test log-rank, which takes it as what it is."
)
WITHIN_S = 2.5
"""Time by which a response is asked for by default: the perception-reaction time for which roads are designed (AASHTO,
A Policy on Geometric Design of Highways and Streets)."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Two groups compared. Differences are second − first, in seconds."""

    first: str
    second: str
    median_difference_s: float | None
    median_interval: Interval
    mean_difference_s: float | None
    mean_se_s: float | None
    test: GroupTest
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
    test_name: TestName
    blind: bool
    groups: tuple[GroupTimes, ...]
    test: GroupTest
    p: float | None
    pairs: tuple[Pair, ...]
    collision_p: float | None
    """Exact test of "the share of collisions is the same in all groups"; None for fewer than two groups."""
    planned: int | None
    """Valid trials planned over the groups; None where the study plans no number."""
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
    test: TestName = "log-rank",
) -> tuple[Comparison, ...]:
    """The comparison of each study in a directory. Raises `WitnessError` for a trigger that none of them has."""
    found = [
        _compare(one, chosen, measure, within_s, test)
        for one in gathered.studies
        if (chosen := _chosen_trigger(one, trigger)) is not None
    ]
    if gathered.studies and not found:
        known = sorted({each.name for one in gathered.studies for each in one.study.triggers if each.origin})
        wanted = f"no trigger {trigger!r} whose response is timed" if trigger else "no trigger whose response is timed"
        raise WitnessError(f"The study in {gathered.directory} has {wanted}; there is {', '.join(known) or 'none'}.")
    return tuple(found)


def _chosen_trigger(one: StudyRuns, name: str | None) -> TriggerSummary | None:
    timed = [trigger for trigger in one.study.triggers if trigger.origin is not None]
    if name is not None:
        return next((trigger for trigger in timed if trigger.name == name), None)
    return next((trigger for trigger in timed if trigger.has_alert), timed[0] if timed else None)


def _compare(
    one: StudyRuns, trigger: TriggerSummary, measure: Measure, within_s: float, test_name: TestName
) -> Comparison:
    horizon_s = trigger.horizon_s or 0.0
    within_s = min(within_s, horizon_s)
    trials, left_out = _usable(one, trigger)
    names = list(one.study.planned)
    names += sorted({run.group for run, _ in trials} - {*names, NO_GROUP})
    groups = tuple(
        group_times(name, [trial for run, trial in trials if run.group == name], measure, horizon_s, within_s)
        for name in names
    )
    unusable = sum(group.endings["unusable"] for group in groups)
    if unusable:
        left_out.append(
            f"{count(unusable, 'valid trial')} without a time: already braking at the origin, or contact at a time "
            "that is not known."
        )
    with_time = {group.group: group.times for group in groups if group.n}
    test, pairs, p_missing = _tests(with_time, test_name)
    p: float | None = None
    p_values: dict[tuple[str, str], float] = {}
    for pair, one_test in ((None, test), *pairs.items()):
        try:
            value = _p(one_test)
        except AnalysisMissing as error:
            p_missing = str(error)
            continue
        if pair is None:
            p = value
        elif value is not None:
            p_values[pair] = value
    adjusted = dict(zip(p_values, holm(list(p_values.values())), strict=True))
    by_name = {group.group: group for group in groups}
    return Comparison(
        study=one.name,
        trigger=trigger.name,
        measure=measure,
        origin=trigger.origin or "",
        horizon_s=horizon_s,
        within_s=within_s,
        test_name=test_name,
        blind=one.study.blind,
        groups=groups,
        test=test,
        p=p,
        pairs=tuple(
            _pair(by_name[pair[0]], by_name[pair[1]], one_test, p_values.get(pair), adjusted.get(pair))
            for pair, one_test in pairs.items()
        ),
        collision_p=_collision_p(groups),
        planned=_planned(one),
        unruled=_unruled(one, trigger),
        timed_alike=_timed_alike(one, trigger),
        left_out=tuple(left_out),
        p_missing=p_missing,
    )


def _tests(groups: dict[str, Times], name: TestName) -> tuple[GroupTest, dict[tuple[str, str], GroupTest], str | None]:
    """The test over groups and two by two, and why there is none where ranks cannot be had."""
    every = list(groups.values())
    if name != "ranks":
        return log_rank(every, name), pairwise(groups, name), None
    missing = None if have_ranks(every) else NO_RANKS
    return rank_test(every), pairwise_ranks(groups) if missing is None else {}, missing


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


def _planned(one: StudyRuns) -> int | None:
    numbers = [number for number in one.study.planned.values() if number is not None]
    return sum(numbers) if numbers else None


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


def _pair(first: GroupTimes, second: GroupTimes, test: GroupTest, p: float | None, p_holm: float | None) -> Pair:
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


def _p(test: GroupTest) -> float | None:
    if test.exact_p is not None:
        return test.exact_p
    return None if test.statistic is None else chi_square_tail(test.statistic, test.df)

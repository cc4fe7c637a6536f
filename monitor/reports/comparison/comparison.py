"""Alert groups compared by their response times, for the analyst: valid trials; who never responded is censored."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from monitor.archive.gathering import Gathered, StudyRuns, count
from monitor.archive.summary import NO_GROUP, RunSummary, TrialSummary, TriggerSummary
from monitor.measures.columns import FloatArray
from monitor.reports.comparison.groups import Ending, GroupTimes, ending_of, group_times, times_of
from monitor.reports.comparison.plan import Analysis, Asked, analysis_of, refuse_unknown
from monitor.reports.statistics.exact import exact_test
from monitor.reports.statistics.intervals import Interval, common_method, difference_interval, median_difference
from monitor.reports.statistics.logrank import GroupTest, holm, log_rank
from monitor.reports.statistics.ranks import have_ranks, rank_test, ranked_test
from monitor.reports.statistics.scipys import scipy_stats
from monitor.reports.statistics.survival import Times
from monitor.study.model import GroupTestName

NO_RANKS = (
    "There is no test by ranks: a time was censored (contact, or cut short) before the last response, and has no rank. "
    "Use --test log-rank, which takes it as what it is."
)

NEVER_S = 1e9
"""Stands for "never" where times are ranked."""


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
    p_holm: float | None
    """Adjusted for the number of pairs compared."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """One trigger of one study."""

    study: str
    files: tuple[str, ...]
    """Digests of the study files by which the runs were judged."""
    analysis: Analysis
    blind: bool
    groups: tuple[GroupTimes, ...]
    test: GroupTest
    pairs: tuple[Pair, ...]
    worst_rank: GroupTest | None
    """The same question by ranks with a contact as the worst of all; None without contacts."""
    collision_p: float | None
    """Exact test of "the share of collisions is the same in all groups"; None for fewer than two groups."""
    planned: int | None
    """Valid trials planned over the groups; None where the study plans no number."""
    unruled: int
    """Trials, valid or not, of a blind study without a ruling; undecided ones without a ruling of any study."""
    timed_alike: bool
    """Whether all study files of the study time the response by the same origin, horizon, thresholds and signs."""
    left_out: tuple[str, ...]
    """What was left out and why, one sentence each."""
    no_test: str | None
    """Why there is no test, where the one asked for cannot be had."""
    rulings: Rulings
    """What of all this rests on rulings."""

    @property
    def trials(self) -> int:
        """Trials with a time."""
        return sum(group.n for group in self.groups)

    @property
    def contacts(self) -> int:
        """Times censored by contact."""
        return sum(group.ended("contact") for group in self.groups)

    @property
    def cut(self) -> int:
        """Times censored because the drive ended."""
        return sum(group.ended("cut") for group in self.groups)


@dataclass(frozen=True, slots=True)
class Rulings:
    """The rulings on a trigger's trials, and the comparison without them."""

    ruled: int
    after_look: int
    """Made after a look at responses by group."""
    not_recorded: int
    """It was not recorded whether they were."""
    overruled: int
    """Trials whose ruling says other than what was computed."""
    trials: int
    """Trials with a time, by the computed verdicts alone."""
    test: GroupTest
    """The test by the computed verdicts alone."""


def compare_studies(gathered: Gathered, asked: Asked = Asked()) -> tuple[Comparison, ...]:  # noqa: B008 - frozen
    """The comparison of each study in a directory that compares groups. Raises `WitnessError` for a trigger that none
    of them has, and `AnalysisMissing` without scipy."""
    plans = [(one, analysis_of(one, asked)) for one in gathered.studies if not one.study.treatments]
    if plans and not any(analysis for _, analysis in plans):
        raise refuse_unknown(gathered.studies, asked.trigger)
    if plans:
        scipy_stats()  # says at once that it is not there, and not after a look was entered
    return tuple(_compare(one, analysis) for one, analysis in plans if analysis is not None)


def not_compared(gathered: Gathered) -> list[str]:
    """The studies that are left out, one sentence each: their treatments are given within participants."""
    return [
        f"{one.name} is not compared: it gives its treatments within participants, and the tests here are for groups "
        "of different participants. `export` has one row a trial, with its treatment and its participant."
        for one in gathered.studies
        if one.study.treatments
    ]


def _compare(one: StudyRuns, analysis: Analysis) -> Comparison:
    trials, left_out = _usable(one, analysis.trigger)
    names = list(one.study.planned)
    names += sorted({run.group for run, _ in trials} - {*names, NO_GROUP})
    by_group = {name: [trial for run, trial in trials if run.group == name] for name in names}
    endings = {
        name: [ending_of(trial, analysis.measure, analysis.horizon_s) for trial in own]
        for name, own in by_group.items()
    }
    method = common_method(times_of(own) for own in endings.values())
    groups = {name: group_times(name, by_group[name], endings[name], analysis, method) for name in names}
    unusable = sum(group.ended("unusable") for group in groups.values())
    if unusable:
        left_out.append(
            f"{count(unusable, 'valid trial')} without a time: already responding at the origin, or not measured all "
            "the time that was watched."
        )
    with_time = {name: group.times for name, group in groups.items() if group.n}
    no_test = NO_RANKS if analysis.test == "ranks" and not have_ranks(list(with_time.values())) else None
    pairs = analysis.pairs(list(with_time)) if no_test is None else []
    tests = {pair: _test([with_time[name] for name in pair], analysis.test) for pair in pairs}
    adjusted = _adjusted(tests)
    return Comparison(
        study=one.name,
        files=tuple(part.study.sha256 for part in one.files),
        analysis=analysis,
        blind=any(run.blind for run in one.runs),
        groups=tuple(groups.values()),
        test=_test(list(with_time.values()), analysis.test),
        pairs=tuple(
            _pair(groups[pair[0]], groups[pair[1]], test, adjusted.get(pair), analysis) for pair, test in tests.items()
        ),
        worst_rank=_worst_rank(endings.values()),
        collision_p=_collision_p(groups.values()),
        planned=_planned(one),
        unruled=_unruled(one, analysis.trigger),
        timed_alike=_timed_alike(one, analysis.trigger),
        left_out=tuple(left_out),
        no_test=no_test,
        rulings=_rulings(one, analysis),
    )


def _rulings(one: StudyRuns, analysis: Analysis) -> Rulings:
    ruled = [
        trial for run in one.runs for trial in run.trials if trial.trigger == analysis.trigger.name and trial.ruled
    ]
    by_group: dict[str, list[Ending]] = {}
    for run, trial in _usable(one, analysis.trigger, computed=True)[0]:
        by_group.setdefault(run.group, []).append(ending_of(trial, analysis.measure, analysis.horizon_s))
    order = [*one.study.planned, *sorted(by_group.keys() - one.study.planned.keys())]
    times = [each for each in (times_of(by_group[name]) for name in order if name in by_group) if len(each)]
    return Rulings(
        ruled=len(ruled),
        after_look=sum(trial.seen_looks is True for trial in ruled),
        not_recorded=sum(trial.seen_looks is None for trial in ruled),
        overruled=sum(trial.effective != trial.verdict for trial in ruled),
        trials=sum(len(each) for each in times),
        test=_test(times, analysis.test),
    )


def _test(groups: list[Times], name: GroupTestName) -> GroupTest:
    return rank_test(groups) if name == "ranks" else log_rank(groups, name)


def _adjusted(tests: Mapping[tuple[str, str], GroupTest]) -> dict[tuple[str, str], float]:
    known = {pair: test.p for pair, test in tests.items() if test.p is not None}
    return dict(zip(known, holm(list(known.values())), strict=True))


def _worst_rank(endings: Iterable[list[Ending]]) -> GroupTest | None:
    """Responses by their times, then no response, then contact as the worst; a time cut short has no rank."""
    every = list(endings)
    if not any(one.end == "contact" for own in every for one in own):
        return None
    ranked = [_ranked(own) for own in every]
    return ranked_test([one for one in ranked if len(one)])


def _ranked(endings: list[Ending]) -> FloatArray:
    never: dict[str, float] = {"horizon": NEVER_S, "contact": 2.0 * NEVER_S}  # only the order counts
    values = [never.get(one.end, one.t or 0.0) for one in endings if one.end not in ("cut", "unusable")]
    return np.array(values, dtype=np.float64)


def _usable(
    one: StudyRuns, trigger: TriggerSummary, *, computed: bool = False
) -> tuple[list[tuple[RunSummary, TrialSummary]], list[str]]:
    """The first valid trial of each participant, and what was left out: copies, repeats, groups not known. `computed`:
    valid by the computed verdict, whatever was ruled."""
    trials: list[tuple[RunSummary, TrialSummary]] = []
    left_out: list[str] = []
    further: Counter[tuple[str, str]] = Counter()
    digests: set[str] = set()
    seen: set[str] = set()
    for run in one.runs:
        if run.digest in digests:
            left_out.append(f"{run.record} is a copy of another record and was left out.")
            continue
        digests.add(run.digest)
        for trial in run.trials:
            if trial.trigger != trigger.name or (trial.verdict if computed else trial.effective) != "valid":
                continue
            if run.participant in seen:
                further[run.participant, run.record] += 1
            elif run.group == NO_GROUP:
                left_out.append(f"{run.record} has a valid trial and its group is not known.")
            else:
                seen.add(run.participant)
                trials.append((run, trial))
    left_out += [
        f"{participant} has {'a' if number == 1 else number} further valid {'trial' if number == 1 else 'trials'} in "
        f"{record}: the first one counts."
        for (participant, record), number in further.items()
    ]
    return trials, left_out


def _planned(one: StudyRuns) -> int | None:
    numbers = [number for number in one.study.planned.values() if number is not None]
    return sum(numbers) if numbers else None


def _timed_alike(one: StudyRuns, trigger: TriggerSummary) -> bool:
    ways = {each.response_sha256 for part in one.files for each in part.study.triggers if each.name == trigger.name}
    return len(ways) == 1


def _unruled(one: StudyRuns, trigger: TriggerSummary) -> int:
    return sum(
        trial.hidden or (trial.effective == "undecided" and not trial.ruled)
        for run in one.runs
        for trial in run.trials
        if trial.trigger == trigger.name
    )


def _pair(first: GroupTimes, second: GroupTimes, test: GroupTest, p_holm: float | None, analysis: Analysis) -> Pair:
    apart = None if first.mean_s is None or second.mean_s is None else second.mean_s - first.mean_s
    errors = first.mean_se_s, second.mean_se_s
    return Pair(
        first=first.group,
        second=second.group,
        median_difference_s=median_difference(first.times, second.times, analysis.median),
        median_interval=difference_interval(first.times, second.times, analysis.median),
        mean_difference_s=apart,
        mean_se_s=None if errors[0] is None or errors[1] is None else math.hypot(errors[0], errors[1]),
        test=test,
        p_holm=p_holm,
    )


def _collision_p(groups: Iterable[GroupTimes]) -> float | None:
    table = [(group.collisions, group.valid - group.collisions) for group in groups if group.valid]
    return exact_test(table) if len(table) > 1 else None

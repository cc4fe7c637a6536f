"""The comparison as JSON, and what must be said beside its numbers."""

from __future__ import annotations

from typing import Any

from monitor.archive.gathering import count
from monitor.reports.comparison.comparison import Comparison, Pair
from monitor.reports.comparison.groups import MEASURES, Competing, GroupTimes
from monitor.reports.statistics.incidence import Incidence
from monitor.reports.statistics.intervals import DRAWS, FEWEST, SEED, Interval
from monitor.reports.statistics.logrank import GroupTest
from monitor.reports.statistics.survival import LEVEL

MEDIANS = {
    "first": "A median is the first time at which the curve is at or below one half.",
    "midpoint": "A median is the first time at which the curve is at or below one half; where it is one half exactly, "
    "the middle between that time and the next.",
}
MEDIAN_INTERVALS = {
    "order statistics": "of a median by ranks of the order statistics, exact, the same way in all groups",
    "log-log": "of a median from the curve's log(−log) limits (Brookmeyer & Crowley), the same way in all groups, "
    "because a time was censored before another one's response",
    "none": f"of a median none below {FEWEST} trials",
}


def conventions(one: Comparison) -> list[str]:
    """Which of the usual conventions the numbers follow."""
    kinds = {group.median_interval.method for group in one.groups}
    kind = next((name for name in MEDIAN_INTERVALS if name in kinds), "none")
    return [
        MEDIANS[one.analysis.median],
        f"Intervals are {LEVEL:.0%} intervals: {MEDIAN_INTERVALS[kind]}; of a difference of medians by resampling "
        f"({DRAWS} draws, seed {SEED}); of a mean normal, from Greenwood's variance; of a share Wilson's score "
        "interval; of an incidence on the log(−log) scale.",
        "Times are rounded to a microsecond, so that the same number of frames is the same time.",
    ]


def cautions(one: Comparison, look: int) -> list[str]:
    """What an analyst must know before using the numbers."""
    said = []
    if not one.analysis.fixed:
        said.append(
            "NOT FIXED BEFOREHAND: the study has no [analysis], so this comparison was chosen when it was made."
        )
    if one.analysis.otherwise:
        said.append(f"NOT AS THE STUDY FIXED IT: {'; '.join(one.analysis.otherwise)}.")
    if one.planned is not None and one.trials < one.planned:
        said.append(
            f"PEEKING: {one.trials} of {one.planned} planned trials are in, and this is look {look} at responses in "
            "this directory. Each look at a p value before the end raises the chance of a difference found by chance; "
            "do not stop, go on or change the plan because of it."
        )
    if one.contacts:
        said.append(
            f"INFORMATIVE CENSORING: {count(one.contacts, 'time')} ended in contact. It is the slow who run into the "
            "vehicle ahead, so that curves, medians and log-rank flatter a group with contacts. The share responded by "
            f"{one.analysis.within_s:g} s, the incidences and the worst-rank test take a contact as what it is."
        )
    if one.unruled:
        kind = "in this blind study" if one.blind else "and undecided"
        said.append(
            f"Without a ruling {kind}: {count(one.unruled, 'trial')}. Whoever rules now must not have seen this page."
        )
    rulings = one.rulings
    if rulings.after_look or rulings.not_recorded:
        unknown = f"; of {rulings.not_recorded} it is not recorded" if rulings.not_recorded else ""
        said.append(
            f"RULED AFTER A LOOK: {rulings.after_look} of {count(rulings.ruled, 'ruling')} were made by somebody who "
            f"may have seen responses by group{unknown}. See the same test by the computed verdicts alone, below."
        )
    with_times = sum(group.n > 0 for group in one.groups)
    if one.test.statistic is not None and one.test.df + 1 < with_times:
        said.append(
            f"The test is over {one.test.df + 1} of the {with_times} groups with trials: of the others nobody was "
            "still waited for when anybody responded."
        )
    if not one.timed_alike:
        said.append(
            "The study files of this study time the response from different origins, to different horizons or by "
            "different thresholds: the times are not comparable. Judge all runs by one file with --study."
        )
    anticipatory = [f"{group.group} {group.anticipatory}" for group in one.groups if group.anticipatory]
    if anticipatory:
        said.append(f"Responses too soon to be one to the event are among the times: {', '.join(anticipatory)}.")
    few = [group.group for group in one.groups if 0 < group.n and group.median_interval.method == "none"]
    if few:
        said.append(f"Fewer than {FEWEST} trials have no interval: {', '.join(few)}.")
    return said


def comparison_json(one: Comparison, look: int) -> dict[str, Any]:
    """One comparison as plain values; intervals are [low, high], null where open."""
    analysis = one.analysis
    return {
        "study": one.study,
        **analysis_json(one),
        "origin": analysis.trigger.origin,
        "level": LEVEL,
        "planned": one.planned,
        "trials": one.trials,
        "groups": [_group_json(group) for group in one.groups],
        "test": {"name": analysis.test, **_test_json(one.test)},
        "worst_rank": None if one.worst_rank is None else {**_test_json(one.worst_rank), "cut_left_out": one.cut},
        "collision_p": one.collision_p,
        "pairs": [_pair_json(pair) for pair in one.pairs],
        "no_test": one.no_test,
        "rulings": {
            "ruled": one.rulings.ruled,
            "after_look": one.rulings.after_look,
            "not_recorded": one.rulings.not_recorded,
            "overruled": one.rulings.overruled,
        },
        "by_computed_verdicts": {"trials": one.rulings.trials, "test": _test_json(one.rulings.test)},
        "left_out": list(one.left_out),
        "cautions": cautions(one, look),
        "conventions": conventions(one),
    }


def analysis_json(one: Comparison) -> dict[str, Any]:
    """What was compared and how: for the page, and for the file of looks."""
    analysis = one.analysis
    return {
        "study_files": list(one.files),
        "trigger": analysis.trigger.name,
        "measure": MEASURES[analysis.measure][0],
        "test_name": analysis.test,
        "horizon_s": analysis.horizon_s,
        "within_s": analysis.within_s,
        "median": analysis.median,
        "contrasts": [[pair.first, pair.second] for pair in one.pairs],
        "fixed_in_the_study": analysis.fixed and not analysis.otherwise,
        "otherwise": list(analysis.otherwise),
    }


def _group_json(group: GroupTimes) -> dict[str, Any]:
    curve = group.curve
    defined = [None if low != low else float(low) for low in curve.lower]
    upper = [None if high != high else float(high) for high in curve.upper]
    return {
        "group": group.group,
        "n": group.n,
        "responded": group.ended("responded"),
        "censored": group.times.censored,
        "censored_at_horizon": group.ended("horizon"),
        "censored_at_contact": group.ended("contact"),
        "cut_short": group.ended("cut"),
        "without_time": group.ended("unusable"),
        "anticipatory": group.anticipatory,
        "median_s": group.median_s,
        "median_interval": _interval_json(group.median_interval),
        "restricted_mean_s": group.mean_s,
        "restricted_mean_se_s": group.mean_se_s,
        "responded_by": {
            "count": group.by_count,
            "of": group.by_known,
            "share": group.by_count / group.by_known if group.by_known else None,
            "interval": group.by_interval,
        },
        "collisions": {"count": group.collisions, "of": group.valid, "interval": group.collision_interval},
        "curve": {
            "t_s": [float(t) for t in curve.t],
            "at_risk": [int(n) for n in curve.at_risk],
            "events": [int(d) for d in curve.events],
            "survival": [float(s) for s in curve.survival],
            "se": [None if s != s else float(s) for s in curve.se],
            "lower": defined,
            "upper": upper,
        },
        "censored_times_s": [float(t) for t in group.times.t[~group.times.event]],
        "competing": _competing_json(group.competing),
    }


def _competing_json(found: Competing) -> dict[str, Any]:
    return {
        "responded": _incidence_json(found.responded),
        "contact": _incidence_json(found.contact),
        "responded_by": {"share": found.responded_by[0], "interval": found.responded_by[1]},
        "contact_by_horizon": {"share": found.contact_by_horizon[0], "interval": found.contact_by_horizon[1]},
        "median_s": found.median_s,
    }


def _incidence_json(one: Incidence) -> dict[str, Any]:
    return {
        name: [float(value) for value in getattr(one, at)]
        for name, at in (("t_s", "t"), ("share", "share"), ("se", "se"))
    }


def _pair_json(pair: Pair) -> dict[str, Any]:
    return {
        "groups": [pair.first, pair.second],
        "median_difference_s": pair.median_difference_s,
        "median_difference_interval": _interval_json(pair.median_interval),
        "restricted_mean_difference_s": pair.mean_difference_s,
        "restricted_mean_difference_se_s": pair.mean_se_s,
        **_test_json(pair.test),
        "p_holm": pair.p_holm,
    }


def _test_json(test: GroupTest) -> dict[str, Any]:
    return {
        "chi_square": test.statistic,
        "df": test.df,
        "p": test.p,
        "exact": test.exact,
        "observed": [float(one) for one in test.observed],
        "expected": [float(one) for one in test.expected],
    }


def _interval_json(interval: Interval) -> dict[str, Any]:
    return {
        "low": interval.low,
        "high": interval.high,
        "method": interval.method,
        "coverage": interval.coverage,
        **({"draws": DRAWS, "seed": SEED} if interval.method == "resampling" else {}),
    }

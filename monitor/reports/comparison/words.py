"""The comparison as JSON, and what must be said beside its numbers."""

from __future__ import annotations

from typing import Any

from monitor.archive.gathering import count
from monitor.reports.comparison.comparison import Comparison, Pair
from monitor.reports.comparison.groups import MEASURES, GroupTimes
from monitor.reports.statistics.intervals import DRAWS, FEWEST, SEED, Interval
from monitor.reports.statistics.logrank import GroupTest
from monitor.reports.statistics.survival import LEVEL

CONVENTIONS = (
    "A median is the first time at which the curve is at or below one half.",
    f"Intervals are {LEVEL:.0%} intervals. Of a median: r = by ranks of the order statistics, exact; s = by resampling "
    f"({DRAWS} draws, seed {SEED}), where a time was censored before another one's response. Of a mean: normal, from "
    "Greenwood's variance. Of a share: Wilson's score interval.",
)


def cautions(one: Comparison, look: int) -> list[str]:
    """What an analyst must know before using the numbers."""
    said = []
    if one.planned is not None and one.trials < one.planned:
        said.append(
            f"PEEKING: {one.trials} of {one.planned} planned trials are in, and this is look {look} at responses in "
            "this directory. Each look at a p value before the end raises the chance of a difference found by chance; "
            "do not stop, go on or change the plan because of it."
        )
    if one.contacts:
        said.append(
            f"INFORMATIVE CENSORING: {count(one.contacts, 'time')} ended in contact. It is the slow who run into the "
            "vehicle ahead, so that curves, medians and log-rank flatter a group with contacts; the share responded by "
            f"{one.within_s:g} s counts a contact as no response and does not."
        )
    if one.unruled:
        kind = "in this blind study" if one.blind else "and undecided"
        said.append(
            f"Without a ruling {kind}: {count(one.unruled, 'trial')}. Whoever rules now must not have seen this page."
        )
    if not one.timed_alike:
        said.append(
            "The study files of this study time the response from different origins or to different horizons: the "
            "times are not comparable. Judge all runs by one file with --study."
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
    return {
        "study": one.study,
        "trigger": one.trigger,
        "measure": MEASURES[one.measure][0],
        "origin": one.origin,
        "horizon_s": one.horizon_s,
        "within_s": one.within_s,
        "level": LEVEL,
        "planned": one.planned,
        "trials": one.trials,
        "groups": [_group_json(group) for group in one.groups],
        "test": {"name": one.test_name, **_test_json(one.test), "p": one.p},
        "collision_p": one.collision_p,
        "pairs": [_pair_json(pair) for pair in one.pairs],
        "p_missing": one.p_missing,
        "left_out": list(one.left_out),
        "cautions": cautions(one, look),
        "conventions": list(CONVENTIONS),
    }


def _group_json(group: GroupTimes) -> dict[str, Any]:
    curve = group.curve
    defined = [None if low != low else float(low) for low in curve.lower]
    upper = [None if high != high else float(high) for high in curve.upper]
    return {
        "group": group.group,
        "n": group.n,
        "responded": group.endings["responded"],
        "censored": group.times.censored,
        "censored_at_horizon": group.endings["horizon"],
        "censored_at_contact": group.endings["contact"],
        "cut_short": group.endings["cut"],
        "without_time": group.endings["unusable"],
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
    }


def _pair_json(pair: Pair) -> dict[str, Any]:
    return {
        "groups": [pair.first, pair.second],
        "median_difference_s": pair.median_difference_s,
        "median_difference_interval": _interval_json(pair.median_interval),
        "restricted_mean_difference_s": pair.mean_difference_s,
        "restricted_mean_difference_se_s": pair.mean_se_s,
        **_test_json(pair.test),
        "p": pair.p,
        "p_holm": pair.p_holm,
    }


def _test_json(test: GroupTest) -> dict[str, Any]:
    return {
        "chi_square": test.statistic,
        "df": test.df,
        "observed": [float(one) for one in test.observed],
        "expected": [float(one) for one in test.expected],
        "exact": test.exact_p is not None,
    }


def _interval_json(interval: Interval) -> dict[str, Any]:
    return {
        "low": interval.low,
        "high": interval.high,
        "method": interval.method,
        "coverage": interval.coverage,
        **({"draws": DRAWS, "seed": SEED} if interval.method == "resampling" else {}),
    }

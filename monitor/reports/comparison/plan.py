"""How groups are compared: as the study fixed it beforehand, or otherwise, and then it is said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from monitor.archive.gathering import StudyRuns
from monitor.archive.summary import TriggerSummary
from monitor.errors import WitnessError
from monitor.study.model import AnalysisRule, GroupTestName, MedianConvention, ResponseMeasure

WITHIN_S = 2.5
"""Time by which a response is asked for by default: the perception-reaction time for which roads are designed (AASHTO,
A Policy on Geometric Design of Highways and Streets)."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What the analyst asks for; None is as the study fixed it."""

    trigger: str | None = None
    measure: ResponseMeasure | None = None
    within_s: float | None = None
    test: GroupTestName | None = None


@dataclass(frozen=True, slots=True)
class Analysis:
    """One comparison, every choice made."""

    trigger: TriggerSummary
    measure: ResponseMeasure
    test: GroupTestName
    horizon_s: float
    within_s: float
    median: MedianConvention
    contrasts: tuple[tuple[str, str], ...] | None
    """Pairs of groups; None is all of them."""
    fixed: bool
    """Whether the study has an `[analysis]`."""
    otherwise: tuple[str, ...]
    """What is asked for otherwise than the study fixed it, in words."""

    def pairs(self, groups: Sequence[str]) -> list[tuple[str, str]]:
        """The pairs to be compared among groups that have times, in the order of the plan."""
        if self.contrasts is None:
            return list(combinations(groups, 2))
        return [pair for pair in self.contrasts if set(pair) <= set(groups)]


def analysis_of(one: StudyRuns, asked: Asked) -> Analysis | None:
    """The analysis of a study; None where it times no such trigger."""
    rule = one.study.analysis or AnalysisRule()
    timed = [trigger for trigger in one.study.triggers if trigger.origin is not None]
    planned = rule.trigger or next((each.name for each in timed if each.has_alert), timed[0].name if timed else None)
    trigger = next((each for each in timed if each.name == (asked.trigger or planned)), None)
    if trigger is None:
        return None
    chosen = replace(rule, **{key: value for key in ("measure", "test", "within_s") if (value := getattr(asked, key))})
    horizon_s = min(chosen.horizon_s or trigger.horizon_s or 0.0, trigger.horizon_s or 0.0)
    compared = (("measure", "measure"), ("test", "test"), ("within_s", "share responded by"))
    otherwise = [
        f"{words} {getattr(chosen, key)} instead of {_default(getattr(rule, key))}"
        for key, words in compared
        if getattr(chosen, key) != getattr(rule, key)
    ]
    if trigger.name != planned:
        otherwise.insert(0, f"trigger {trigger.name} instead of {planned}")
    return Analysis(
        trigger=trigger,
        measure=chosen.measure,
        test=chosen.test,
        horizon_s=horizon_s,
        within_s=min(chosen.within_s or WITHIN_S, horizon_s),
        median=chosen.median,
        contrasts=_contrasts(rule, list(one.study.planned)),
        fixed=one.study.analysis is not None,
        otherwise=tuple(otherwise) if one.study.analysis is not None else (),
    )


def refuse_unknown(studies: Sequence[StudyRuns], trigger: str | None) -> WitnessError:
    """The error for a trigger that no study times."""
    known = sorted({each.name for one in studies for each in one.study.triggers if each.origin})
    wanted = f"no trigger {trigger!r} whose response is timed" if trigger else "no trigger whose response is timed"
    return WitnessError(f"The study has {wanted}; there is {', '.join(known) or 'none'}.")


def _contrasts(rule: AnalysisRule, groups: Sequence[str]) -> tuple[tuple[str, str], ...] | None:
    if rule.reference is None:
        return rule.contrasts or None
    against_it = tuple((rule.reference, group) for group in groups if group != rule.reference)
    return (*against_it, *(pair for pair in rule.contrasts if rule.reference not in pair))


def _default(value: object) -> object:
    return WITHIN_S if value is None else value

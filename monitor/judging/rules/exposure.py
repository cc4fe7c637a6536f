"""Whether a participant had been surprised before: by the evidence of the hazard, not by the marker alone."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import Any

from monitor.judging.case.case import Case
from monitor.judging.case.trial import AlertResult, Naive
from monitor.judging.rules.hazard import HazardSeen


class Shown(Enum):
    """Whether a trial's hazard showed itself to the participant."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Exposure:
    """A participant's state before a trial, and why in one sentence (empty for a naive one)."""

    naive: Naive
    why: str


def what_showed(case: Case, hazard: HazardSeen, alert: AlertResult) -> Shown:
    """Evidence after the fire: the scripted vehicle braked, an alert was given, contact.

    A marker with a hazard rule whose window was seen whole and showed none of these surprised nobody. Where frames or a
    marker are missing, or the vehicle braked less than the rule says, it is not known.
    """
    rule, stretch = case.trigger.hazard, case.stretch
    if hazard.onset_t is not None or hazard.by_speed_t is not None or alert.given:
        return Shown.YES
    if any(case.fired_at <= marker.t <= case.end_t for marker in case.of_kind("collision")):
        return Shown.YES
    if rule is None:
        return Shown.YES  # nothing tells whether it showed: the marker counts
    if stretch is None or stretch.missing(case.fired_at, case.fired_at + rule.within_s):
        return Shown.UNKNOWN
    if hazard.is_weak(rule) or case.may_be_lost(case.fired_at, case.end_t) or "alert" in case.unheard:
        return Shown.UNKNOWN
    return Shown.NO


def exposure_before(
    surprise_class: str,
    earlier_runs: Iterable[dict[str, Any]],
    earlier_runs_known: bool,
    earlier_trials: Iterable[tuple[str, Shown]],
) -> Exposure:
    """Naive before a trial of a class: `earlier_runs` as entered at the run's start ("*" stands for every class),
    `earlier_trials` (id, shown) of this record. Unknown counts as spent; a lost marker makes nobody naive."""
    unknown = ""
    for run in earlier_runs:
        if run.get("surprise_class") not in (surprise_class, "*"):
            continue
        where = f"in the earlier run {run.get('record', '?')} (trial {run.get('trial', '?')})"
        if run.get("naive") == "no":
            return Exposure("no", f"The participant met a surprise of this class {where}.")
        unknown = unknown or f"Whether the participant met a surprise of this class {where} is not known."
    for trial, shown in earlier_trials:
        if shown is Shown.YES:
            return Exposure("no", f"The participant met a surprise of this class already in trial {trial} of this run.")
        if shown is Shown.UNKNOWN:
            unknown = unknown or f"Whether trial {trial} of this run showed its hazard to the participant is not known."
    if not earlier_runs_known:
        unknown = unknown or "The participant's earlier runs could not all be read."
    return Exposure("unknown", unknown) if unknown else Exposure("yes", "")

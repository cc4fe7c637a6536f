"""The alert given against the one assigned to the participant's group."""

from __future__ import annotations

from typing import Literal

from monitor.judging.case import ALERT_SEARCH_S, Case
from monitor.judging.drive import MARKER_DELAY_S, ReceivedMarker
from monitor.judging.trial import AlertResult, Finding
from monitor.study.model import AlertRule


def modalities(marker: ReceivedMarker) -> tuple[str, ...]:
    """The modalities of an alert marker: `data.modality`, a text or a list of texts."""
    modality = marker.data.get("modality")
    if isinstance(modality, str):
        return (modality,)
    if isinstance(modality, list | tuple):
        return tuple(str(one) for one in modality)
    return ("not named",)


def judge_alert(case: Case) -> tuple[AlertResult, list[Finding]]:
    """Which alert was given, when, on what evidence, and what is wrong with it."""
    rule = case.trigger.alert
    if rule is None:
        return AlertResult((), (), None, None, "not stated"), []
    group = case.study.groups.get(case.group or "")
    first_t = case.fired_at + rule.earliest_s - ALERT_SEARCH_S
    last_t = case.fired_at + rule.latest_s + ALERT_SEARCH_S
    given = [marker for marker in case.of_kind("alert_on") if first_t <= marker.t <= last_t]
    names = tuple(dict.fromkeys(name for marker in given for name in modalities(marker)))
    at = given[0].t + _output_delay(given[0], rule) if given else None
    evidence: Literal["commanded", "measured"] | None = None
    if given:
        evidence = "measured" if all(marker.data.get("measured") is True for marker in given) else "commanded"
    if group is None:
        sentence = "The participant's group is not known, so the alert given cannot be compared with the one assigned."
        return (
            AlertResult(None, names, at, evidence, "not known"),
            [case.finding("group-unknown", sentence, case.fired_at)],
        )
    result, findings = _compare(case, rule, group.name, group.alert, given, names, at, last_t)
    return AlertResult(group.alert, names, at, evidence, result), findings


def _output_delay(marker: ReceivedMarker, rule: AlertRule) -> float:
    """The measured delay of the modality's output, where only the command was seen."""
    if marker.data.get("measured") is True:
        return 0.0
    return max((rule.output_delay_s.get(name, 0.0) for name in modalities(marker)), default=0.0)


def _compare(
    case: Case,
    rule: AlertRule,
    group: str,
    assigned: tuple[str, ...],
    given: list[ReceivedMarker],
    names: tuple[str, ...],
    at: float | None,
    last_t: float,
) -> tuple[str, list[Finding]]:
    fired_at = case.fired_at
    closed = case.passed(last_t - fired_at, MARKER_DELAY_S)
    cut = case.over and case.now_t < fired_at + rule.latest_s
    unknown = case.may_be_lost(fired_at, last_t) or cut
    extra = [name for name in names if name not in assigned]
    lacking = [name for name in assigned if name not in names]
    wanted = " with ".join(assigned) or "no alert"
    if extra and at is not None:
        sentence = (
            f"Group {group} is assigned {wanted}, but {' with '.join(names)} was given at {at:.2f} s "
            f"({at - fired_at:+.2f} s from the fire)."
        )
        return "wrong", [case.finding("alert-wrong", sentence, at)]
    if lacking and not closed:
        return "open", []
    if lacking and unknown:
        sentence = f"Group {group} is assigned {wanted}; whether it was given is not known, because " + (
            "the drive ended first." if cut else "a marker was lost."
        )
        return "not known", [case.finding("alert-unknown", sentence, fired_at)]
    if lacking and names:
        sentence = f"Group {group} is assigned {wanted}, but only {' with '.join(names)} was given."
        return "wrong", [case.finding("alert-wrong", sentence, at)]
    if lacking:
        sentence = (
            f"Group {group} is assigned {wanted}, but no alert came until {rule.latest_s + ALERT_SEARCH_S:.2f} s "
            "after the fire."
        )
        return "missing", [case.finding("alert-missing", sentence, fired_at)]
    if at is None:
        return ("none, as assigned" if closed else "open"), []
    return _timed(case, rule, given, at)


def _timed(case: Case, rule: AlertRule, given: list[ReceivedMarker], at: float) -> tuple[str, list[Finding]]:
    """The right alert: in time, once, and for long enough."""
    delay_s = at - case.fired_at
    band = f"{rule.earliest_s:.2f}–{rule.latest_s:.2f} s"
    findings = []
    result = "as assigned"
    slack = 1e-6  # rounding of a difference of two frame times
    if delay_s > rule.latest_s + slack:
        result = "late"
        findings.append(case.finding("alert-late", f"The alert came {delay_s:.2f} s after the fire, band {band}.", at))
    elif delay_s < rule.earliest_s - slack:
        result = "early"
        findings.append(case.finding("alert-early", f"The alert came {delay_s:.2f} s after the fire, band {band}.", at))
    seen: set[str] = set()
    for marker in given:
        for name in modalities(marker):
            if name in seen:
                result = "doubled"
                sentence = f"{name.capitalize()} was given a second time at {marker.t:.2f} s."
                findings.append(case.finding("alert-doubled", sentence, marker.t))
            seen.add(name)
    off = next((marker for marker in case.of_kind("alert_off") if marker.t >= given[0].t), None)
    if off is not None:
        lasted = off.t - given[0].t
        if rule.at_least_lasting_s is not None and lasted < rule.at_least_lasting_s - slack:
            sentence = f"The alert lasted {lasted:.2f} s, at least {rule.at_least_lasting_s:.2f} s is asked for."
            findings.append(case.finding("alert-short", sentence, off.t))
        if rule.at_most_lasting_s is not None and lasted > rule.at_most_lasting_s + slack:
            sentence = f"The alert lasted {lasted:.2f} s, at most {rule.at_most_lasting_s:.2f} s is asked for."
            findings.append(case.finding("alert-long", sentence, off.t))
    return result, findings

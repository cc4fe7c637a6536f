"""The alert given against the one assigned to the participant's group.

An alert may combine several modalities, told by one marker or by one each. A modality may be told twice: by its
command, and by a sensor that saw it (`data.measured`). The sensor's instant counts; a command alone counts with the
measured output delay of its modality added, which the study states.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from monitor.judging.case.case import ALERT_SEARCH_S, Case
from monitor.judging.case.received import MARKER_DELAY_S, ReceivedMarker
from monitor.judging.case.trial import AlertResult, Finding
from monitor.study.rules import AlertRule

NOT_NAMED = "not named"
STAYS_ON_S = 10.0
"""An alert of which no end is told is taken to be on for so long (common practice, no source)."""
SLACK_S = 1e-6
"""Rounding of a difference of two frame times."""


@dataclass(frozen=True, slots=True)
class Part:
    """One modality of the alert as it was given. `at`: when it came out; `again_at`: when it came a second time."""

    modality: str
    at: float
    measured: bool
    again_at: float | None
    lasted_s: float | None


def modalities(marker: ReceivedMarker) -> tuple[str, ...]:
    """The modalities of an alert marker: `data.modality`, a text or a list of texts."""
    modality = marker.data.get("modality")
    if isinstance(modality, str):
        return (modality,)
    if isinstance(modality, list | tuple) and modality:
        return tuple(str(one) for one in modality)
    return (NOT_NAMED,)


def judge_alert(case: Case) -> tuple[AlertResult, list[Finding]]:
    """Which alert was given, when, on what evidence, and what is wrong with it."""
    rule = case.trigger.alert
    if rule is None:
        return AlertResult((), (), None, None, "not stated"), []
    assigned = case.study.alert_of(case.group, case.occurrence)
    parts = given_parts(case, rule)
    names = tuple(part.modality for part in parts)
    at = parts[0].at if parts else None
    evidence: Literal["commanded", "measured"] | None = None
    if parts:
        evidence = "measured" if all(part.measured for part in parts) else "commanded"
    if assigned is None:
        sentence = "The participant's group is not known, so the alert given cannot be compared with the one assigned."
        return (
            AlertResult(None, names, at, evidence, "not known"),
            [case.finding("group-unknown", sentence, case.fired_at)],
        )
    result, findings = _compare(case, rule, assigned, parts)
    return AlertResult(assigned, names, at, evidence, result), findings


def given_parts(case: Case, rule: AlertRule) -> list[Part]:
    """The modalities given about the fire, the first one first."""
    first_t = case.fired_at + rule.earliest_s - ALERT_SEARCH_S
    last_t = case.fired_at + rule.latest_s + ALERT_SEARCH_S
    on = [marker for marker in case.of_kind("alert_on") if first_t <= marker.t <= last_t]
    names = dict.fromkeys(name for marker in on for name in modalities(marker))
    parts = [_part(case, rule, name, [marker for marker in on if name in modalities(marker)]) for name in names]
    return sorted(parts, key=lambda part: part.at)


def _part(case: Case, rule: AlertRule, name: str, on: list[ReceivedMarker]) -> Part:
    seen = [marker for marker in on if marker.data.get("measured") is True]
    told = seen or on
    again = next((several[1].t for several in (seen, [one for one in on if one not in seen]) if len(several) > 1), None)
    delay_s = 0.0 if seen else rule.output_delay_s.get(name, 0.0)
    off = [
        marker
        for marker in case.of_kind("alert_off")
        if marker.t >= told[0].t and {name, NOT_NAMED} & set(modalities(marker))
    ]
    same_source = [marker for marker in off if (marker.data.get("measured") is True) == bool(seen)]
    ended = next(iter(same_source or off), None)
    return Part(name, told[0].t + delay_s, bool(seen), again, ended.t - told[0].t if ended else None)


def treatment_findings(case: Case) -> list[Finding]:
    """Whether the simulator names the treatment that the participant's order has here, where its marker names one."""
    planned, given = case.treatment, case.marker.data.get("treatment")
    if planned is None or given is None or given == planned:
        return []
    sentence = f"{_who(case)} is {planned}, but the simulator gave {given} at {case.fired_at:.2f} s."
    return [case.finding("treatment-mismatch", sentence, case.fired_at)]


def _who(case: Case) -> str:
    """Whom an alert is assigned to, in words."""
    if case.treatment is None:
        return f"Group {case.group}"
    return f"Number {case.occurrence} of order {case.group} ({case.treatment})"


def _compare(case: Case, rule: AlertRule, assigned: tuple[str, ...], parts: list[Part]) -> tuple[str, list[Finding]]:
    fired_at = case.fired_at
    names = [part.modality for part in parts]
    at = parts[0].at if parts else None
    last_t = fired_at + rule.latest_s + ALERT_SEARCH_S
    closed = case.passed(last_t - fired_at, MARKER_DELAY_S)
    cut = case.over and case.now_t < fired_at + rule.latest_s
    unheard = case.unheard.get("alert")
    leapt = any(
        one.what == "clock" and one.number <= case.number and one.after_t < last_t < one.to
        for one in case.drive.set_backs
    )
    lost = case.may_be_lost(fired_at + min(rule.earliest_s, 0.0), last_t)
    unknown = leapt or lost or cut or unheard is not None
    extra = [name for name in names if name not in assigned and name != NOT_NAMED]
    lacking = [name for name in assigned if name not in names]
    wanted, who = " with ".join(assigned) or "no alert", _who(case)
    if extra and at is not None:
        sentence = (
            f"{who} is assigned {wanted}, but {' with '.join(names)} was given at {at:.2f} s "
            f"({at - fired_at:+.2f} s from the fire)."
        )
        return "wrong", [case.finding("alert-wrong", sentence, at)]
    if NOT_NAMED in names:
        sentence = f"{who} is assigned {wanted}; the alert at {at:.2f} s does not say of which kind it was."
        return "not known", [case.finding("alert-unknown", sentence, at)]
    if not closed and (lacking or not assigned):
        return "open", []
    if lacking and names and not unknown:
        sentence = f"{who} is assigned {wanted}, but only {' with '.join(names)} was given."
        return "wrong", [case.finding("alert-wrong", sentence, at)]
    if unknown and (lacking or not assigned):
        what = "whether it was given" if assigned else "whether one was given"
        about_it = "the simulation's clock jumped before it was due" if leapt else "a marker may have been lost"
        why = unheard or ("the drive ended first" if cut else about_it)
        sentence = f"{who} is assigned {wanted}; {what} is not known, because {why}."
        return "not known", [case.finding("alert-unknown", sentence, fired_at)]
    ended_t = _ended_untold(case, lacking)
    if ended_t is not None:
        sentence = (
            f"{who} is assigned {wanted}; no marker told that it was given, and one told at {ended_t:.2f} s that it "
            "ended."
        )
        return "not known", [case.finding("alert-unknown", sentence, ended_t)]
    if lacking:
        sentence = (
            f"{who} is assigned {wanted}, but no alert came until {rule.latest_s + ALERT_SEARCH_S:.2f} s "
            "after the fire."
        )
        return "missing", [case.finding("alert-missing", sentence, fired_at)]
    if not parts:
        return "none, as assigned", []
    return _timed(case, rule, parts, closed=closed and not unknown)


def _ended_untold(case: Case, lacking: list[str]) -> float | None:
    """When an alert of one of these modalities ended after the fire that nobody said had begun; None where none did."""
    began = [marker for marker in case.of_kind("alert_on") if marker.t < case.fired_at]
    for marker in case.of_kind("alert_off"):
        named = set(modalities(marker))
        if marker.t < case.fired_at or not named & {NOT_NAMED, *lacking}:
            continue
        if not any(NOT_NAMED in named or named & set(modalities(one)) for one in began):
            return marker.t
    return None


def _timed(case: Case, rule: AlertRule, parts: list[Part], *, closed: bool) -> tuple[str, list[Finding]]:
    """The right alert: produced, in time, once, and for as long as the study asks."""
    band = f"band {rule.earliest_s:.2f}–{rule.latest_s:.2f} s"
    findings = []
    result = "as assigned"
    for part in parts:
        what = "The alert" if len(parts) == 1 else f"The alert's {part.modality}"
        delay_s = part.at - case.fired_at
        evidence = "measured" if part.measured else "commanded"
        if delay_s > rule.latest_s + SLACK_S or delay_s < rule.earliest_s - SLACK_S:
            result = "late" if delay_s > rule.latest_s else "early"
            sentence = f"{what} came {delay_s:.2f} s after the fire ({evidence}), {band}."
            findings.append(case.finding(f"alert-{result}", sentence, part.at))
        if part.again_at is not None:
            result = "doubled"
            sentence = f"{what} ({part.modality}) was given a second time at {part.again_at:.2f} s."
            findings.append(case.finding("alert-doubled", sentence, part.again_at))
        findings += _duration(case, rule, what, part)
        if rule.measured and not part.measured and case.unheard.get("alert"):
            sentence = (
                f"{what} ({part.modality}) was commanded at {part.at:.2f} s; whether a sensor saw it is not known, "
                f"because {case.unheard['alert']}."
            )
            findings.append(case.finding("alert-unknown", sentence, part.at))
        elif rule.measured and not part.measured and closed:
            result = "missing"
            sentence = f"{what} ({part.modality}) was commanded at {part.at:.2f} s, but no sensor saw it."
            findings.append(case.finding("alert-not-produced", sentence, part.at))
    return result, findings


def _duration(case: Case, rule: AlertRule, what: str, part: Part) -> list[Finding]:
    lasted, off_t = part.lasted_s, part.at + (part.lasted_s or 0.0)
    if lasted is None:
        return []
    if rule.at_least_lasting_s is not None and lasted < rule.at_least_lasting_s - SLACK_S:
        sentence = f"{what} lasted {lasted:.2f} s, at least {rule.at_least_lasting_s:.2f} s is asked for."
        return [case.finding("alert-short", sentence, off_t)]
    if rule.at_most_lasting_s is not None and lasted > rule.at_most_lasting_s + SLACK_S:
        sentence = f"{what} lasted {lasted:.2f} s, at most {rule.at_most_lasting_s:.2f} s is asked for."
        return [case.finding("alert-long", sentence, off_t)]
    return []


def judge_unaccounted(case: Case, rule_held: Sequence[float] = ()) -> list[Finding]:
    """Alerts before this trial that no trigger accounts for, in any group: the one still on at the fire, else the
    last.

    An alert belongs to a trigger if it begins within that trigger's search window, of whatever modality; `rule_held`:
    when this one was to fire, whether or not its marker came. What came before its fire before this one is a matter of
    that trial's, where the trigger surprises nobody.
    """
    fires = [(marker.t, *_search(case, marker.name)) for marker in case.of_kind("trigger")]
    since_t = -math.inf
    if case.trigger.surprise_class is None:
        own = (marker.t for marker in case.of_kind("trigger") if marker.name == case.trigger.name)
        since_t = max((t for t in own if t < case.fired_at), default=-math.inf)
    fires += [(t, *_search(case, case.trigger.name)) for t in rule_held]
    before = [
        marker
        for marker in case.of_kind("alert_on")
        if marker.t < case.fired_at and not any(t + first <= marker.t <= t + last for t, first, last in fires)
    ]
    for marker in before:
        names = " with ".join(modalities(marker))
        off = [
            one.not_before  # where no frame was seen about its end, it may have been over at the fire
            for one in case.of_kind("alert_off")
            if one.t >= marker.t and {NOT_NAMED, *modalities(marker)} & set(modalities(one))
        ]
        stays_on = not off and marker.t >= since_t and case.fired_at - marker.t <= STAYS_ON_S
        if stays_on or (off and min(off) >= case.fired_at):
            sentence = (
                f"An alert ({names}) was given at {marker.t:.2f} s, {case.fired_at - marker.t:.2f} s before the fire, "
                f"and was still on at it{'' if off else ', as far as the feed says'}; no trigger accounts for it."
            )
            return [case.finding("alert-before-fire", sentence, marker.t)]
    recent = [marker for marker in before if marker.t >= since_t]
    if not recent:
        return []
    marker = recent[-1]
    sentence = (
        f"An alert ({' with '.join(modalities(marker))}) was given at {marker.t:.2f} s, "
        f"{case.fired_at - marker.t:.2f} s before the fire; no trigger accounts for it."
    )
    return [case.finding("alert-unaccounted", sentence, marker.t)]


def _search(case: Case, name: str) -> tuple[float, float]:
    """From when to when, in seconds from its fire, an alert belongs to a trigger."""
    rules = {trigger.name: trigger.alert for trigger in case.study.triggers}
    rule = rules.get(name) or AlertRule()
    return min(rule.earliest_s, 0.0) - ALERT_SEARCH_S, rule.latest_s + ALERT_SEARCH_S

"""What the further sources could tell of a trial, and what is made of it where their clocks leave it open.

Trouble of a source makes undecided what depends on it, and nothing else: conditions on its signals, and what its alert
and task markers would have told. A time by its clock is known to ± u: what comes out otherwise at either end of that is
not certain.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from itertools import product

import numpy as np

from monitor.judging.case.alignment import AlignedSources
from monitor.judging.case.case import Case
from monitor.judging.case.sources import SourceLog, SourceRun
from monitor.judging.case.trial import AlertResult, Finding, SourceEvidence
from monitor.judging.case.trouble import trouble_between

SAMPLES_WITHIN_S = 0.5
"""Samples of the fire are on their way for some milliseconds; before this nobody says that there are none."""

CLOCKS_APART = 3
"""So many sources are looked at one by one; more of them at once are taken as early or as late together."""


def evidence_of(case: Case) -> tuple[SourceEvidence, ...]:
    """Each source at the fire."""
    aligned = case.drive.aligned
    return () if aligned is None else tuple(_evidence(case, aligned, log) for log in aligned.sources.logs)


def judge_sources(case: Case, sources: Iterable[SourceEvidence]) -> list[Finding]:
    """A note for each source in trouble, so that it can be seen why something is undecided."""
    return [
        case.finding("source-unheard", f"{one.source} {one.trouble}.", case.fired_at) for one in sources if one.trouble
    ]


def judge_alert_by_clocks(
    case: Case, judge: Callable[[Case], tuple[AlertResult, list[Finding]]]
) -> tuple[AlertResult, list[Finding]]:
    """The alert, left open where it would be another one within the uncertainty of the clocks that timed it."""
    alert, findings = judge(case)
    others = [judge(one) for one in _within_clocks(case)]
    if all((one.result, _codes(told)) == (alert.result, _codes(findings)) for one, told in others):
        return alert, findings
    result = alert.result if all(one.result == alert.result for one, _ in others) else "not known"
    return replace(alert, result=result), _left_open(case, findings, [told for _, told in others], "alert")


def judge_task_by_clocks(case: Case, judge: Callable[[Case], list[Finding]]) -> list[Finding]:
    """The task, in the same way."""
    findings = judge(case)
    others = [judge(one) for one in _within_clocks(case)]
    if all(_codes(told) == _codes(findings) for told in others):
        return findings
    return _left_open(case, findings, others, "task")


def _evidence(case: Case, aligned: AlignedSources, log: SourceLog) -> SourceEvidence:
    at_t, number = case.fired_at, case.number
    runs = log.runs_as_of(number)
    run = next((one for one in runs if aligned.time_of(one.number) <= at_t), runs[0] if runs else None)
    offset = None if run is None else aligned.offset(log, run, number)
    name = log.name_as_of(number)
    trouble = trouble_between(aligned, log, case.start_t, case.end_t, number)
    if offset is None or run is None:
        return SourceEvidence(name, log.endpoint, None, None, 0, trouble)
    second_t, off_by = offset.second_at(at_t)
    marks = aligned.marks(log, run, number)
    if not trouble and case.passed(SAMPLES_WITHIN_S):
        trouble = _sample_trouble(aligned, run, at_t, number)
    return SourceEvidence(name, log.endpoint, at_t - second_t, off_by, marks, trouble)


def _sample_trouble(aligned: AlignedSources, run: SourceRun, at_t: float, number: int) -> str:
    """Why the signals of a source have no value at an instant."""
    hello = run.hello_as_of(number)
    if hello is None or not hello.signals:
        return ""
    columns = aligned.columns(np.array([at_t]), number)
    given = [columns[name] for name in hello.signals if name in columns]
    if any(np.isfinite(one.low[0]) for one in given):
        return ""
    return f"gave no value of {', '.join(list(hello.signals)[:3])} at {at_t:.2f} s"


def _within_clocks(case: Case) -> Iterator[Case]:
    """The case with the markers of further sources as early and as late as their clocks permit."""
    about = [
        marker
        for marker in case.markers
        if "uncertainty_s" in marker.data and marker.kind != "other" and case.start_t - 1 <= marker.t <= case.end_t + 1
    ]
    names = list(dict.fromkeys(str(marker.data.get("source")) for marker in about))
    for signs in product((-1.0, 1.0), repeat=min(len(names), CLOCKS_APART)) if names else ():
        sign_of = {name: signs[min(place, len(signs) - 1)] for place, name in enumerate(names)}
        markers = tuple(
            replace(marker, t=marker.t + sign_of[str(marker.data["source"])] * marker.data["uncertainty_s"])
            if "uncertainty_s" in marker.data and marker.data.get("source") in sign_of
            else marker
            for marker in case.markers
        )
        yield replace(case, markers=markers)


def _codes(findings: Iterable[Finding]) -> list[str]:
    return sorted(finding.code for finding in findings)


def _left_open(case: Case, findings: list[Finding], others: list[list[Finding]], what: str) -> list[Finding]:
    """The findings that hold whatever the clocks are, and one that says what does not."""
    surely = [one for one in findings if all(one.code in _codes(told) for told in others)]
    open_codes = dict.fromkeys(
        code for told in (findings, *others) for code in _codes(told) if code not in _codes(surely)
    )
    reasons = case.study.reasons
    said = "; ".join(reasons[code].words.lower() if code in reasons else code for code in open_codes)
    off_by = max(marker.data.get("uncertainty_s", 0.0) for marker in case.markers)
    sentence = f"Not certain of the {what}: {said}. The clock that timed it is known to ±{off_by * 1000:.0f} ms."
    return [*surely, case.finding("clock-unsure", sentence, case.fired_at)]

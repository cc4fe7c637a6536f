"""The verdict from conditions and findings."""

from __future__ import annotations

from dataclasses import replace

from monitor.judging.case.trial import ConditionResult, Finding, Verdict

WEIGHED = frozenset(("place", "station", "speed", "accel", "heading", "yaw_rate", "lane_offset"))
"""Channels that other tellings are held against: what a doubt of them does is weighed, condition by condition."""


def leave_open(conditions: tuple[ConditionResult, ...], doubted: frozenset[str]) -> tuple[ConditionResult, ...]:
    """The conditions, those undecided that look at a pedal, the wheel or a signal that is not believed."""
    unbelieved = doubted - WEIGHED
    if "steering_angle" in unbelieved:
        unbelieved |= {"steering_reversal_rate"}
    return tuple(
        replace(one, result="undecided", at_edge=False) if one.measure in unbelieved else one for one in conditions
    )


def decide(conditions: tuple[ConditionResult, ...], findings: tuple[Finding, ...], *, final: bool) -> Verdict:
    """Any required condition not met or a void finding: invalid, as soon as it is certain. Else any required condition
    undecided or a doubtful finding: undecided. Else valid, but only when final."""
    if any(one.severity == "void" for one in findings):
        return "invalid"
    if any(one.required and one.result == "not met" and not one.open for one in conditions):
        return "invalid"
    if any(one.severity == "doubtful" for one in findings):
        return "undecided"
    if any(one.required and (one.open or one.result == "undecided") for one in conditions):
        return "undecided"
    return "valid" if final else "undecided"

"""The visual task about a trigger: begun in time, trigger inside it, items at their spacing.

Common practice, no source: a look away of about three seconds is the critical duration, and a reading task that forces
it shows six items half a second apart (6 × 0.5 s = 3.0 s).
"""

from __future__ import annotations

from itertools import pairwise

from monitor.judging.case.case import Case
from monitor.judging.case.received import MARKER_DELAY_S, ReceivedMarker
from monitor.judging.case.trial import Finding
from monitor.study.rules import TaskRule

END_SLACK_S = 0.05
"""A task that ends three frames of 60 Hz early is not called ended early."""


def judge_task(case: Case) -> list[Finding]:
    """What is wrong with the task about this trigger; empty where there is no rule."""
    rule = case.trigger.task
    if rule is None:
        return []
    starts = [marker for marker in case.of_kind("task_start") if _named(marker, rule)]
    begun = [marker for marker in starts if marker.t <= case.fired_at]
    if not begun:
        return _not_begun(case, rule, [marker for marker in starts if marker.t > case.fired_at])
    start = begun[-1]
    end = next((one for one in case.of_kind("task_end") if _named(one, rule) and one.t >= start.t), None)
    if end is not None and end.t < case.fired_at:
        sentence = (
            f"The task {start.name} was not running at the fire: it ended at {end.t:.2f} s, "
            f"{case.fired_at - end.t:.2f} s before."
        )
        return [case.finding("task-missing", sentence, case.fired_at)]
    before_s = case.fired_at - start.t
    band = f"{rule.begins_at_least_s:.2f}–{rule.begins_at_most_s:.2f} s"
    findings = []
    if before_s < rule.begins_at_least_s - 1e-6:
        sentence = f"The task {start.name} began only {before_s:.2f} s before the fire, band {band}."
        findings.append(case.finding("task-late", sentence, start.t))
    if before_s > rule.begins_at_most_s + 1e-6:
        sentence = f"The task {start.name} began {before_s:.2f} s before the fire, band {band}."
        findings.append(case.finding("task-early", sentence, start.t))
    if end is not None and end.t < start.t + rule.lasts_s - END_SLACK_S:
        sentence = (
            f"The task {start.name} ended after {end.t - start.t:.2f} s, at {end.t:.2f} s; "
            f"at least {rule.lasts_s:.2f} s is asked for."
        )
        findings.append(case.finding("task-ended-early", sentence, end.t))
    last_item_t = start.t + max(rule.lasts_s, (rule.items or 0) * (rule.spacing_s or 0.0)) + 0.5
    # a drive that ended first did not show them all, which is no fault of the task
    seen = case.now_t >= last_item_t and case.passed(last_item_t - case.fired_at, MARKER_DELAY_S)
    if rule.items is not None and (end is not None or seen):
        findings += _items(case, rule, start, end.t if end is not None else last_item_t)
    return findings + _score(case, rule, end)


def _score(case: Case, rule: TaskRule, end: ReceivedMarker | None) -> list[Finding]:
    """The answers, where the study asks for a share of right ones and the task's end gives it."""
    score = None if end is None else end.data.get("score")
    if end is None or rule.score_at_least is None or not isinstance(score, int | float) or isinstance(score, bool):
        return []
    if score >= rule.score_at_least:
        return []
    sentence = (
        f"The answers to the task {end.name} were right to {score:.2f} at {end.t:.2f} s, at least "
        f"{rule.score_at_least:.2f} is asked for."
    )
    return [case.finding("task-score", sentence, end.t)]


def _named(marker: ReceivedMarker, rule: TaskRule) -> bool:
    return rule.name is None or marker.name == rule.name


def _not_begun(case: Case, rule: TaskRule, later: list[ReceivedMarker]) -> list[Finding]:
    name = rule.name or "task"
    if later:
        sentence = f"The task {name} began at {later[0].t:.2f} s, {later[0].t - case.fired_at:.2f} s after the fire."
        return [case.finding("task-late", sentence, later[0].t)]
    if not case.passed(0.0, MARKER_DELAY_S):
        return []
    if "task" in case.unheard:
        sentence = f"Whether the task {name} had begun is not known, because {case.unheard['task']}."
        return [case.finding("clock-unsure", sentence, case.fired_at)]
    if case.may_be_lost(case.fired_at - rule.begins_at_most_s, case.fired_at):
        sentence = f"Whether the task {name} had begun is not known, because a marker may have been lost."
        return [case.finding("marker-lost", sentence, case.fired_at)]
    sentence = f"The task {name} had not begun when the trigger fired at {case.fired_at:.2f} s."
    return [case.finding("task-missing", sentence, case.fired_at)]


def _items(case: Case, rule: TaskRule, start: ReceivedMarker, end_t: float) -> list[Finding]:
    # a millisecond: an item may be stamped with the end marker's own time
    items = [marker for marker in case.of_kind("task_item") if start.t <= marker.t <= end_t + 1e-3]
    if case.may_be_lost(start.t, end_t):
        return []
    if len(items) != rule.items and "task" in case.unheard:
        sentence = (
            f"The task {start.name} showed {len(items)} items that are known of, because {case.unheard['task']}; "
            f"{rule.items} are asked for."
        )
        return [case.finding("clock-unsure", sentence, start.t)]
    if len(items) != rule.items:
        sentence = f"The task {start.name} showed {len(items)} items, {rule.items} are asked for."
        return [case.finding("task-items", sentence, start.t)]
    if rule.spacing_s is None:
        return []
    for first, second in pairwise(items):
        spacing_s = second.t - first.t
        if abs(spacing_s - rule.spacing_s) > rule.spacing_tolerance_s + 1e-6:
            sentence = (
                f"Two items of the task {start.name} came {spacing_s:.2f} s apart at {second.t:.2f} s, "
                f"{rule.spacing_s:.2f} ± {rule.spacing_tolerance_s:.2f} s is asked for."
            )
            return [case.finding("task-spacing", sentence, second.t)]
    return []

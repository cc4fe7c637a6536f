"""What commands print: JSON documents for programs, sentences for people. Data goes to stdout, the rest to stderr."""

from __future__ import annotations

import json
import sys
from typing import Any

from monitor.feed.limits import harmless as harmless
from monitor.judging.case.trial import ConditionResult, Trial
from monitor.judging.rulings import rulings_in_words


def print_json(document: Any) -> None:
    """One JSON document on one line; never NaN."""
    sys.stdout.write(json.dumps(document, ensure_ascii=False, allow_nan=False) + "\n")
    sys.stdout.flush()


def say(sentence: str) -> None:
    """A diagnostic for people, on stderr."""
    print(sentence, file=sys.stderr, flush=True)


def condition_line(condition: ConditionResult) -> str:
    """One condition in words: name, value, band, result."""
    value = condition.state or (
        f"{condition.value:.3g} {condition.unit}".rstrip() if condition.value is not None else ""
    )
    low = "" if condition.at_least is None else f"at least {condition.at_least:g}"
    high = "" if condition.at_most is None else f"at most {condition.at_most:g}"
    band = ", ".join(part for part in (low, high) if part)
    weight = "" if condition.required else " (advisory)"
    return f"{condition.result:<9}  {condition.name}{weight}: {value} [{band}]"


def trial_lines(trial: Trial) -> list[str]:
    """A trial in words: its verdict first, then why."""
    at = trial.told_fired_at
    fired = "not fired" if trial.fired_at is None else "fired, when is hidden" if at is None else f"fired at {at:.2f} s"
    lines = [f"{trial.id}  {trial.effective.upper()}  {fired}, {trial.timing.result}, naive: {trial.naive}"]
    lines += [f"    {harmless(sentence)}" for sentence in rulings_in_words(trial)]
    lines += [f"    {condition_line(condition)}" for condition in trial.conditions]
    lines += [f"    {finding.severity:<9}  {finding.code}: {harmless(finding.sentence)}" for finding in trial.findings]
    if trial.alert.result not in ("not stated", "open"):
        lines.append(f"    alert      {trial.alert.result} ({' with '.join(trial.alert.given) or 'none'} given)")
    if trial.sources:
        from monitor.following.source_words import evidence_words

        lines.append(f"    clocks     {harmless(evidence_words(trial.sources))}")
    if trial.what_now:
        lines.append(f"    {trial.what_now}")
    return lines

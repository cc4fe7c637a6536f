"""Rulings: which ones are refused, what their author knew, and how they are told.

The dialog, `rule` and whoever else enters a ruling ask the same functions. A record's own rulings are never refused
afterwards: what was entered stands as it was.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any, Protocol, TypeVar

from monitor.judging.case.trial import Ruling, Trial, Verdict
from monitor.judging.entered.operator import VERDICTS
from monitor.study.model import Severity
from monitor.study.reasons import BUILT_IN_REASONS

SomeReason = TypeVar("SomeReason", bound="AnyReason")

CONFIRMED = "confirmed"
ACCEPTING = ("monitor-mistaken", "deviation-accepted")
"""Reasons by which a trial that was computed invalid becomes valid. A reason that a study adds as a note may, too."""
_HARMLESS = ("judged-harmless", "deviation-accepted")
"""Reasons that say that a trial counts."""
_ANOTHER_GROUP = "group-mismatch"


class AnyReason(Protocol):
    """A reason as a study has it, or as a view shows it."""

    @property
    def code(self) -> str: ...
    @property
    def words(self) -> str: ...
    @property
    def severity(self) -> Severity: ...


def refused(trial: Trial, verdict: Verdict, reason: str, reasons: Mapping[str, AnyReason]) -> str | None:
    """Why a ruling is not taken, in one sentence with what to do; None where it is.

    `reason` is empty where none is given: a ruling that confirms what was computed needs none.
    """
    overrules = verdict != trial.verdict
    if not reason:
        if not overrules:
            return None
        return (
            f"{trial.id} was computed {trial.verdict}: to rule it {verdict} takes a reason code, such as "
            f"{', '.join(one.code for one in fitting(trial, verdict, reasons.values())[:3])}."
        )
    known = reasons.get(reason)
    if known is None:
        return f"The study has no reason code {reason}; it has {', '.join(sorted(reasons))}."
    if verdict == "valid" and known.severity != "note":
        return (
            f"{reason} is a reason by which a trial is lost or in doubt ({known.words.lower()}), and cannot make one "
            "valid; rule it invalid, or give another reason."
        )
    if verdict == "valid" and any(one.code == _ANOTHER_GROUP for one in trial.findings):
        return f"{trial.id} was run in another group than planned ({_ANOTHER_GROUP}), and cannot be ruled valid."
    if reason == CONFIRMED and overrules:
        return f"{trial.id} was computed {trial.verdict}: {verdict} does not confirm that; give another reason."
    if verdict == "valid" and trial.verdict == "invalid" and not _accepts(known):
        return (
            f"{trial.id} was computed invalid: to rule it valid say {' or '.join(ACCEPTING)}, and in words why; "
            f"{reason} does not say it."
        )
    if verdict == "invalid" and reason in _HARMLESS:
        return f"{reason} says that a trial counts, and cannot make one invalid; give another reason."
    return None


def refused_entry(fields: Mapping[str, Any], trials: Iterable[Trial], reasons: Mapping[str, AnyReason]) -> str | None:
    """Why an operator's entry is not taken, where it is a ruling on one of the trials; None for any other entry."""
    if fields.get("type") != "ruling" or fields.get("verdict") not in VERDICTS:
        return None
    trial = next((one for one in trials if one.id == fields.get("trial")), None)
    return None if trial is None else refused(trial, fields["verdict"], str(fields.get("reason", "")), reasons)


def fitting(trial: Trial, verdict: Verdict, reasons: Iterable[SomeReason]) -> list[SomeReason]:
    """The reasons with which a ruling would be taken, in the study's order: what a dialog has to offer."""
    listed = {one.code: one for one in reasons}
    return [one for one in listed.values() if refused(trial, verdict, one.code, listed) is None]


def _accepts(reason: AnyReason) -> bool:
    return reason.code in ACCEPTING or reason.code not in BUILT_IN_REASONS


def seen_now(trial: Trial, looks: int | None, *, verdict: bool = True) -> dict[str, Any]:
    """`seen` of a ruling that is made now: what stands before its author. `looks`: how many looks at responses by group
    had been entered for the study; None where that cannot be read."""
    return {"verdict": verdict, "response": trial.response is not None, "looks": looks}


def seen_in_words(ruling: Ruling) -> str:
    """What its author knew."""
    seen = ruling.seen
    if seen is None:
        return "what was seen before it: not recorded"
    knew = [name for name, known in (("the computed verdict", seen.verdict), ("the response", seen.response)) if known]
    looks = "looks not counted" if seen.looks is None else f"after {seen.looks} look{'s' if seen.looks != 1 else ''}"
    drive = "" if ruling.at is None else ", with the drive in view"
    return f"{' and '.join(knew) or 'neither computed verdict nor response'} seen{drive}, {looks}"


def made_at(ruling: Ruling) -> str:
    """When it was made, UTC to the minute."""
    if ruling.hides_when:
        return "when is hidden"
    return datetime.fromtimestamp(ruling.wall, UTC).strftime("%Y-%m-%d %H:%M UTC") if ruling.wall else "time not known"


def contradicted(trial: Trial) -> bool:
    """Whether two of its rulings say different things."""
    return len({one.verdict for one in trial.rulings}) > 1


def rulings_in_words(trial: Trial) -> list[str]:
    """Every ruling in one sentence, in order: who, when, why, what was seen; and each that another one contradicts."""
    said = []
    for place, one in enumerate(trial.rulings):
        others = [other for other in trial.rulings if other.verdict != one.verdict]
        against = ", ".join(f"{other.verdict} by {other.by} ({made_at(other)})" for other in others)
        standing = "" if place == len(trial.rulings) - 1 else " (not in force: a later one is)"
        said.append(
            f"Ruled {one.verdict} by {one.by}, {made_at(one)} ({one.reason or CONFIRMED}): {one.words or 'no words'}; "
            f"computed {trial.verdict}; {seen_in_words(one)}{standing}."
            + (f" CONTRADICTED by {against}." if against else "")
        )
    return said

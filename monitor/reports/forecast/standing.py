"""What each invited participant came to, for one trigger: a valid trial, none, or one that waits for a ruling."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from monitor.archive.gathering import StudyRuns, Withdrawn
from monitor.archive.summary import NO_GROUP, MissedBand, RunSummary, day_of
from monitor.reports.assigning.asked import BeforeLot

Came = Literal["valid", "lost", "waiting"]
WITHDRAWN = "withdrew consent"
NO_TRIAL = "no trial"
TOO_FEW = "too few trials"
RATE_DAYS = 28
"""The rate of bookings is that of the last four weeks up to the newest run."""


@dataclass(frozen=True, slots=True)
class Invited:
    """One participant, in the group of the valid trial that comparisons take, else in the last one known. A lost one
    has reasons, of which the first stands for all that a conservative count takes."""

    group: str
    came: Came
    reasons: tuple[str, ...] = ()
    missed: tuple[MissedBand, ...] = ()
    first_day: str = ""
    """yyyy-mm-dd; empty where no day is known."""

    @property
    def withdrew(self) -> bool:
        """Whether nothing but a tombstone is left of it."""
        return self.reasons == (WITHDRAWN,)


@dataclass(frozen=True, slots=True)
class LeftOut:
    """People whom the numbers leave out, and why."""

    number: int
    of: Literal["everything", "chance", "rate"]
    """`chance`: of a valid trial, and so of the invitations of any group; `rate`: of participants a week."""
    why: str
    """Who they are, in words."""


def invited_of(one: StudyRuns, trigger: str, withdrawn: Sequence[Withdrawn]) -> list[Invited]:
    """Every participant of a study, withdrawn ones too, by what came of the trigger's trials.

    Valid is who has as many valid trials as the study asks of a participant (one, where it does not say). Who was run
    again counts once: a valid trial outweighs one that waits, and that outweighs lost ones, of which the
    last one tells why. Copies of a record count once. Whoever has no lot yet, in a study in which that waits, is none.

    Whoever withdrew is lost, in the group and on the day that the tombstone and its name have; who has other records
    that were not withdrawn counts by those.
    """
    runs: dict[str, list[RunSummary]] = {}
    gone: dict[str, list[Withdrawn]] = {}
    digests: set[str] = set()
    for run in one.runs:
        if run.digest not in digests and not run.before_lot:
            digests.add(run.digest)
            runs.setdefault(run.participant, []).append(run)
    at_least = next((each.valid_at_least for each in one.study.triggers if each.name == trigger), 1)
    found = [_invited(own, trigger, at_least) for own in runs.values()]
    for each in withdrawn:
        if each.whose not in runs and (each.group is not None or not one.study.lot_waits):
            gone.setdefault(each.whose, []).append(each)
    return found + [_gone(own) for own in gone.values()]


def left_out(
    invited: Sequence[Invited], before: BeforeLot | None, of_no_study: Sequence[Withdrawn]
) -> tuple[LeftOut, ...]:
    """Everybody of whom a record, or an entry, is there, and whom a number of the forecast passes over.

    `of_no_study`: withdrawn ones that may be of any study of the directory.
    """
    unknown = [each for each in invited if each.group == NO_GROUP]
    withdrew = sum(each.withdrew for each in unknown)
    found = [
        LeftOut(len({each.whose for each in of_no_study}), "everything", "withdrew consent, of a study not known"),
        LeftOut(len(unknown) - withdrew, "chance", "in a session, of a group not known"),
        LeftOut(withdrew, "chance", "withdrew consent, of a group not known"),
        LeftOut(sum(not each.first_day for each in invited), "rate", "came on a day not known"),
    ]
    if before is not None:
        found += [
            LeftOut(before.no_shows, "everything", "did not come"),
            LeftOut(sum(before.not_taken.values()), "everything", "not taken by the study's rule"),
            LeftOut(before.waiting, "everything", "in a session, without a lot yet"),
            LeftOut(before.withdrew, "everything", "withdrew consent before they had a lot"),
        ]
    return tuple(each for each in found if each.number)


def per_week(invited: Sequence[Invited]) -> float | None:
    """Participants a week over the last `RATE_DAYS` up to the newest run; None for none with a known day.

    A study younger than that has its rate over its own days, a week at least."""
    days = sorted(date.fromisoformat(one.first_day) for one in invited if one.first_day)
    if not days:
        return None
    since = days[-1] - timedelta(days=RATE_DAYS - 1)
    span_days = max(min((days[-1] - days[0]).days + 1, RATE_DAYS), 7)
    return 7.0 * sum(day >= since for day in days) / span_days


def _gone(own: Sequence[Withdrawn]) -> Invited:
    """A participant of whom only tombstones are left."""
    group = next((each.group for each in reversed(own) if each.group is not None), NO_GROUP)
    return Invited(
        group, "lost", (WITHDRAWN,), first_day=min((each.run_day for each in own if each.run_day), default="")
    )


def _has_valid(run: RunSummary, trigger: str) -> bool:
    return any(trial.trigger == trigger and trial.effective == "valid" for trial in run.trials)


def _invited(runs: Sequence[RunSummary], trigger: str, at_least: int) -> Invited:
    first_day = day_of(runs[0])
    group = next((run.group for run in reversed(runs) if run.group != NO_GROUP), NO_GROUP)
    trials = [trial for run in runs for trial in run.trials if trial.trigger == trigger]
    if sum(trial.effective == "valid" for trial in trials) >= at_least:
        counts = (run.group for run in runs if run.group != NO_GROUP and _has_valid(run, trigger))
        return Invited(next(counts, NO_GROUP), "valid", first_day=first_day)
    if any(trial.effective == "undecided" and not trial.ruled for trial in trials):
        return Invited(group, "waiting", first_day=first_day)
    if not trials:
        return Invited(group, "lost", (NO_TRIAL,), first_day=first_day)
    lost = [trial for trial in trials if trial.effective != "valid"]
    if not lost:
        return Invited(group, "lost", (TOO_FEW,), first_day=first_day)
    return Invited(group, "lost", lost[-1].reasons, lost[-1].missed, first_day)

"""How many more participants to invite, when the study will be done, and which loss costs most.

Never anything about responses. The chance that an invited participant gives a valid trial is taken from what was seen
in each group (common practice, no source).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from monitor.archive.gathering import Gathered, StudyRuns
from monitor.archive.summary import NO_GROUP
from monitor.errors import WitnessError
from monitor.measures.columns import FloatArray
from monitor.reports.assigning.asked import before_lot
from monitor.reports.forecast.bands import WiderBand, wider_bands
from monitor.reports.forecast.standing import Invited, LeftOut, invited_of, left_out, per_week
from monitor.reports.statistics.intervals import wilson
from monitor.reports.statistics.invitations import PRIOR, invitations, point, together
from monitor.reports.tally.tally import is_of

LEVELS = (0.5, 0.8, 0.95)


@dataclass(frozen=True, slots=True)
class GroupForecast:
    """One group. `points`: invitations that suffice with the chance of each of `LEVELS`, None beyond reckoning and
    where the study plans no number."""

    group: str
    planned: int | None
    invited: int
    valid: int
    lost: int
    waiting: int
    """Undecided and not ruled on: in neither of the others, and each that is ruled valid is one invitation less."""
    needed: int | None
    """Valid trials still wanted; None where the study plans no number."""
    chance: float
    """Mean of the posterior: that an invited participant gives a valid trial."""
    chance_interval: tuple[float, float] | None
    points: tuple[int | None, ...]


@dataclass(frozen=True, slots=True)
class Loss:
    """One reason, and what it costs."""

    reason: str
    participants: int
    """Lost with it; one with two reasons stands under both."""
    alone: int
    """Of them those with no other reason."""
    to_come: int | None
    """Invitations fewer that the study would still need (median) if nobody were lost by this alone; None where that
    cannot be reckoned."""
    weeks: float | None
    """What they and those to come take at the rate of bookings."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """One trigger of one study."""

    study: str
    trigger: str
    replacement: str
    groups: tuple[GroupForecast, ...]
    points: tuple[int | None, ...]
    """Invitations over all groups that have a plan, at each of `LEVELS`; None as for a group."""
    per_week: float | None
    booked: bool
    """Whether the rate was given; else it is that of the last weeks."""
    begins: date
    done_by: tuple[date | None, ...]
    """At each of `LEVELS`."""
    losses: tuple[Loss, ...]
    group_not_known: int
    withdrew: int
    """Withdrawn participants who count as lost, in their groups and in the rate of bookings."""
    left_out: tuple[LeftOut, ...]
    """Who is in which number not."""
    bands: tuple[WiderBand, ...] | None
    """None where somebody has looked at responses, or may have: tolerances are chosen before that."""
    looks: int | None
    """None where the file of looks cannot be read."""
    counts_participants: bool = True
    """False where the study plans trials of which a participant gives several: then nothing is forecast."""

    @property
    def needed(self) -> int | None:
        """Valid trials still wanted over the groups; None where none of them has a plan: that is not 0."""
        wanted = [group.needed for group in self.groups if group.needed is not None]
        return sum(wanted) if wanted else None


@dataclass(frozen=True, slots=True)
class Bookings:
    """What is known of the bookings to come: participants a week (None: as in the last weeks), and from which day."""

    per_week: float | None
    begins: date


def forecast_studies(
    gathered: Gathered, bookings: Bookings, looks: int | None, trigger: str | None = None
) -> tuple[Forecast, ...]:
    """The forecast of each study in a directory; raises `WitnessError` for a trigger that none of them has."""
    found = [
        _forecast(one, name, _people(gathered, one, name), bookings, looks)
        for one in gathered.studies
        if (name := chosen_trigger(one, trigger)) is not None
    ]
    if gathered.studies and not found:
        known = sorted({each.name for one in gathered.studies for each in one.study.triggers})
        raise WitnessError(f"No study in {gathered.directory} has a trigger {trigger!r}; there is {', '.join(known)}.")
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _People:
    """Who was invited, and whom the numbers leave out."""

    invited: Sequence[Invited]
    left_out: tuple[LeftOut, ...]


def _people(gathered: Gathered, one: StudyRuns, trigger: str) -> _People:
    alone = len(gathered.studies) == 1
    withdrawn = [gone for gone in gathered.withdrawn if is_of(gone, one, alone=alone)]
    invited = invited_of(one, trigger, withdrawn)
    of_no_study = [gone for gone in gathered.withdrawn if gone.study is None and not alone]
    return _People(invited, left_out(invited, before_lot(gathered.directory, one, withdrawn), of_no_study))


def chosen_trigger(one: StudyRuns, name: str | None) -> str | None:
    """The trigger that is meant: by its name, else the study's own choice, else the first one with an alert."""
    triggers = one.study.triggers
    if name is not None:
        return next((each.name for each in triggers if each.name == name), None)
    planned = one.study.analysis.trigger if one.study.analysis else None
    return planned or next((each.name for each in triggers if each.has_alert), triggers[0].name if triggers else None)


def _forecast(one: StudyRuns, trigger: str, people: _People, bookings: Bookings, looks: int | None) -> Forecast:
    invited = people.invited
    counts_participants = _gives_one(one, trigger)
    planned = one.study.planned if counts_participants else dict.fromkeys(one.study.planned)
    names = [*planned, *sorted({each.group for each in invited} - {*planned, NO_GROUP})]
    groups = [_group(name, planned.get(name), [each for each in invited if each.group == name]) for name in names]
    chances = together([_chances(group, 0) for group in groups])
    is_planned = any(group.needed is not None for group in groups)
    points = tuple(point(chances, level) if is_planned else None for level in LEVELS)
    rate = bookings.per_week or per_week(invited)
    return Forecast(
        study=one.name,
        trigger=trigger,
        replacement=one.study.replacement,
        groups=tuple(groups),
        points=points,
        per_week=rate,
        booked=bookings.per_week is not None,
        begins=bookings.begins,
        done_by=tuple(_day(bookings.begins, number, rate) for number in points),
        losses=tuple(_losses(groups, invited, points[0], rate)),
        group_not_known=sum(each.group == NO_GROUP for each in invited),
        withdrew=sum(each.withdrew and each.group != NO_GROUP for each in invited),
        left_out=people.left_out,
        bands=tuple(wider_bands(invited)) if looks == 0 else None,
        looks=looks,
        counts_participants=counts_participants,
    )


def _gives_one(one: StudyRuns, trigger: str) -> bool:
    """Whether a planned trial stands for a participant."""
    surprises = any(each.name == trigger and each.surprise_class is not None for each in one.study.triggers)
    return surprises or one.study.planned_counts == "participants"


def _group(name: str, planned: int | None, invited: Sequence[Invited]) -> GroupForecast:
    came = Counter(each.came for each in invited)
    valid, lost = came["valid"], came["lost"]
    needed = None if planned is None else max(planned - valid, 0)
    chances = invitations(needed or 0, valid, lost)
    return GroupForecast(
        group=name,
        planned=planned,
        invited=len(invited),
        valid=valid,
        lost=lost,
        waiting=came["waiting"],
        needed=needed,
        chance=(valid + PRIOR) / (valid + lost + 2 * PRIOR),
        chance_interval=wilson(valid, valid + lost),
        points=tuple(None if needed is None else point(chances, level) for level in LEVELS),
    )


def _chances(group: GroupForecast, spared: int) -> FloatArray:
    """The distribution of a group's invitations, had so many of its lost ones given a valid trial."""
    return invitations(group.needed or 0, group.valid + spared, group.lost - spared)


def _losses(
    groups: Sequence[GroupForecast], invited: Sequence[Invited], now: int | None, rate: float | None
) -> list[Loss]:
    lost = [each for each in invited if each.came == "lost"]
    found = []
    for reason in dict.fromkeys(reason for each in lost for reason in each.reasons):
        with_it = [each for each in lost if reason in each.reasons]
        alone = [each for each in with_it if len(set(each.reasons)) == 1]
        spared = Counter(each.group for each in alone)
        without = point(together([_chances(group, spared[group.group]) for group in groups]), LEVELS[0])
        to_come = None if now is None or without is None else now - without
        weeks = None if not rate or to_come is None else (len(with_it) + to_come) / rate
        found.append(Loss(reason, len(with_it), len(alone), to_come, weeks))
    return sorted(found, key=lambda one: (-(one.participants + (one.to_come or 0)), one.reason))


def _day(begins: date, number: int | None, rate: float | None) -> date | None:
    """The day by which so many have come at the rate; the bookings of a week come over its days."""
    if number is None or not rate:
        return None
    days = math.ceil(7.0 * number / rate)
    return begins + timedelta(days=days) if days < 36_500 else None

"""How far a study is: trials by group and effective verdict, why others were lost, what is still needed.

Never anything about responses. Counted are trials, each once: valid + invalid + undecided = run.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from monitor.archive.gathering import Gathered, StudyRuns, Withdrawn, gathered_json
from monitor.archive.summary import NO_GROUP, RunSummary, TrialSummary, day_of
from monitor.errors import WitnessError
from monitor.reports.assigning.asked import BeforeLot, before_lot
from monitor.reports.statistics.exact import exact_test

LOSS_LEVEL = 0.05
"""An exact test below this has the unequal loss pointed out."""


@dataclass(frozen=True, slots=True)
class GroupTally:
    """One group and one trigger, in trials."""

    group: str
    planned: int | None
    run: int
    valid: int
    invalid: int
    undecided: int
    awaiting: int
    """Undecided without a ruling yet: part of `undecided`."""
    not_naive: int
    """Of all run: the participant was not naive, or it is not known."""
    withdrawn: int
    """Records withdrawn. One whose tombstone has no group stands under "(not known)"."""
    counting: int
    """What counts against `planned`: valid trials, or participants with as many of them as the study asks for."""
    still_needed: int | None
    """Planned less counting, at least 0; None where the study plans no number."""
    participants: int
    ruled: int
    """Trials with a ruling."""
    ruled_after_look: int
    """Of these: the ruling in force was made after a look at responses by group."""
    rulings_not_recorded: int
    """Of these: it was not recorded whether it was."""
    contradicted: int
    """Trials whose rulings say different things."""
    invalid_by_reason: dict[str, int]
    """A trial with two reasons stands under both."""
    undecided_by_reason: dict[str, int]


@dataclass(frozen=True, slots=True)
class TriggerTally:
    """One trigger over the groups."""

    trigger: str
    has_alert: bool
    groups: tuple[GroupTally, ...]
    days: tuple[tuple[str, int, int], ...]
    """Day, valid and other trials on it; days without a run are not listed."""
    loss_p: float | None
    """Exact test of "the share of invalid trials is the same in all groups"; None where it cannot be computed."""
    unequal_loss: bool
    loss_groups: int
    treatments: tuple[GroupTally, ...] = ()
    """The same by treatment, in a study within participants."""
    valid_at_least: int | None = None
    """Valid trials with which a participant counts, where `planned` counts participants."""
    """Groups in that test: those with a decided trial."""

    @property
    def planned(self) -> int | None:
        """Over the groups; None where no group has a number."""
        return sum_known(one.planned for one in self.groups)

    @property
    def valid(self) -> int:
        return sum(one.valid for one in self.groups)

    @property
    def still_needed(self) -> int | None:
        """Over the groups; None where no group has a number."""
        return sum_known(one.still_needed for one in self.groups)


@dataclass(frozen=True, slots=True)
class StudyTally:
    """One study."""

    name: str
    title: str
    files: tuple[str, ...]
    participants: int
    runs: int
    replacement: str
    triggers: tuple[TriggerTally, ...]
    before_lot: BeforeLot | None = None
    """Who was invited and has no lot; None where nothing is known of that."""


def tally_studies(gathered: Gathered, trigger: str | None = None) -> tuple[StudyTally, ...]:
    """The tally of each study in a directory, of one trigger only if given; raises `WitnessError` for one that no
    study has."""
    alone = len(gathered.studies) == 1  # an older tombstone does not say of which study it was
    found = tuple(
        _study(gathered.directory, one, [gone for gone in gathered.withdrawn if is_of(gone, one, alone=alone)])
        for one in gathered.studies
    )
    if trigger is None:
        return found
    known = sorted({each.trigger for one in found for each in one.triggers})
    if trigger not in known:
        raise WitnessError(f"No study in {gathered.directory} has a trigger {trigger!r}; there is {', '.join(known)}.")
    return tuple(
        replace(one, triggers=tuple(each for each in one.triggers if each.trigger == trigger)) for one in found
    )


def tally_json(gathered: Gathered, trigger: str | None = None) -> dict[str, Any]:
    """The JSON document of the command."""
    studies = [
        {
            "study": one.name,
            "title": one.title,
            "files": list(one.files),
            "runs": one.runs,
            "participants": one.participants,
            "replacement": one.replacement,
            "triggers": [_trigger_json(trigger) for trigger in one.triggers],
            **({"before_lot": one.before_lot.as_json()} if one.before_lot is not None else {}),
        }
        for one in tally_studies(gathered, trigger)
    ]
    return {**gathered_json(gathered), "studies": studies}


def _trigger_json(one: TriggerTally) -> dict[str, Any]:
    return {
        "trigger": one.trigger,
        "groups": [{name: getattr(group, name) for name in GroupTally.__slots__} for group in one.groups],
        "unequal_loss": {"p": one.loss_p, "pointed_out": one.unequal_loss, "groups": one.loss_groups},
        **(
            {"treatments": [{name: getattr(one_, name) for name in GroupTally.__slots__} for one_ in one.treatments]}
            if one.treatments
            else {}
        ),
        **({"valid_at_least": one.valid_at_least} if one.valid_at_least is not None else {}),
        "days": [{"day": day, "valid": valid, "other": other} for day, valid, other in one.days],
    }


def sum_known(numbers: Iterable[int | None]) -> int | None:
    """The sum of the numbers that are known; None where none is."""
    known = [number for number in numbers if number is not None]
    return sum(known) if known else None


def is_of(gone: Withdrawn, one: StudyRuns, *, alone: bool) -> bool:
    """Whether a withdrawn record was one of this study's; `alone`: there is no other it could be of."""
    return gone.study == one.name if gone.study is not None else alone


def _study(directory: Path, one: StudyRuns, away: Sequence[Withdrawn]) -> StudyTally:
    study = one.study
    withdrawn = Counter(gone.group or NO_GROUP for gone in away if gone.group is not None or not study.lot_waits)
    known = [trigger.name for trigger in study.triggers]
    gone = sorted({trial.trigger for run in one.runs for trial in run.trials} - set(known))
    alerts = {trigger.name: trigger.has_alert for trigger in study.triggers}
    groups = list(study.planned)
    others = {run.group for run in one.runs if run.trials} | set(withdrawn)
    groups += sorted(others - set(groups), key=lambda name: (name == NO_GROUP, name))
    return StudyTally(
        name=one.name,
        title=study.title,
        files=tuple(part.study.sha256 for part in one.files),
        participants=len({run.participant for run in one.runs}),
        runs=len(one.runs),
        replacement=study.replacement,
        triggers=tuple(_trigger(one, name, alerts.get(name, False), groups, withdrawn) for name in [*known, *gone]),
        before_lot=before_lot(directory, one, away),
    )


def _trigger(one: StudyRuns, trigger: str, has_alert: bool, groups: list[str], withdrawn: Counter[str]) -> TriggerTally:
    pairs = [(run, trial) for run in one.runs for trial in run.trials if trial.trigger == trigger]
    planned = one.study.planned
    summary = next((each for each in one.study.triggers if each.name == trigger), None)
    counts_people = one.study.planned_counts == "participants" and summary is not None
    at_least = summary.valid_at_least if counts_people and summary is not None else None
    tallies = tuple(
        _group(
            name,
            planned.get(name),
            [pair for pair in pairs if pair[0].group == name],
            withdrawn[name],
            at_least,
        )
        for name in groups
    )
    treatments = tuple(
        _group(name, number, [pair for pair in pairs if pair[1].treatment == name], 0, at_least)
        for name, number in one.study.treatments.items()
    )
    days: dict[str, list[int]] = {}
    for run, trial in pairs:
        days.setdefault(day_of(run), [0, 0])[trial.effective != "valid"] += 1
    table = [(group.invalid, group.valid) for group in tallies if group.invalid + group.valid]
    # trials of one participant go together, so that the test's p would be far too small
    once_each = summary is None or summary.surprise_class is not None
    p = exact_test(table) if len(table) > 1 and once_each else None
    return TriggerTally(
        trigger=trigger,
        has_alert=has_alert,
        groups=tallies,
        days=tuple((day, valid, other) for day, (valid, other) in sorted(days.items())),
        loss_p=p,
        unequal_loss=p is not None and p < LOSS_LEVEL,
        loss_groups=len(table),
        treatments=treatments if any(each.run for each in treatments) else (),
        valid_at_least=at_least,
    )


def _group(
    name: str,
    planned: int | None,
    pairs: list[tuple[RunSummary, TrialSummary]],
    withdrawn: int,
    at_least: int | None,
) -> GroupTally:
    """`at_least`: valid trials with which a participant counts against `planned`; None where trials count."""
    valid_of = Counter(run.participant for run, trial in pairs if trial.effective == "valid")
    counting = sum(valid_of.values()) if at_least is None else sum(number >= at_least for number in valid_of.values())
    verdicts = Counter(trial.effective for _, trial in pairs)
    reasons = {
        verdict: Counter(reason for _, trial in pairs if trial.effective == verdict for reason in trial.reasons)
        for verdict in ("invalid", "undecided")
    }
    return GroupTally(
        group=name,
        planned=planned,
        run=len(pairs),
        valid=verdicts["valid"],
        invalid=verdicts["invalid"],
        undecided=verdicts["undecided"],
        awaiting=sum(trial.effective == "undecided" and not trial.ruled for _, trial in pairs),
        not_naive=sum(trial.naive != "yes" for _, trial in pairs),
        withdrawn=withdrawn,
        counting=counting,
        still_needed=None if planned is None else max(planned - counting, 0),
        participants=len({run.participant for run, _ in pairs}),
        ruled=sum(trial.ruled for _, trial in pairs),
        ruled_after_look=sum(trial.ruled and trial.seen_looks is True for _, trial in pairs),
        rulings_not_recorded=sum(trial.ruled and trial.seen_looks is None for _, trial in pairs),
        contradicted=sum(trial.contradicted for _, trial in pairs),
        invalid_by_reason=dict(reasons["invalid"].most_common()),
        undecided_by_reason=dict(reasons["undecided"].most_common()),
    )

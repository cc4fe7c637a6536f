"""Who is next and in which group: the study's [assignment] applied to the runs so far.

The order to come is never shown, only the next participant's group.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from monitor.errors import WitnessError
from monitor.record.disk import is_being_written
from monitor.record.parts import read_tombstone
from monitor.record.reader import RecordReading, list_records
from monitor.reports.cache import cached_summary, fresh_summary
from monitor.reports.gathering import Progress
from monitor.reports.summary import NO_GROUP, RunSummary
from monitor.study.assignment import Placed, Proposal, propose_group, read_allocation
from monitor.study.model import Study


@dataclass(frozen=True, slots=True)
class Earlier:
    """The runs so far, for the assignment: who had which group, and records that could not be taken into account."""

    placed: tuple[Placed, ...]
    left_out: tuple[str, ...]


def allocation_of(study: Study, study_path: Path) -> dict[str, str] | None:
    """The study's allocation list, None where its groups do not come from a list. Raises `WitnessError` with every
    fault of the list."""
    rule = study.assignment
    if rule is None or rule.method != "list" or rule.file is None:
        return None
    return read_allocation(study, study_path.parent / rule.file)


def next_group(
    study: Study,
    participant: str,
    earlier: Earlier,
    *,
    stratum: str | None = None,
    allocation: dict[str, str] | None = None,
) -> Proposal:
    """The group that the participant is due; see `propose_group`."""
    return propose_group(study, participant, earlier.placed, stratum=stratum, allocation=allocation)


def next_listed(allocation: dict[str, str], earlier: Earlier) -> str | None:
    """The next participant of a list who was not run yet; None at its end."""
    run = {placed.participant for placed in earlier.placed}
    return next((participant for participant in allocation if participant not in run), None)


def earlier_runs(
    study: Study, records: Path, *, most_to_judge: int | None = None, progress: Progress | None = None
) -> Earlier:
    """The runs of this study in a directory of records, by time; one that is being recorded counts by its plan.

    With `most_to_judge`, raises `WitnessError` where more records than that would have to be judged anew first.
    """
    runs: list[tuple[float, Placed]] = []
    left_out: list[str] = []
    to_judge: list[Path] = []
    summaries: list[RunSummary] = []
    for path in list_records(records) if records.is_dir() else []:
        if read_tombstone(path) is not None:
            left_out.append(f"{path.name} was withdrawn: its place in the order is given again.")
            continue
        try:
            opening = RecordReading(path).opening
            if opening.study_name != study.name:
                continue
            if is_being_written(path):
                if opening.group is not None:
                    runs.append((float("inf"), Placed(opening.participant, opening.group, stratum=opening.stratum)))
                continue
            known = cached_summary(path)
        except (WitnessError, OSError) as error:
            left_out.append(f"{path.name} cannot be read: {' '.join(str(error).split())}")
            continue
        if known is None:
            to_judge.append(path)
        else:
            summaries.append(known)
    if most_to_judge is not None and len(to_judge) > most_to_judge:
        raise WitnessError(
            f"{len(to_judge)} records have to be judged first; see who is next with: trialwitness assign"
        )
    for done, path in enumerate(to_judge):
        if progress is not None:
            progress(done, len(to_judge))
        try:
            summaries.append(fresh_summary(path))
        except (WitnessError, OSError) as error:
            left_out.append(f"{path.name} cannot be read: {' '.join(str(error).split())}")
    runs += [(one.began, _placed(study, one)) for one in summaries if one.group != NO_GROUP and one.trials]
    ordered = [placed for _, placed in sorted(runs, key=lambda pair: pair[0])]
    return Earlier(tuple(_once_each(ordered)), tuple(left_out))


def _placed(study: Study, run: RunSummary) -> Placed:
    """A trial of the first trigger with an alert that is neither valid nor undecided is lost."""
    main = next((trigger.name for trigger in study.triggers if trigger.alert is not None), study.triggers[0].name)
    kept = any(trial.trigger == main and trial.effective != "invalid" for trial in run.trials)
    return Placed(run.participant, run.group, lost=not kept, stratum=run.stratum)


def _once_each(placed: list[Placed]) -> list[Placed]:
    """A participant who was run again keeps the first place; the trial is lost only if all runs lost it."""
    found: dict[str, Placed] = {}
    for one in placed:
        first = found.get(one.participant)
        if first is None:
            found[one.participant] = one
        elif first.lost and not one.lost:
            found[one.participant] = Placed(first.participant, first.group, lost=False, stratum=first.stratum)
    return list(found.values())

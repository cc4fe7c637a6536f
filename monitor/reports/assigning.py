"""Who is next and in which group: the study's [assignment] applied to the runs so far.

The order to come is never shown, only the next participant's group.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from monitor.archive.engine.run import How
from monitor.archive.judging_anew import judge_anew
from monitor.archive.summary import NO_GROUP, RunSummary, began_wall
from monitor.archive.summary_cache import cached_summary
from monitor.errors import WitnessError
from monitor.record.disk import is_being_written
from monitor.record.reader import RecordReading, list_records
from monitor.record.tombstone import read_tombstone
from monitor.study.assignment import Placed, Proposal, due_group, propose_group, read_allocation
from monitor.study.model import Study
from monitor.study.standing import Due, Standing

MOST_BYTES_TO_JUDGE = 300_000_000
"""What some seconds suffice to judge: a run must not wait longer for what is only said after a lost trial."""


@dataclass(frozen=True, slots=True)
class Earlier:
    """The runs so far, for the assignment: who had which group, and records that could not be taken into account."""

    placed: tuple[Placed, ...]
    left_out: tuple[str, ...]
    valid: Mapping[tuple[str, str], int] = field(default_factory=dict)
    """Trigger and group → valid trials."""


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
    study: Study,
    records: Path,
    *,
    most_to_judge: int | None = None,
    how: How = How(),  # noqa: B008
) -> Earlier:
    """The runs of this study in a directory of records, by time; one that is being recorded counts by its plan.

    With `most_to_judge`, raises `WitnessError` where more records than that, or more than `MOST_BYTES_TO_JUDGE` of
    them, would have to be judged anew first.
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
                    runs.append((began_wall(path), Placed(opening.participant, opening.group, stratum=opening.stratum)))
                continue
            known = cached_summary(path)
        except (WitnessError, OSError) as error:
            left_out.append(f"{path.name} cannot be read: {' '.join(str(error).split())}")
            continue
        if known is None:
            to_judge.append(path)
        else:
            summaries.append(known)
    if most_to_judge is not None and (len(to_judge) > most_to_judge or _bytes_of(to_judge) > MOST_BYTES_TO_JUDGE):
        raise WitnessError(
            f"{len(to_judge)} {'record has' if len(to_judge) == 1 else 'records have'} to be judged first; "
            "see how far the study is with: trialwitness tally"
        )
    for path, judged in judge_anew(to_judge, how=how):
        if isinstance(judged, str):
            left_out.append(f"{path.name} cannot be read: {judged}")
        else:
            summaries.append(judged)
    runs += [(one.began, _placed(study, one)) for one in summaries if one.group != NO_GROUP and one.trials]
    ordered = [placed for _, placed in sorted(runs, key=lambda pair: pair[0])]
    valid = Counter(
        (trial.trigger, one.group) for one in summaries for trial in one.trials if trial.effective == "valid"
    )
    return Earlier(tuple(_once_each(ordered)), tuple(left_out), valid)


def standing_of(
    study: Study, participant: str, earlier: Earlier | None, allocation: dict[str, str] | None = None
) -> Standing:
    """How far the study is, and who comes after this participant if the trial counts, or is lost.

    Without `earlier` nothing is known of it. Of a study with strata nothing is said of the next one's group, because
    the next one's stratum is not known.
    """
    due: dict[str, Due] = {}
    if earlier is None:
        return Standing(None, due, main_trigger(study))
    valid: dict[str, dict[str, int]] = {trigger.name: {} for trigger in study.triggers}
    for (trigger, group), number in earlier.valid.items():
        if trigger in valid and group in study.groups:
            valid[trigger][group] = number
    if study.assignment is not None and not study.assignment.strata:
        for group in study.groups:
            kept, lost = (_group_after(study, participant, group, earlier, allocation, lost) for lost in (False, True))
            due[group] = Due(kept, lost)
    return Standing(valid, due, main_trigger(study))


def main_trigger(study: Study) -> str:
    """The trigger whose lost trials are replaced: the first one with an alert."""
    return next((trigger.name for trigger in study.triggers if trigger.alert is not None), study.triggers[0].name)


def _group_after(
    study: Study, participant: str, group: str, earlier: Earlier, allocation: dict[str, str] | None, lost: bool
) -> str | None:
    """The group of whoever comes next, after this participant was run in `group`."""
    placed = _once_each([*earlier.placed, Placed(participant, group, lost=lost)])
    if allocation is not None:
        after = next_listed(allocation, Earlier(tuple(placed), ()))
        return None if after is None else allocation[after]
    return due_group(study, placed)


def _bytes_of(records: list[Path]) -> int:
    return sum(file.stat().st_size for record in records for file in record.iterdir() if file.is_file())


def _placed(study: Study, run: RunSummary) -> Placed:
    """A trial of the main trigger that is neither valid nor undecided is lost."""
    main = main_trigger(study)
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

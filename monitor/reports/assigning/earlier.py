"""The runs of a study so far: who had which group, and how many valid trials each group has."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from monitor.archive.engine.run import IN_THIS_PROCESS, How
from monitor.archive.judging_anew import judge_anew
from monitor.archive.summary import NO_GROUP, RunSummary
from monitor.archive.summary_cache import cached_summary
from monitor.errors import WitnessError
from monitor.record.disk import is_being_written
from monitor.record.entries import Opening
from monitor.record.reader import RecordReading, began_wall, list_records
from monitor.record.tombstone import read_tombstone
from monitor.study.assignment import Placed, read_allocation
from monitor.study.model import Study
from monitor.study.standing import Standing

MOST_BYTES_TO_JUDGE = 300_000_000
"""What some seconds suffice to judge: a run must not wait longer for what is only said after a lost trial."""


@dataclass(frozen=True, slots=True)
class Earlier:
    """The runs so far, for the assignment: who had which group, and records that could not be taken into account."""

    placed: tuple[Placed, ...]
    left_out: tuple[str, ...]
    valid: Mapping[tuple[str, str], int] = field(default_factory=dict)
    """Trigger and group → valid trials."""
    withdrawn: tuple[str, ...] = ()
    """Records of this study, or of one that is not known, that were withdrawn: nothing is wrong with the others."""


def allocation_of(study: Study, study_path: Path) -> dict[str, str] | None:
    """The study's allocation list, None where its groups do not come from a list. Raises `WitnessError` with every
    fault of the list."""
    rule = study.assignment
    if rule is None or rule.method != "list" or rule.file is None:
        return None
    return read_allocation(study, study_path.parent / rule.file)


def next_listed(allocation: dict[str, str], earlier: Earlier) -> str | None:
    """The next participant of a list who was not run yet; None at its end."""
    run = {placed.participant for placed in earlier.placed}
    return next((participant for participant in allocation if participant not in run), None)


def earlier_runs(
    study: Study,
    records: Path,
    *,
    most_to_judge: int | None = None,
    how: How = IN_THIS_PROCESS,
) -> Earlier:
    """The runs of this study in a directory of records, by time; one that is being recorded counts by its plan.

    With `most_to_judge`, raises `WitnessError` where more records than that, or more than `MOST_BYTES_TO_JUDGE` of
    them, would have to be judged anew first.
    """
    runs: list[tuple[float, Placed]] = []
    left_out: list[str] = []
    withdrawn: list[str] = []
    to_judge: list[Path] = []
    summaries: list[RunSummary] = []
    for path in list_records(records) if records.exists() else []:
        try:
            tombstone = read_tombstone(path)
            if tombstone is not None:
                if tombstone.get("study") in (None, study.name):
                    withdrawn.append(f"{path.name} was withdrawn: its place in the order is given again.")
                continue
            opening = RecordReading(path).opening
            if opening.study_name != study.name:
                continue
            if is_being_written(path):
                if opening.group is not None:
                    runs.append((began_wall(path), _of_opening(opening, opening.group)))
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
    runs += [
        (one.began, _of_opening(RecordReading(records / one.record).opening, one.group))
        for one in summaries
        if one.group != NO_GROUP and one.trials
    ]
    ordered = [placed for _, placed in sorted(runs, key=lambda pair: pair[0])]
    valid = Counter(
        (trial.trigger, one.group) for one in summaries for trial in one.trials if trial.effective == "valid"
    )
    return Earlier(tuple(_once_each(ordered)), tuple(left_out), valid, tuple(withdrawn))


def placed_by_openings(study: Study, records: Path) -> tuple[Placed, ...]:
    """Who had which group, as the runs were opened: nothing is judged, and a group that only the simulator told is not
    known."""
    found: list[tuple[float, Placed]] = []
    for path in list_records(records) if records.exists() else []:
        try:
            if read_tombstone(path) is not None:
                continue
            opening = RecordReading(path).opening
        except (WitnessError, OSError):
            continue
        if opening.study_name == study.name and opening.group is not None:
            found.append((began_wall(path), _of_opening(opening, opening.group)))
    return tuple(_once_each([placed for _, placed in sorted(found, key=lambda pair: pair[0])]))


def standing_of(study: Study, earlier: Earlier | None, *, sealed: bool = False) -> Standing:
    """How far the study is. Without `earlier` nothing is known of it. `sealed`: the group came from a sealed lot."""
    if earlier is None:
        return Standing(None, main_trigger(study), sealed=sealed)
    valid: dict[str, dict[str, int]] = {trigger.name: {} for trigger in study.triggers}
    for (trigger, group), number in earlier.valid.items():
        if trigger in valid and group in study.groups:
            valid[trigger][group] = number
    return Standing(valid, main_trigger(study), sealed=sealed)


def main_trigger(study: Study) -> str:
    """The trigger whose lost trials are replaced: the first one with an alert."""
    return next((trigger.name for trigger in study.triggers if trigger.alert is not None), study.triggers[0].name)


def _bytes_of(records: list[Path]) -> int:
    """What stands in them; nothing where that cannot be found out, as of one that is withdrawn at this moment."""
    size = 0
    for record in records:
        with suppress(OSError):
            size += sum(file.stat().st_size for file in record.iterdir() if file.is_file())
    return size


def _of_opening(opening: Opening, group: str) -> Placed:
    return Placed(opening.participant, group, opening.stratum, opening.lot)


def _once_each(placed: list[Placed]) -> list[Placed]:
    """A participant who was run again keeps the first place."""
    found: dict[str, Placed] = {}
    for one in placed:
        found.setdefault(one.participant, one)
    return list(found.values())

"""All records of a directory, with everything said that keeps one of them from counting."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from monitor.archive.chained_lines import chain_fault
from monitor.archive.engine.run import IN_THIS_PROCESS, How
from monitor.archive.judging_anew import judge_anew
from monitor.archive.looks import AUDIT_NAME, count_looks, frozen
from monitor.archive.summary import RunSummary, StudySummary, day_of, local_day
from monitor.archive.summary_cache import cached_summary
from monitor.errors import WitnessError
from monitor.record.disk import is_being_written
from monitor.record.places import began_in_name, code_in_name
from monitor.record.reader import list_records
from monitor.record.tombstone import left_of, read_tombstone
from monitor.study.model import Study


@dataclass(frozen=True, slots=True)
class StudyPart:
    """One study file by which runs of a study were judged, and the days on which it was used."""

    study: StudySummary
    runs: int
    first_day: str
    last_day: str


@dataclass(frozen=True, slots=True)
class StudyRuns:
    """The runs of one study by name, in order of time. More than one file means that it was changed meanwhile."""

    name: str
    runs: tuple[RunSummary, ...]
    files: tuple[StudyPart, ...]

    @property
    def study(self) -> StudySummary:
        """The study file of the newest run: its plan is the one that holds."""
        return self.runs[-1].study


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """What is left of a withdrawn record. Study and group are None where its tombstone does not have them."""

    record: str
    date: str
    study: str | None
    group: str | None
    left: tuple[str, ...]
    """What is still to be erased of it."""
    record_id: str | None = None
    """Random; None where its tombstone does not have it."""

    @property
    def whose(self) -> str:
        """The participant's code as the record's name has it; the name itself where it has another form."""
        return code_in_name(Path(self.record)) or self.record

    @property
    def run_day(self) -> str:
        """The day of the run as the record's name has it, yyyy-mm-dd; empty where it has another form."""
        began = began_in_name(Path(self.record))
        return "" if began is None else local_day(began)


@dataclass(frozen=True, slots=True)
class Gathered:
    """What a directory holds. Records in `withdrawn`, `running` and `unreadable` count nowhere."""

    directory: Path
    studies: tuple[StudyRuns, ...]
    withdrawn: tuple[Withdrawn, ...]
    running: tuple[str, ...]
    unreadable: tuple[tuple[str, str], ...]
    """Record and the reason in one sentence."""

    @property
    def runs(self) -> tuple[RunSummary, ...]:
        """Every run that was judged."""
        return tuple(run for one in self.studies for run in one.runs)

    def faults(self) -> list[str]:
        """What is wrong with the data, one sentence each: any of them makes the command's status 1."""
        said = [f"{name} is not counted: {why}" for name, why in self.unreadable]
        said += [
            f"{one.record} was withdrawn on {one.date} and is not erased yet ({listed(list(one.left))} left); run: "
            f"trialwitness withdraw {self.directory / one.record}"
            for one in self.withdrawn
            if one.left
        ]
        said += [f"{run.record} is damaged: {what}" for run in self.runs for what in run.damage]
        said += self._copies()
        said += [one for one in (chain_fault(self.directory / AUDIT_NAME),) if one]
        if len(self.studies) > 1:
            parts = ", ".join(f"{one.name} ({count(len(one.runs), 'run')})" for one in self.studies)
            said.append(
                f"{len(self.studies)} studies are mixed in {self.directory}: {parts}; each is counted by itself."
            )
        for one in self.studies:
            said += _changes(one)
        return said

    def remarks(self) -> list[str]:
        """What should be known and is no fault."""
        said = [
            f"{one.record} was withdrawn on {one.date}: nothing of it is left to be counted."
            for one in self.withdrawn
            if not one.left
        ]
        said += [f"{name} is being recorded and is not counted yet." for name in self.running]
        for one in self.studies:
            said += _judged_otherwise(self.directory, one)
            for run in one.runs:
                if run.state == "open":
                    said.append(f"{run.record} was never closed; run: trialwitness recover {run.record}")
                if not run.trials and not run.before_lot:
                    what = "no drive" if run.drives == 0 else "no trial (a practice drive?)"
                    said.append(f"{run.record} ({run.participant}) holds {what}: nothing of it is counted.")
            said += _repeated(one)
        return said

    def as_looked_at(self, look: Gathered) -> Gathered:
        """Only the records as they were when a look at `look` was entered: what is shown is what it says."""
        known = {run.record_id: run.digest for run in look.runs}
        later = [run.record for run in self.runs if known.get(run.record_id) != run.digest]
        why = "it came, or was gone on with, after the look was entered; look once more to see it."
        runs = [run for run in self.runs if run.record not in later]
        unreadable = sorted([*self.unreadable, *((name, why) for name in later)])
        return replace(self, studies=_by_study(runs), unreadable=tuple(unreadable))

    def _copies(self) -> list[str]:
        by_digest: dict[str, list[str]] = {}
        for run in self.runs:
            by_digest.setdefault(run.digest, []).append(run.record)
        return [
            f"{listed(copies)} {'is a copy' if len(copies) == 1 else 'are copies'} of {first} (same digest): tally and "
            "export count each of them, comparisons, forecasts and the flow of participants one. Move copies away."
            for first, *copies in by_digest.values()
            if copies
        ]


def gather(
    directory: Path,
    study: Study | None = None,
    how: How = IN_THIS_PROCESS,
    *,
    unblinded: bool = False,
) -> Gathered:
    """Judges every record of a directory, from the cache where it fits; by `study` instead of their own if given.

    `unblinded`: with hidden responses, which are judged anew because no cache has them; for who has entered a look.

    Raises `RecordUnreadable` only where there is no such directory: whatever is wrong with one record is told in the
    result, and the others are read all the same.
    """
    runs: list[RunSummary] = []
    withdrawn: list[Withdrawn] = []
    running: list[str] = []
    unreadable: list[tuple[str, str]] = []
    to_judge: list[Path] = []
    for path in list_records(directory):
        name = path.name.encode(errors="backslashreplace").decode()
        if name != path.name:
            unreadable.append((name, "its name is no text in UTF-8; rename it."))
            continue
        try:
            tombstone = read_tombstone(path)
            if tombstone is not None:
                withdrawn.append(_withdrawn(path.name, tombstone, left_of(path, tombstone)))
            elif is_being_written(path):
                running.append(path.name)
            elif (known := cached_summary(path, study)) is None or (unblinded and known.withholds):
                to_judge.append(path)
            else:
                runs.append(known)
        except WitnessError as error:
            unreadable.append((path.name, str(error).removeprefix(f"{path}").removeprefix(": ").strip()))
        except OSError as error:
            unreadable.append((path.name, f"the disk does not give it back ({error.strerror})."))
    for path, judged in judge_anew(to_judge, study, how, unblinded=unblinded):
        if isinstance(judged, str):
            unreadable.append((path.name, judged.removeprefix(f"{path}: ")))
        else:
            runs.append(judged)
    return Gathered(directory, _by_study(runs), tuple(withdrawn), tuple(running), tuple(sorted(unreadable)))


def _withdrawn(record: str, tombstone: Mapping[str, Any], left: list[str]) -> Withdrawn:
    study, group, record_id = tombstone.get("study"), tombstone.get("group"), tombstone.get("record")
    return Withdrawn(
        record,
        str(tombstone.get("withdrawn_at", ""))[:10],
        study if isinstance(study, str) else None,
        group if isinstance(group, str) else None,
        tuple(left),
        record_id if isinstance(record_id, str) else None,
    )


def count(number: int, noun: str) -> str:
    """ "1 run", "2 runs"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def listed(names: list[str]) -> str:
    """The first three names, and how many more."""
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return ", ".join(names[:3]) + more


def gathered_json(gathered: Gathered) -> dict[str, Any]:
    """What the JSON of every report on a directory says of it."""
    return {
        "directory": str(gathered.directory),
        "records": len(gathered.runs),
        "withdrawn": [asdict(one) for one in gathered.withdrawn],
        "running": list(gathered.running),
        "unreadable": [{"record": name, "why": why} for name, why in gathered.unreadable],
        "faults": gathered.faults(),
        "remarks": gathered.remarks(),
    }


def _by_study(runs: list[RunSummary]) -> tuple[StudyRuns, ...]:
    named: dict[str, list[RunSummary]] = {}
    for run in sorted(runs, key=lambda one: (one.began, one.record)):
        named.setdefault(run.study.name, []).append(run)
    found = []
    for name, own in named.items():
        files: dict[str, list[RunSummary]] = {}
        for run in own:
            files.setdefault(run.study.sha256, []).append(run)
        parts = [StudyPart(part[-1].study, len(part), day_of(part[0]), day_of(part[-1])) for part in files.values()]
        found.append(StudyRuns(name, tuple(own), tuple(parts)))
    return tuple(found)


def _changes(one: StudyRuns) -> list[str]:
    if len(one.files) < 2:
        return []
    parts = ", ".join(
        f"{part.study.sha256[:8]} ({count(part.runs, 'run')}, {part.first_day} to {part.last_day})"
        for part in one.files
    )
    return [
        f"The study file of {one.name} was changed in mid-study: {parts}; each run is judged by its own file. "
        "To judge all by one file, give it with --study."
    ]


def _judged_otherwise(directory: Path, one: StudyRuns) -> list[str]:
    """What must be said where another study file judges than the one that a record was opened with, or than the one
    that was frozen before the first look."""
    said = []
    by_other = sum(run.by_other_file for run in one.runs)
    looks = count_looks(directory)
    if by_other:
        after = "looks cannot be counted" if looks is None else f"after {count(looks, 'look')} at responses"
        said.append(
            f"{one.name}: {count(by_other, 'run')} of {len(one.runs)} judged by another study file "
            f"({one.study.sha256[:8]}) than the one recorded with the run; {after}."
        )
    kept = frozen(directory, one.name)
    if kept is None:
        return said
    others = [run for run in one.runs if run.study.sha256 != kept.sha256]
    late = f", after {count(kept.after_looks, 'look')}" if kept.after_looks else ""
    if others:
        said.append(
            f"{one.name}: {count(len(others), 'run')} of {len(one.runs)} judged by another file than the one that was "
            f"frozen on {kept.when[:10]} by {kept.by}{late} ({kept.sha256[:8]})."
        )
    return said


def _repeated(one: StudyRuns) -> list[str]:
    """A participant can be surprised once: two valid trials of a surprise class are one too many."""
    classes = {trigger.name: trigger.surprise_class for part in one.files for trigger in part.study.triggers}
    valid = Counter(
        (run.participant, classes.get(trial.trigger, trial.trigger))
        for run in one.runs
        for trial in run.trials
        if trial.effective == "valid"
    )
    said = [
        f"{participant} has {number} valid trials of the surprise class {kind}, and can be surprised by it once: "
        "all are counted; rule on those that do not count."
        for (participant, kind), number in sorted(valid.items())
        if number > 1
    ]
    groups: dict[str, set[str]] = {}
    for run in one.runs:
        if not run.before_lot:
            groups.setdefault(run.participant, set()).add(run.group)
    return said + [
        f"{participant} was run in more than one group: {', '.join(sorted(names))}."
        for participant, names in sorted(groups.items())
        if len(names) > 1
    ]

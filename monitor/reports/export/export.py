"""A directory of records as tables for the analyst: the same bytes from the same records."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, Protocol

from monitor.archive.gathering import Gathered, count
from monitor.errors import WitnessError
from monitor.named_files import NameTaken, give_its_name, left_unfinished, room_on_disk, unfinished
from monitor.reports.export.bids import BidsExport, participant_label
from monitor.reports.export.csv import CsvExport
from monitor.reports.export.cues import CuesExport, VideoTimes
from monitor.reports.export.drives import WholeRun, read_whole
from monitor.reports.export.parquet import ParquetExport
from monitor.reports.export.tables import Tables
from monitor.study.model import Study

Form = Literal["csv", "bids", "parquet", "cues"]
FORMS: dict[Form, str] = {"csv": "CSV", "bids": "BIDS", "parquet": "Parquet", "cues": "WebVTT cues"}


RESERVED_BYTES = 8 << 20
"""Room that the disk has to have before a look is entered; how much the tables take is not known before."""


class Growing(Protocol):
    """An export that grows record by record in a directory that exists."""

    def add(self, run: WholeRun, tables: Tables) -> None:
        """One record, whose rows `tables` has."""
        ...

    def finish(self, tables: Tables) -> None:
        """All records were added."""
        ...


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written. `masked`: nothing of responses, because rulings are not complete."""

    directory: Path
    form: Form
    records: int
    trials: int
    masked: bool
    unruled: int
    remarks: tuple[str, ...] = ()


def unruled_trials(gathered: Gathered) -> int:
    """Trials of blind records whose response nobody may see yet, because they have no ruling."""
    return sum(run.withholds for run in gathered.runs)


def refuse_codes(gathered: Gathered, form: Form) -> None:
    """Raises `WitnessError` where a participant code is not one of the study's, since it might be a name."""
    for run in gathered.runs:
        if not re.fullmatch(run.study.participant_pattern, run.participant):
            raise WitnessError(
                f"{run.record}: the participant code {run.participant!r} does not fit the pattern "
                f"{run.study.participant_pattern} of the study {run.study.name}, so it might be a name; nothing is "
                "exported. Move the record away, or give a study file whose pattern it fits with --study."
            )
        if form == "bids":
            participant_label(run.participant)


@dataclass(frozen=True, slots=True)
class ExportPlan:
    """What is written: in which form, telemetry at which rate (None: as recorded), cues by which times of the video."""

    form: Form
    rate_hz: float | None = None
    video: VideoTimes = field(default_factory=VideoTimes)
    enter_look: Callable[[], object] | None = None
    """For responses also where rulings are missing: enters the look, once nothing is known to keep the tables from
    being written. It is not called where no ruling is missing."""


def export_records(
    gathered: Gathered,
    plan: ExportPlan,
    out: Path,
    *,
    study: Study | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Exported:
    """Writes the tables into `out`, which must not be there yet or be empty; it is there whole or not at all. What
    an export leaves that is cut off stands in `out`.unfinished.

    Raises `WitnessError` for codes that may not be exported, and where it cannot be written.
    """
    form = plan.form
    refuse_codes(gathered, form)
    if form == "bids" and not gathered.runs:
        raise WitnessError(f"{gathered.directory} holds no run, and a BIDS data set needs one; nothing was written.")
    unruled = unruled_trials(gathered)
    masked = unruled > 0 and plan.enter_look is None
    beside = _claimed(out, 0o777 if plan.enter_look is None else 0o700)
    try:
        _make_way(out)
        tables = Tables(masked)
        growing = _growing(plan, beside, masked)
        if unruled and plan.enter_look is not None:
            with room_on_disk(beside / "room", RESERVED_BYTES):
                plan.enter_look()
        runs = sorted(gathered.runs, key=lambda run: (run.participant, run.began, run.record))
        for done, run in enumerate(runs):
            if progress is not None:
                progress(done, len(runs))
            frames = form != "cues" and not masked
            whole = read_whole(gathered.directory / run.record, study, frames=frames)
            if whole.digest != run.digest:
                raise WitnessError(
                    f"{run.record} was gone on with while it was exported: what came since was judged by nobody, and a "
                    "response may have to be hidden in it. Nothing is exported; export again once it is closed."
                )
            tables.add(whole)
            growing.add(whole, tables)
        tables.finish()
        growing.finish(tables)
        give_its_name(beside, out)
    except NameTaken:  # it is whole, and a look may have been spent for it
        raise
    except OSError as error:
        shutil.rmtree(beside, ignore_errors=True)
        raise WitnessError(f"{out} cannot be written ({error.strerror or error}); choose another directory.") from error
    except BaseException:
        shutil.rmtree(beside, ignore_errors=True)
        raise
    remarks = tuple(growing.said) if isinstance(growing, CuesExport) else ()
    return Exported(out, form, len(runs), len(tables.rows["trials"]), masked, unruled, remarks)


def _claimed(out: Path, mode: int) -> Path:
    """A new directory beside `out`, which is to become it. It is nobody else's: neither one that stands there is
    emptied, nor do two exports write into the same, of which one would have spent its look for nothing."""
    beside = unfinished(out)
    try:
        beside.mkdir(mode, parents=True)
    except FileExistsError as error:
        raise left_unfinished(out) from error
    except OSError as error:
        raise WitnessError(f"{out} cannot be written ({error.strerror or error}); choose another directory.") from error
    return beside


def _make_way(out: Path) -> None:
    """Removes an empty directory; refuses whatever else could not be replaced at the end, when a look is spent: a link,
    a place where a disk is mounted."""
    try:
        if os.path.lexists(out):
            out.rmdir()
    except OSError as error:
        raise WitnessError(
            f"{out} is there already ({error.strerror}); an export goes into a new or an empty directory."
        ) from error


def _growing(plan: ExportPlan, directory: Path, masked: bool) -> Growing:
    match plan.form:
        case "bids":
            return BidsExport(directory, masked, plan.rate_hz)
        case "parquet":
            return ParquetExport(directory, masked, plan.rate_hz)
        case "cues":
            return CuesExport(directory, masked, plan.video)
        case _:
            return CsvExport(directory, masked, plan.rate_hz)


def export_sentences(exported: Exported) -> list[str]:
    """For people: what was written, and what was left out."""
    said = [
        f"{exported.directory}: {count(exported.records, 'record')}, {count(exported.trials, 'trial')}, as "
        f"{FORMS[exported.form]}"
    ]
    said += exported.remarks
    if exported.masked:
        said.append(
            "Responses, contacts and telemetry are left out: records are blind, and a ruling is missing on "
            f"{count(exported.unruled, 'trial')}. Rule first, or say --unblind (it is entered in unblinding.jsonl)."
        )
    return said

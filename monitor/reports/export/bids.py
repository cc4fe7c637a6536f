"""The study as a data set after BIDS, behavioural data only: events, trials and telemetry of each drive, participants.

One `run` is one drive, numbered for each participant and task over the records in order of time. Onsets count from the
first frame of the drive, at which its telemetry begins. The whole tables stand in `sourcedata/tables/`.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor import __version__
from monitor.errors import WitnessError
from monitor.reports.export.cells import plain_cells
from monitor.reports.export.column import FEED, OPERATOR, Column
from monitor.reports.export.csv import (
    column_json,
    resampled,
    telemetry_sidecar,
    telemetry_text,
    write_gzip,
    write_json,
    write_tables,
)
from monitor.reports.export.dictionary import EVENTS, PARTICIPANTS
from monitor.reports.export.drives import DriveColumns, WholeRun
from monitor.reports.export.tables import Row, Tables
from monitor.reports.export.trial_columns import TRIALS

BIDS_VERSION = "1.10.0"
EMPTY = "n/a"
BEH_COLUMNS = tuple(column for column in TRIALS if column.name not in ("participant", "study", "drive"))
EVENT_COLUMNS = (
    Column("onset", "s", "from the first frame of the drive; the telemetry begins there", source=FEED),
    Column("duration", "s", "0 for an instant, n/a where the end is not known", source=FEED),
    Column("trial_type", "", "kind of the simulator's marker, of a response, or of an operator's entry", source=FEED),
    *(column for column in EVENTS if column.name in ("response_time", "censored")),
    Column("group", "", "alert group", source=OPERATOR),
    *(column for column in EVENTS if column.name in ("trial", "effective", "name", "source", "detail")),
)


@dataclass(slots=True)
class BidsExport:
    """The data set, growing record by record in a directory that exists."""

    directory: Path
    masked: bool
    rate_hz: float | None
    runs: Counter[tuple[str, str]] = field(default_factory=Counter)
    tasks: dict[str, str] = field(default_factory=dict)
    titles: dict[str, str] = field(default_factory=dict)

    def add(self, run: WholeRun, tables: Tables) -> None:
        """The drives of one record, whose rows `tables` has. Raises `WitnessError` for a code that BIDS cannot have."""
        participant = run.session.opening.participant
        label = participant_label(participant)
        task = self._task(run.session.study.name)
        self.titles[task] = run.session.study.title
        folder = self.directory / f"sub-{label}" / "beh"
        folder.mkdir(parents=True, exist_ok=True)
        for drive in run.drives:
            self.runs[label, task] += 1
            stem = f"sub-{label}_task-{task}_run-{self.runs[label, task]:02d}"
            self._write_drive(folder / stem, run, drive, tables)

    def finish(self, tables: Tables) -> None:
        """What stands at the top: the data set's description, participants, and the definitions of all columns."""
        write_json(
            self.directory / "dataset_description.json",
            {
                "Name": " + ".join(self.tasks) or "no run",
                "BIDSVersion": BIDS_VERSION,
                "DatasetType": "raw",
                "GeneratedBy": [{"Name": "trialwitness", "Version": __version__}],
                "SourceDatasets": [{"URL": "sourcedata/tables/records.csv"}],
            },
        )
        (self.directory / "README").write_text(_readme(masked=self.masked), encoding="utf-8", newline="\n")
        names = ["participant_id", *(column.name for column in PARTICIPANTS[1:])]
        rows: list[Row] = [
            {**row, "participant_id": f"sub-{participant_label(row['participant'])}"}
            for row in tables.rows["participants"]
        ]
        _write_tsv(self.directory / "participants.tsv", names, rows)
        participants = {column.name: column_json(column) for column in PARTICIPANTS[1:]}
        write_json(self.directory / "participants.json", participants)
        for study, task in self.tasks.items():
            for name, columns in (("events", EVENT_COLUMNS), ("beh", BEH_COLUMNS)):
                about = {"TaskDescription": self.titles[task]} if self.titles[task] else {}
                # the older validator refuses TaskName in the sidecar of events
                about |= {"TaskName": task} if name == "beh" else {}
                studies = [one for one in tables.studies.values() if one.name == study]
                described = {one.name: column_json(one, studies) for one in columns}
                write_json(self.directory / f"task-{task}_{name}.json", {**about, **described})
        write_tables(self.directory / "sourcedata" / "tables", tables)

    def _task(self, study: str) -> str:
        """The study's name as BIDS has labels: letters and digits only."""
        task = re.sub(r"[^A-Za-z0-9]", "", study) or "study"
        while any(known == task and name != study for name, known in self.tasks.items()):
            task += "x"
        return self.tasks.setdefault(study, task)

    def _write_drive(self, stem: Path, run: WholeRun, drive: DriveColumns, tables: Tables) -> None:
        record, index = run.path.name, drive.log.index
        group = run.session.group
        # an event whose time is hidden has no place here, because BIDS asks for an onset; the tables have it
        mine = (row for row in tables.rows["events"] if row["record"] == record and row["drive"] == index)
        events = [row for row in mine if row["onset_s"] is not None]
        _write_tsv(
            stem.with_name(f"{stem.name}_events.tsv"),
            [column.name for column in EVENT_COLUMNS],
            [
                {
                    **row,
                    "onset": row["onset_s"],
                    "duration": row["duration_s"],
                    "trial_type": row["event"],
                    "group": group,
                }
                for row in events
            ],
        )
        trials = [row for row in tables.rows["trials"] if row["record"] == record and row["drive"] == index]
        _write_tsv(stem.with_name(f"{stem.name}_beh.tsv"), [column.name for column in BEH_COLUMNS], trials)
        if self.masked:
            return
        even, rate = resampled(drive, self.rate_hz)
        if not even:
            return
        physio = f"{stem.name}_recording-vehicle_physio"
        write_gzip(stem.with_name(f"{physio}.tsv.gz"), telemetry_text(even, "\t", EMPTY, header=False))
        sidecar = {**telemetry_sidecar(drive, even, rate), "TaskName": self.tasks[run.session.study.name]}
        write_json(stem.with_name(f"{physio}.json"), sidecar)


def participant_label(participant: str) -> str:
    """The code as BIDS has labels; raises `WitnessError` where it cannot be one."""
    if not re.fullmatch(r"[A-Za-z0-9]+", participant):
        raise WitnessError(
            f"The participant code {participant!r} cannot be exported to BIDS, which has letters and digits only in "
            "codes; export to CSV, or use other codes."
        )
    return participant


def _write_tsv(path: Path, names: Sequence[str], rows: Sequence[dict[str, Any]]) -> None:
    lines = ["\t".join(names)]
    for row in rows:
        cells = plain_cells(row, list(names), EMPTY)
        # these files know no quoting, but programs that read them take a quotation mark at a cell's start for one
        lines.append("\t".join(one.replace('"', "'") if one.startswith('"') else one for one in cells))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def _readme(*, masked: bool) -> str:
    text = (
        "Trials of a driving-simulator study of driver alerts, as judged by trialwitness from the run records.\n\n"
        "Each run is one drive. *_events.tsv has the simulator's markers, the driver's responses and the operator's "
        "notes; *_beh.tsv has one row for each trial; *_recording-vehicle_physio.tsv.gz has the vehicle's telemetry at "
        "a fixed rate. A trial's verdict is decided from what happened before and around its trigger, never from the "
        "response. No response, and contact before one, is a valid trial whose time is censored (outcome, censored_s): "
        "leaving it out makes the worst alert look good.\n\n"
        "sourcedata/tables/ has the same as plain CSV tables, conditions and findings of each trial, and records.csv "
        "with the digest of each run record. In the tab-separated files a cell that would begin with a double "
        "quotation mark has single ones; the CSV tables have it as it was entered.\n"
    )
    if masked:
        text += (
            "\nRecords are blind and not every trial has been ruled on: responses, contacts, telemetry, and when "
            "anything came after a trial's fire are left out.\n"
        )
    return text

"""Tables as CSV (RFC 4180, UTF-8, a header line, dot as decimal sign), telemetry as gzipped CSV with a sidecar each.

A text that a spreadsheet would take for a formula has an apostrophe before it; Parquet has it as it was entered.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from monitor.measures.columns import FloatArray
from monitor.reports.export.cells import plain_cells
from monitor.reports.export.column import Column, threshold_words
from monitor.reports.export.dictionary import telemetry_column
from monitor.reports.export.drives import HOLD_PERIODS, DriveColumns, WholeRun, resample
from monitor.reports.export.tables import Tables
from monitor.study.model import Study

ROWS_AT_ONCE = 4096
FORMULA = ("=", "+", "-", "@", "\N{FULLWIDTH EQUALS SIGN}")
"""What a cell begins with that spreadsheets work out (OWASP, CSV injection; from memory)."""


def write_tables(directory: Path, tables: Tables) -> None:
    """Every table, and the dictionary of their columns."""
    directory.mkdir(parents=True, exist_ok=True)
    for name, columns in tables.written():
        names = [column.name for column in columns]
        rows = [[_no_formula(cell) for cell in plain_cells(row, names)] for row in tables.rows[name]]
        _write_csv(directory / f"{name}.csv", names, rows)
    _write_csv(
        directory / "data-dictionary.csv",
        ["table", "column", "type", "unit", "definition", "thresholds", "source", "levels"],
        [
            [
                name,
                one.name,
                one.type,
                one.unit,
                one.definition,
                threshold_words(one, tables.studies.values()),
                one.source,
                "; ".join(f"{key} = {value}" for key, value in one.levels.items()),
            ]
            for name, columns in tables.written()
            for one in columns
        ],
    )


@dataclass(slots=True)
class CsvExport:
    """CSV files, growing record by record in a directory that exists."""

    directory: Path
    masked: bool
    rate_hz: float | None

    def add(self, run: WholeRun, tables: Tables) -> None:
        """The drives of one record at a fixed rate: `<record>_drive-<n>.csv.gz` and its sidecar `.json`."""
        if self.masked:
            return
        folder = self.directory / "telemetry"
        folder.mkdir(exist_ok=True)
        for drive in run.drives:
            even, rate = resampled(drive, self.rate_hz)
            if not even:
                continue
            stem = f"{run.path.stem}_drive-{drive.log.index}"
            write_gzip(folder / f"{stem}.csv.gz", telemetry_text(even, ",", "", header=True))
            sidecar = telemetry_sidecar(drive, even, rate)
            sidecar["Record"], sidecar["RecordDigest"] = run.path.name, run.digest
            write_json(folder / f"{stem}.json", sidecar)

    def finish(self, tables: Tables) -> None:
        """Every table."""
        write_tables(self.directory, tables)


def resampled(drive: DriveColumns, rate_hz: float | None) -> tuple[dict[str, FloatArray], float]:
    """The columns of a drive at a fixed rate (its own nominal one by default), and that rate; empty without frames."""
    columns = drive.columns()
    rate = rate_hz or 1.0 / drive.log.period_s
    rate = round(rate, 6)
    return (resample(columns, rate, drive.log.period_s) if columns else {}), rate


def telemetry_sidecar(drive: DriveColumns, even: Mapping[str, FloatArray], rate_hz: float) -> dict[str, Any]:
    """What the columns are, at which rate they were put, and how."""
    hello = drive.log.hello
    signals = dict(hello.signals) if hello else {}
    columns = [telemetry_column(name, signals) for name in even]
    return {
        "SamplingFrequency": rate_hz,
        "StartTime": 0.0,
        "Columns": [column.name for column in columns],
        "Resampling": (
            f"Each row is the newest frame at or before its time, not older than {HOLD_PERIODS:g} nominal frame "
            f"periods ({HOLD_PERIODS * drive.log.period_s:.4g} s); nothing is interpolated; beyond that it is empty."
        ),
        "NominalFrameRate": round(1.0 / drive.log.period_s, 6),
        "Run": drive.log.run,
        **{column.name: column_json(column) for column in columns},
    }


def column_json(column: Column, studies: Iterable[Study] = ()) -> dict[str, Any]:
    """A column's description in a sidecar, with the thresholds of the studies, and who says so."""
    thresholds = threshold_words(column, studies)
    parts = [column.definition, *([f"thresholds: {thresholds}"] if thresholds else [])]
    described: dict[str, Any] = {
        "Description": "; ".join([*parts, *([f"source: {column.source}"] if column.source else [])])
    }
    if column.unit and column.unit != "1":
        described["Units"] = column.unit
    if column.levels:
        described["Levels"] = dict(column.levels)
    return described


def telemetry_text(even: Mapping[str, FloatArray], separator: str, empty: str, *, header: bool) -> Iterator[bytes]:
    """The rows as bytes, some thousands at a time; nine significant digits."""
    if header:
        yield (separator.join(even) + "\n").encode()
    columns = list(even.values())
    for first in range(0, len(columns[0]), ROWS_AT_ONCE):
        cells = [_cells(column[first : first + ROWS_AT_ONCE], empty) for column in columns]
        yield "".join(separator.join(row) + "\n" for row in zip(*cells, strict=True)).encode()


def write_gzip(path: Path, pieces: Iterator[bytes]) -> None:
    """Packed without file name and time, so that the same rows give the same bytes."""
    with path.open("wb") as file, gzip.GzipFile(filename="", mode="wb", fileobj=file, mtime=0) as packed:
        for piece in pieces:
            packed.write(piece)


def write_json(path: Path, document: Any) -> None:
    """A JSON file, keys in the order given."""
    text = json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


def _write_csv(path: Path, names: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(names)
    writer.writerows(rows)
    path.write_text(text.getvalue(), encoding="utf-8", newline="")


def _no_formula(cell: str) -> str:
    """A cell that no spreadsheet works out: whoever enters a note must not run anything at the analyst's."""
    if not cell.startswith(FORMULA):
        return cell
    try:
        float(cell)
    except ValueError:
        return f"'{cell}"
    return cell


def _cells(column: FloatArray, empty: str) -> list[str]:
    missing = np.isnan(column)
    texts = [f"{value:.9g}" for value in column.tolist()]
    for place in np.flatnonzero(missing):
        texts[place] = empty
    return texts

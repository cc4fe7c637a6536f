"""The tables and the telemetry as Parquet, each column with its unit, definition, thresholds and source in the schema.

The telemetry has every frame as it was received, at the simulator's own times, where no rate is asked for.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from monitor import __version__
from monitor.errors import WitnessError
from monitor.measures.columns import FloatArray
from monitor.reports.export.cells import plain_text
from monitor.reports.export.column import Column, threshold_words
from monitor.reports.export.csv import resampled
from monitor.reports.export.dictionary import telemetry_column
from monitor.reports.export.drives import DriveColumns, WholeRun
from monitor.reports.export.tables import Tables
from monitor.study.model import Study


class ParquetMissing(WitnessError):
    """Raised where Parquet is asked for and pyarrow is not installed."""


@dataclass(slots=True)
class ParquetExport:
    """Parquet files, growing record by record in a directory that exists."""

    directory: Path
    masked: bool
    rate_hz: float | None

    def __post_init__(self) -> None:
        _pyarrow()  # says at once that it is not there

    def add(self, run: WholeRun, tables: Tables) -> None:
        """The telemetry of one record."""
        if self.masked:
            return
        folder = self.directory / "telemetry"
        folder.mkdir(exist_ok=True)
        for drive in run.drives:
            columns = drive.columns() if self.rate_hz is None else resampled(drive, self.rate_hz)[0]
            if columns:
                path = folder / f"{run.path.stem}_drive-{drive.log.index}.parquet"
                _write_telemetry(path, run, drive, columns)

    def finish(self, tables: Tables) -> None:
        """Every table."""
        for name, columns in tables.written():
            _write_table(self.directory / f"{name}.parquet", columns, tables.rows[name], tables.studies.values())


def _write_telemetry(path: Path, run: WholeRun, drive: DriveColumns, columns: Mapping[str, FloatArray]) -> None:
    arrow = _pyarrow()
    signals = dict(drive.log.hello.signals) if drive.log.hello else {}
    fields = [_field(telemetry_column(name, signals), ()) for name in columns]
    about = {
        "record": run.path.name,
        "record_digest": run.digest,
        "drive": str(drive.log.index),
        "run": drive.log.run,
        "nominal_rate_hz": f"{1.0 / drive.log.period_s:.6g}",
        "trialwitness": __version__,
    }
    # NaN is "not measured" in our columns; in the file it is null, which every reader takes for missing
    arrays = [arrow.array(column, type=arrow.float64(), from_pandas=True) for column in columns.values()]
    _write(path, arrow.Table.from_arrays(arrays, schema=arrow.schema(fields, metadata=about)))


def _write_table(
    path: Path, columns: Sequence[Column], rows: Sequence[Mapping[str, Any]], studies: Iterable[Study]
) -> None:
    arrow = _pyarrow()
    studies = list(studies)
    fields = [_field(column, studies) for column in columns]
    arrays = [
        arrow.array([_value(row.get(column.name), column) for row in rows], type=field.type)
        for column, field in zip(columns, fields, strict=True)
    ]
    schema = arrow.schema(fields, metadata={"table": path.stem, "trialwitness": __version__})
    _write(path, arrow.Table.from_arrays(arrays, schema=schema))


def _field(column: Column, studies: Iterable[Study]) -> Any:
    arrow = _pyarrow()
    kinds = {
        "text": arrow.string(),
        "number": arrow.float64(),
        "whole": arrow.int64(),
        "flag": arrow.bool_(),
        "time": arrow.timestamp("ms", tz="UTC"),
    }
    told = {
        "unit": column.unit,
        "definition": column.definition,
        "thresholds": threshold_words(column, studies),
        "source": column.source,
        "levels": json.dumps(column.levels, ensure_ascii=False) if column.levels else "",
    }
    return arrow.field(column.name, kinds[column.type], metadata={key: text for key, text in told.items() if text})


def _value(value: Any, column: Column) -> Any:
    if value is None or value == "":
        return None
    match column.type:
        case "time":
            return datetime.fromisoformat(value)
        case "flag":
            return bool(value)
        case "number":
            return float(value)
        case "whole":
            return int(value)
        case _:
            return plain_text(str(value))


def _write(path: Path, table: Any) -> None:
    from pyarrow import parquet

    parquet.write_table(table, path, compression="zstd")


def _pyarrow() -> Any:
    try:
        import pyarrow
    except ImportError as error:
        raise ParquetMissing(
            "Parquet needs pyarrow, which is not installed; install it with: pip install 'trialwitness[parquet]'"
        ) from error
    return pyarrow

"""A visible stretch of a record as a CSV file: units in the header, what each column means above it.

The lines before the header begin with "#": record, drive, and the definition of each column. Then one header line and
one row for each frame. Decimal points, full precision; empty where there is no number.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from pathlib import Path

from monitor import __version__
from monitor.errors import WitnessError
from monitor.measures.names import MEASURES
from monitor.named_files import write_numbered
from monitor.replay.series import Series, SeriesStretch


def write_table(folder: Path, stretch: SeriesStretch, names: Sequence[str] | None = None) -> Path:
    """Writes the stretch (all its series, or those named) to a new file in a folder, and gives its path.

    Raises `WitnessError` where nothing can be written, or there is no frame to write.
    """
    if not len(stretch.t):
        raise WitnessError("there is no frame here to export")
    chosen = [one for one in stretch.series if names is None or one.name in names]
    stem = f"{stretch.record.removesuffix('.run')}-drive{stretch.drive}-{stretch.t[0]:.2f}-{stretch.t[-1]:.2f}s"
    text = io.StringIO()
    text.write(f"# record: {stretch.record}\n# participant: {_line(stretch.participant)}\n")
    text.write(f"# drive: {stretch.drive}\n# written by: trialwitness {__version__}\n")
    text.write("# t [s]: simulation time of the drive\n")
    for one in chosen:
        text.write(f"# {_line(column_name(one))}: {_line(column_words(one))}\n")
    table = csv.writer(text, lineterminator="\n")
    table.writerow(["t [s]", "entry", "seq", *(column_name(one) for one in chosen)])
    columns = [one.value.tolist() for one in chosen]
    for row, t in enumerate(stretch.t.tolist()):
        values = [_cell(column[row]) for column in columns]
        number = int(stretch.number[row])
        table.writerow([repr(t), "" if number < 0 else number, int(stretch.seq[row]), *values])
    return write_numbered(folder, stem, ".csv", text.getvalue())


def column_name(series: Series) -> str:
    """The name with its unit: "time_gap [s]"; without brackets where there is none."""
    unit = series.measure.unit
    return f"{series.name} [{unit}]" if unit else series.name


def column_words(series: Series) -> str:
    """The definition and its source; and whether a part of it is hidden."""
    known = MEASURES.get(series.measure.name) if series.measure.kind not in ("signal", "role") else None
    source = f" ({known.source})" if known is not None else ""
    hidden = "; empty from the fire on because the record is blind and the trial not ruled on" if series.hidden else ""
    return f"{series.definition}{source}{hidden}"


def _cell(value: float) -> str:
    return repr(value) if math.isfinite(value) else ""


def _line(text: str) -> str:
    return "".join(one if one.isprintable() else " " for one in text)

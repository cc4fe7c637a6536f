"""A record's drives as whole columns: what judging keeps for a minute is kept to the end, for an export."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from monitor.judging.case.blocks import MeasuredBlock
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import Loss
from monitor.judging.session import Session
from monitor.measures.columns import FloatArray
from monitor.record.addendum import Addendum, load_addendum
from monitor.record.reader import RecordReading
from monitor.study.loading import parse_study
from monitor.study.model import Study

AT_ONCE = 64
"""Entries taken together. Judging forgets frames after a minute: at 1 Hz and more, none is forgotten in between."""

HOLD_PERIODS = 1.5
"""A frame stands for the time after it for this many nominal frame periods; beyond, frames are missing."""
ROUNDING_S = 1e-6


@dataclass(slots=True)
class DriveColumns:
    """One drive. Columns are of shape (n,), NaN where a value is not measured."""

    log: DriveLog
    parts: list[dict[str, FloatArray]] = field(default_factory=list)
    losses: list[Loss] = field(default_factory=list)
    """All of the drive, of which judging keeps the last ones only."""
    last_number: int = 0

    def columns(self) -> dict[str, FloatArray]:
        """`t` and every channel, signal and measure that has a value anywhere."""
        if not self.parts:
            return {}
        names = list(dict.fromkeys(name for part in self.parts for name in part))
        lengths = [len(part["t"]) for part in self.parts]
        joined = {
            name: np.concatenate(
                [part.get(name, np.full(n, np.nan)) for part, n in zip(self.parts, lengths, strict=True)]
            )
            for name in names
        }
        return {name: column for name, column in joined.items() if not np.isnan(column).all()}


@dataclass(frozen=True, slots=True)
class WholeRun:
    """A judged record with all its frames."""

    path: Path
    session: Session
    drives: tuple[DriveColumns, ...]
    damage: tuple[str, ...]
    state: str
    digest: str
    added: Addendum
    """What was entered after closing."""
    began_ns: int


def read_whole(path: Path, study: Study | None = None, *, frames: bool = True) -> WholeRun:
    """Judges a record and keeps every judged frame; raises `RecordUnreadable` and `StudyFaults`."""
    reading = RecordReading(path)
    opening = reading.opening
    session = Session(study or parse_study(opening.study_text, f"study file in {path}"), opening)
    drives: list[DriveColumns] = []
    began_ns = 0
    for entries in reading.blocks(0, AT_ONCE):
        began_ns = began_ns or entries[0].wall_ns
        session.take(entries)
        drives += [DriveColumns(drive.log) for drive in session.drives[len(drives) :]]
        if frames:
            for drive in drives:
                _keep_new(drive)
    added = load_addendum(path, bytes.fromhex(reading.digest))
    for fields in added.maps:
        session.take_addendum(fields)
    damage = (*(one.what for one in reading.damage), *added.faults())
    return WholeRun(path, session, tuple(drives), damage, reading.state, reading.digest, added, began_ns)


def resample(columns: Mapping[str, FloatArray], rate_hz: float, period_s: float) -> dict[str, FloatArray]:
    """The columns at a fixed rate, from the first frame to the last: `t` is even, each value that of the newest frame
    at or before it. Nothing is interpolated: more than `HOLD_PERIODS` nominal periods after a frame it is NaN."""
    t = columns["t"]
    count = int(np.floor((t[-1] - t[0] + ROUNDING_S) * rate_hz)) + 1
    even = t[0] + np.arange(count) / rate_hz
    rows = np.searchsorted(t, even + ROUNDING_S, side="right") - 1
    stale = even - t[rows] > HOLD_PERIODS * period_s + ROUNDING_S
    found = {name: np.where(stale, np.nan, column[rows]) for name, column in columns.items() if name != "t"}
    return {"t": even, **found}


def _keep_new(drive: DriveColumns) -> None:
    last_loss = drive.losses[-1].number if drive.losses else 0
    drive.losses += [one for one in drive.log.losses if one.number > last_loss]
    for block in drive.log.blocks:
        first = int(np.searchsorted(block.frames.number, drive.last_number, side="right"))
        if first < len(block.frames):
            drive.parts.append({name: column[first:] for name, column in _block_columns(block).items()})
            drive.last_number = int(block.frames.number[-1])


def _block_columns(block: MeasuredBlock) -> dict[str, FloatArray]:
    frames = block.frames
    found: dict[str, FloatArray] = {"t": frames.t}
    for name, column in frames.own.items():
        # what judging computes itself has the plain name; what the simulator says of the same is `own_…`
        found[f"own_{name}" if name in block.lateral else name] = column
    found |= {f"signal_{name}": column for name, column in frames.signals.items()}
    found |= {name: one.value for name, one in block.lateral.items()}
    found |= {name: one.value for name, one in block.lead.items()}
    row, others = block.lead_row, frames.others
    has_lead = row >= 0
    found["lead_id"] = np.where(has_lead, block.lead_id, np.nan)
    for name in ("speed", "accel"):
        channel = others.channels[name]
        values = np.full(len(frames), np.nan)
        values[has_lead] = channel[row[has_lead]]
        found[f"lead_{name}"] = values
    return found

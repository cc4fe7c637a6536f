"""A record's drives as whole columns: what judging keeps for a minute is kept to the end, for an export."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from monitor.archive.record_pass import RecordPass, Step
from monitor.judging.case.blocks import MeasuredBlock
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import Loss
from monitor.judging.session import Session
from monitor.measures.columns import FloatArray
from monitor.record.addendum import Addendum, load_addendum
from monitor.study.model import Study

STEP_S = 8.0
"""Seconds of the drive taken together. Judging forgets frames after a minute: none is forgotten in between."""

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
    drives: list[DriveColumns] = []
    began_ns = 0

    def follow(session: Session) -> Callable[[Step], None]:
        drives.clear()

        def took(step: Step) -> None:
            nonlocal began_ns
            began_ns = began_ns or int(step.wall_ns[0])
            drives.extend(DriveColumns(drive.log) for drive in session.drives[len(drives) :])
            if frames:
                for drive in drives:
                    _keep_new(drive)

        return took

    passed = RecordPass(path, study, keep=True).run(follow, step_s=STEP_S)
    added = load_addendum(path, bytes.fromhex(passed.digest))
    for fields in added.maps:
        passed.session.take_addendum(fields)
    damage = (*passed.damage, *added.faults())
    return WholeRun(path, passed.session, tuple(drives), damage, passed.state, passed.digest, added, began_ns)


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
    found["lead_id"] = np.where(block.lead_row >= 0, block.lead_id, np.nan)
    return found | {f"lead_{name}": block.lead_channel(name) for name in ("speed", "accel")}

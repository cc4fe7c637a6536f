"""Records as plain values for an analyst's notebook: trials as `review --json` has them, frames as numpy columns.

It only reads: nothing is written, no look is entered, and what a blind study hides stays hidden. `NOTEBOOK.md` beside
this file is its manual, and a test runs it.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from monitor.errors import WitnessError
from monitor.judging.blinding import masked_from
from monitor.judging.case.received import ReceivedMarker
from monitor.judging.document import number, session_json
from monitor.measures.names import MEASURES
from monitor.record.disk import is_being_written
from monitor.record.reader import list_records
from monitor.record.tombstone import read_tombstone
from monitor.reports.export.drives import DriveColumns, WholeRun, read_whole, resample
from monitor.study.loading import load_study
from monitor.study.model import Study

OnFault = Literal["warn", "raise"]
Column = npt.NDArray[np.float64]
LEAD = {"lead_id": "lead.id", "lead_speed": "lead.speed", "lead_accel": "lead.accel", "distance_gap": "lead.gap"}
"""Columns that have the lead's name here. `distance_gap` keeps its own, too."""
NEVER_EMPTY = ("t", "drive")


class RecordWarning(UserWarning):
    """Says what is wrong with a record that is read all the same, and what of it is masked."""


class RecordFaulty(WitnessError):
    """Raised with `on_fault="raise"` for a record that is damaged or cannot be read whole."""


class Run:
    """One record, judged. Made by `open_run`."""

    def __init__(self, whole: WholeRun, study: Study | None) -> None:
        self._whole = whole
        self._by = study
        self._document = session_json(whole.session, str(whole.path))

    def __repr__(self) -> str:
        verdicts = ", ".join(f"{one['id']} {one['effective']}" for one in self.trials) or "no trial"
        return f"<Run {self.path.name}: {self.participant}, {self.group or 'group not known'}; {verdicts}>"

    @property
    def path(self) -> Path:
        """Where the record lies."""
        return self._whole.path

    @property
    def participant(self) -> str:
        """The participant's code."""
        return self._whole.session.opening.participant

    @property
    def group(self) -> str | None:
        """The alert group as planned, else as the simulator says; None where neither is known."""
        return self._whole.session.group

    @property
    def study(self) -> str:
        """The study's name."""
        return self._whole.session.study.name

    @property
    def began(self) -> float:
        """The recorder's clock at the first entry, in seconds since 1970."""
        return self._whole.began_ns / 1e9

    @property
    def digest(self) -> str:
        """Digest over every entry in order, hexadecimal: the closing digest of a closed record."""
        return self._whole.digest

    @property
    def state(self) -> str:
        """ "sealed", "closed", "recovered" or "open"."""
        return self._whole.state

    @property
    def faults(self) -> tuple[str, ...]:
        """What is wrong with the record's bytes, a sentence each; empty for a whole one."""
        return self._whole.damage

    @property
    def masked(self) -> tuple[str, ...]:
        """The trials whose response may not be seen yet, because they have no ruling in a blind study, by id."""
        return tuple(trial.id for trial in self._whole.session.trials() if trial.response_hidden)

    @property
    def document(self) -> dict[str, Any]:
        """The whole object that `review --json` prints for the record."""
        return self._document

    @property
    def trials(self) -> list[dict[str, Any]]:
        """The trials, as in `review --json`."""
        trials: list[dict[str, Any]] = self._document["trials"]
        return trials

    @property
    def notes(self) -> list[dict[str, Any]]:
        """The operator's notes and marks: `at` (s of the drive), `drive`, `wall` (s since 1970), `by`, `text`. `at` and
        `wall` are None where they would tell how long a drive took whose response is masked."""
        notes: list[dict[str, Any]] = self._document["notes"]
        return notes

    @property
    def markers(self) -> list[dict[str, Any]]:
        """The simulator's markers by drive and time: `drive`, `t` (s), `kind`, `name`, `data`, `wall` (s since 1970).

        In a drive whose response is masked those after the fire are left out: the time at which the next one comes
        tells how the driver drove; in later drives `wall` is None.
        """
        times = self._whole.session.told_times()
        return [
            {
                "drive": drive.log.index,
                "t": number(one.t),
                "kind": one.kind,
                "name": one.name,
                "data": dict(one.data),
                "wall": number(times.received(one)),
            }
            for drive in self._whole.drives
            for one in sorted(drive.log.markers.values(), key=lambda one: (one.t, one.n))
            if not self._hides(drive, one)
        ]

    def frames(self, drive: int | None = None, *, rate_hz: float | None = None) -> dict[str, Column]:
        """The frames of one drive, or of all one after the other, as columns of equal length.

        `t` (s, simulation time), `drive`, every own channel as `own.NAME`, the vehicle ahead as `lead.id`, `lead.gap`,
        `lead.speed`, `lead.accel`, the measures by their names, and signals by theirs (`signal.NAME` where a measure
        has the name). SI units. NaN where a value is not measured and where there is none (no lead, not closing). In a
        drive whose response is masked the frames from the fire on are left out: their number tells how the driver
        drove. With `rate_hz` at that rate, nothing interpolated. Raises `WitnessError` for a drive that the record does
        not have.
        """
        known = [one.log.index for one in self._frames.drives]
        if drive is not None and drive not in known:
            raise WitnessError(f"{self.path} has no drive {drive}; there is {', '.join(map(str, known)) or 'none'}.")
        chosen = [one for one in self._frames.drives if drive in (None, one.log.index)]
        parts = [part for one in chosen if (part := self._columns(one, rate_hz))]
        names = list(dict.fromkeys(name for part in parts for name in part))
        lengths = [len(part["t"]) for part in parts]
        return {
            name: np.concatenate([part.get(name, np.full(n, np.nan)) for part, n in zip(parts, lengths, strict=True)])
            for name in names
        }

    def hidden_from(self, drive: int) -> float | None:
        """The simulation time from which on a drive is masked; None where nothing of it is."""
        return masked_from(self._whole.session.trials(), drive)

    @cached_property
    def _frames(self) -> WholeRun:
        read = any(drive.parts for drive in self._whole.drives)
        return self._whole if read else read_whole(self.path, self._by)

    def _hides(self, drive: DriveColumns, marker: ReceivedMarker) -> bool:
        hidden_from = self.hidden_from(drive.log.index)
        return hidden_from is not None and marker.t > hidden_from

    def _columns(self, drive: DriveColumns, rate_hz: float | None) -> dict[str, Column]:
        columns = drive.columns()
        if columns and rate_hz is not None:
            columns = resample(columns, rate_hz, drive.log.period_s)
        if not columns:
            return {}
        found: dict[str, Column] = {"t": columns["t"], "drive": np.full(len(columns["t"]), float(drive.log.index))}
        for name, column in columns.items():
            if name == "t":
                continue
            for named in _names(name, columns):
                found.setdefault(named, column)
        # by the trials of these frames: a record that is gone on with has more of both than when it was opened
        hidden_from = masked_from(self._frames.session.trials(), drive.log.index)
        if hidden_from is None:
            return found
        # nothing of what follows the fire: how long the rest of the drive took would tell, too
        shown = found["t"] < hidden_from
        cut = {name: column[shown] for name, column in found.items()}
        # a column with values only after the fire would tell by being there
        return {name: column for name, column in cut.items() if name in NEVER_EMPTY or not np.isnan(column).all()}


def open_run(
    path: str | os.PathLike[str], *, study: str | os.PathLike[str] | None = None, on_fault: OnFault = "warn"
) -> Run:
    """A record, sealed or not, judged by its own study file, or by the file `study`.

    What is wrong with its bytes is warned of (`RecordWarning`), or raised (`RecordFaulty`) with `on_fault="raise"`.
    Warned of is also that it was never closed, and what of a blind study is masked. Raises `WitnessError` where nothing
    can be read of it.
    """
    return _opened(Path(path), load_study(Path(study)) if study is not None else None, on_fault)


def open_runs(
    directory: str | os.PathLike[str], *, study: str | os.PathLike[str] | None = None, on_fault: OnFault = "warn"
) -> Iterator[Run]:
    """The records of a directory by name, one after the other, each let go of with the next.

    One that was withdrawn or is being recorded is left out with a warning, and so is one that cannot be read, or it is
    raised with `on_fault="raise"`. Raises `WitnessError` where there is no such directory.
    """
    by = load_study(Path(study)) if study is not None else None
    for path in list_records(Path(directory)):
        if read_tombstone(path) is not None:
            _warn(f"{path} was withdrawn and is left out.")
            continue
        try:
            if is_being_written(path):
                _warn(f"{path} is being recorded and is left out.")
                continue
            run = _opened(path, by, on_fault)
        except (WitnessError, OSError) as error:
            if on_fault == "raise":
                raise
            _warn(f"{path} is left out: {' '.join(str(error).split())}")
            continue
        yield run


def _opened(path: Path, study: Study | None, on_fault: OnFault) -> Run:
    run = Run(read_whole(path, study, frames=False), study)
    if run.faults and on_fault == "raise":
        raise RecordFaulty("\n".join(f"{path}: {fault}" for fault in run.faults))
    for fault in run.faults:
        _warn(f"{path}: {fault}")
    if run.state == "open":
        _warn(f"{path} was never closed, or is being recorded: its end may be missing.")
    if run.masked:
        _warn(f"{path}: the study is blind and no ruling was made on {', '.join(run.masked)}; the response is masked.")
    return run


def _warn(sentence: str) -> None:
    warnings.warn(sentence, RecordWarning, stacklevel=4)


def _names(name: str, columns: dict[str, Column]) -> tuple[str, ...]:
    """A column of the export by its names here; the export has `speed` for own speed and `own_…` for what a measure
    is called, too."""
    if name in LEAD:
        return (LEAD[name], name) if name == "distance_gap" else (LEAD[name],)
    if name.startswith("signal_"):
        plain = name.removeprefix("signal_")
        return (f"signal.{plain}",) if plain in columns or plain in MEASURES or plain in NEVER_EMPTY else (plain,)
    own = name.removeprefix("own_")
    return (f"own.{own}",) if name.startswith("own_") or MEASURES[name].kind == "own" else (name,)

"""Beginning or resuming the record of a run, for the recorder."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from monitor.errors import WitnessError
from monitor.record.clock import Clock
from monitor.record.disk import DiskCalls, RecordBusy
from monitor.record.writer import RecordWriter, Writing
from monitor.recorder.plan import RecorderPlan

RESUMED = "the recorder was started again after it had ended without closing the record"
TRIES, TRY_EVERY_S = 6, 0.1


def open_writer(
    plan: RecorderPlan, clock: Clock, disk: DiskCalls, on_synced: Callable[[int], None]
) -> tuple[RecordWriter, int]:
    """The writer, and the number of the first entry that this process enters. Raises `WitnessError`."""
    record = Path(plan.record)
    how = Writing(None if plan.second is None else Path(plan.second), clock, disk, on_synced)
    if plan.resume:
        writer = _patiently_resumed(record, how)
        return writer, writer.last
    if plan.opening is None:
        raise WitnessError("The recorder was told to begin a record without saying what run it is.")
    _refuse_full_disk(record, plan.free_bytes, disk)
    return RecordWriter.create(record, plan.opening, how), 1


def _patiently_resumed(record: Path, how: Writing) -> RecordWriter:
    """Tries for half a second: whoever looks for running recorders holds the lock for an instant."""
    for attempt in range(1, TRIES + 1):
        try:
            return RecordWriter.resume(record, why=RESUMED, how=how)
        except RecordBusy:
            if attempt == TRIES:
                raise
            time.sleep(TRY_EVERY_S)
    raise AssertionError("unreachable")


def _refuse_full_disk(record: Path, needed_bytes: int, disk: DiskCalls) -> None:
    place = next(path for path in record.absolute().parents if path.is_dir())
    try:
        free = disk.free_bytes(place)
    except OSError as error:
        raise WitnessError(f"{place}: cannot be asked for its free space: {error.strerror or error}.") from error
    if free < needed_bytes:
        raise WitnessError(
            f"{place}: only {free >> 20} MiB are free on this disk, and a run needs {needed_bytes >> 20}; "
            "make space or choose another directory of records."
        )

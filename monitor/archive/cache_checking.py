"""Whether the caches of a record follow from its bytes: each is made again and compared."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from monitor.archive.cache_seal import key_mark
from monitor.archive.kept.layout import CACHE_NAME as COLUMNS_NAME
from monitor.archive.kept.layout import ColumnsUnfit
from monitor.archive.kept.reading import KeptColumns, claims_to_fit
from monitor.archive.summary import summarise_record
from monitor.archive.summary_cache import CACHE_NAME as SUMMARY_NAME
from monitor.archive.summary_cache import cached_summary, is_changed
from monitor.errors import WitnessError
from monitor.judging.case.blocks import KeptRun, MeasuredBlock
from monitor.judging.session import Session
from monitor.measures.columns import OTHER_CHANNELS
from monitor.measures.measured import Measured
from monitor.record.reader import RecordReading
from monitor.study.loading import parse_study

CHANGED = "was changed after this program made it; it is not believed, and may be deleted"


def check_caches(path: Path) -> list[str]:
    """A sentence for each cache of a record that does not follow from it; none for one that is out of date, which is
    made again when it is needed."""
    try:
        return [*_check_columns(path), *_check_summary(path)]
    except (WitnessError, OSError):
        return []  # what is wrong with the record itself is told by whoever asks


def _check_columns(path: Path) -> list[str]:
    reading = RecordReading(path)
    if key_mark() is None or not claims_to_fit(path, reading.digest):
        return []
    kept = ColumnsDigest()
    try:
        columns = KeptColumns(path, reading.digest)
        for chunk in columns.chunks():
            for piece in chunk.pieces:
                if isinstance(piece, KeptRun):
                    kept.take(piece.run, piece.block)
    except ColumnsUnfit:
        return [f"{COLUMNS_NAME} {CHANGED}."]
    made = ColumnsDigest()
    session = Session(parse_study(reading.opening.study_text, f"study file in {path}"), reading.opening)
    session.on_measured = made.take
    for entries in reading.blocks():
        session.take(entries)
    if kept.told() != made.told():
        return [f"{COLUMNS_NAME} does not follow from the record; delete it."]
    return []


def _check_summary(path: Path) -> list[str]:
    if is_changed(path):
        return [f"{SUMMARY_NAME} {CHANGED}."]
    known = cached_summary(path)
    if known is not None and _plain(known.as_json()) != _plain(summarise_record(path).as_json()):
        return [f"{SUMMARY_NAME} does not follow from the record; delete it."]
    return []


def _plain(summary: dict[str, Any]) -> str:
    return json.dumps(summary, sort_keys=True)


class ColumnsDigest:
    """A digest of each column, the same however the frames are cut into blocks."""

    def __init__(self) -> None:
        self._of: dict[tuple[str, ...], Any] = {}

    def take(self, run: str, block: MeasuredBlock) -> None:
        """The next frames of a run."""
        frames, others = block.frames, block.frames.others
        for name in ("number", "seq", "t", "wall", "markers"):
            self._add(run, name, getattr(frames, name))
        for kind, columns in (("own", frames.own), ("signal", frames.signals)):
            for name, column in columns.items():
                self._add(run, f"{kind} {name}", column)
        self._add(run, "lead", block.lead_id)
        for name in OTHER_CHANNELS:
            self._add(run, f"lead's {name}", block.lead_channel(name))
        self._add(run, "lead row", block.lead_row - others.start[:-1] * (block.lead_row >= 0))
        for measures in (block.lead, block.lateral):
            for name, one in measures.items():
                self._add_measure(run, name, one)

    def told(self) -> dict[tuple[str, ...], str]:
        """The digests so far."""
        return {of: digest.hexdigest() for of, digest in self._of.items()}

    def _add_measure(self, run: str, name: str, measure: Measured) -> None:
        self._add(run, f"{name} value", measure.value)
        self._add(run, f"{name} state", measure.state)

    def _add(self, run: str, name: str, column: Any) -> None:
        self._of.setdefault((run, name), hashlib.sha256()).update(column.tobytes())

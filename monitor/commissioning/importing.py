"""A file of a past drive into a run record, so that it can be reviewed, replayed and judged like one of today.

The record is written as a recorder would have written it; its receive times are those of the file, not of the import.
"""

from __future__ import annotations

import hashlib
import platform
import secrets
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from monitor import __version__
from monitor.archive.earlier import earlier_exposures
from monitor.connect.bridge import map_in_hello
from monitor.connect.channel_map.mapped_drive import Counts, Translation
from monitor.connect.channel_map.model import ChannelMap, CsvSource
from monitor.connect.sources.csv import CsvReader
from monitor.errors import WitnessError
from monitor.feed.composing import FeedComposer
from monitor.following.beginning import check_participant
from monitor.record.entries import EntryKind, Opening, pack_frames, pack_map
from monitor.record.writer import RecordWriter
from monitor.study.model import Study

HELLO_EVERY_S = 1.0
"""Simulated seconds between the hellos of an imported drive."""
CHUNK_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import made."""

    record: Path
    digest: str
    counts: Counts
    refused: int
    last_refusal: str
    duration_s: float

    def as_json(self) -> dict[str, Any]:
        """For `import --json`."""
        counts = self.counts
        return {
            "record": str(self.record),
            "digest": self.digest,
            "frames": counts.frames,
            "markers": counts.markers,
            "drives": counts.drives,
            "duration_s": self.duration_s,
            "lost": counts.lost,
            "out_of_order": counts.out_of_order,
            "refused": self.refused,
            "last_refusal": self.last_refusal or None,
        }

    def sentences(self) -> list[str]:
        """In words."""
        counts = self.counts
        drives = "1 drive" if counts.drives == 1 else f"{counts.drives} drives"
        what = f"{counts.frames} frames, {counts.markers} markers, {counts.lost} lost"
        lines = [str(self.record), f"  {drives}, {self.duration_s:.1f} s: {what}"]
        if counts.out_of_order:
            lines.append(f"  {counts.out_of_order} lines left out: their time or number was behind the one before")
        if self.refused:
            lines.append(f"  FAULT  {self.refused} lines refused, the last because {self.last_refusal}")
        return [*lines, f"  closing digest {self.digest}"]


def import_csv(
    channels: ChannelMap,
    file: Path,
    study: Study,
    participant: str,
    group: str | None,
    records: Path,
    *,
    began: datetime | None = None,
) -> Imported:
    """Makes the record. `began`: when the drive began, where the file has no clock of the day; else the file's date.

    Raises `WitnessError` for a map of another kind, a file that cannot be read or gives no frame, a participant that
    the study does not have, and a directory that cannot be written.
    """
    check_participant(study, participant, group)
    if not isinstance(channels.source, CsvSource):
        raise WitnessError(f"{channels.path} is no map for files; its [source] must be of kind csv.")
    reader = CsvReader(channels, channels.source, file, None)
    sha256 = _digest(file)
    begin = began or datetime.fromtimestamp(file.stat().st_mtime, UTC)
    try:
        records.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WitnessError(f"{records}: records cannot be written there ({error.strerror}).") from error
    exposures, known = earlier_exposures(records, participant)
    stamp = begin.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    record = records.resolve() / f"{participant}-{stamp}-{secrets.token_hex(2)}.run"
    clock = _FileClock(begin.timestamp())
    opening = Opening(
        participant=participant,
        group=group,
        study_name=study.name,
        study_text=study.text,
        study_sha256=study.sha256,
        feeds=(f"file {file.name}",),
        versions={
            "trialwitness": __version__,
            "python": platform.python_version(),
            "imported_sha256": sha256,
            "channel_map_sha256": channels.sha256,
        },
        exposures=exposures,
        exposures_known=known,
    )
    writer = RecordWriter.create(record, opening, clock=clock)
    sentence = f"This drive was imported from the file {file.name} with the channel map {Path(channels.path).name}."
    fields = {"event": "imported", "sentence": sentence, "file": file.name, "sha256": sha256}
    writer.append(EntryKind.INTAKE, pack_map({**fields, "channel_map": channels.text}))
    outlet = _RecordOutlet(channels, writer, clock)
    translation = Translation(channels, outlet, lambda number: f"{file.stem[:40]}-{sha256[:8]}-{number}")
    try:
        while (samples := reader.samples(0.0)) is not None:
            for sample in samples:
                translation.take(sample)
        translation.finish()
        digest = writer.close(f"the import of {file.name} was done")
    except BaseException:
        writer.close("the import was not finished")
        shutil.rmtree(record)
        raise
    finally:
        reader.close()
    counts = translation.counts
    refused = counts.refused + reader.refused
    why = reader.last_refusal or counts.last_refusal
    if writer.synced != writer.last:
        raise WitnessError(f"{record}: the record is not whole: {writer.trouble}")
    if not counts.frames:
        shutil.rmtree(record)
        raise WitnessError(f"{file}: no line of it gives a frame{f' ({why})' if why else ''}; nothing was imported.")
    return Imported(record, digest, counts, refused, why, clock.elapsed_s)


class _FileClock:
    """The record's clocks, told by the file."""

    def __init__(self, began_wall_s: float) -> None:
        self._began_wall_s = began_wall_s
        self._base_s = 0.0
        self._first_t: float | None = None
        self.elapsed_s = 0.0
        self._wall_s = began_wall_s

    def begin_drive(self) -> None:
        """The next drive goes on where this one ended."""
        self._base_s, self._first_t = self.elapsed_s, None

    def at(self, t: float, wall: float | None) -> None:
        """It is simulation time `t`; `wall` where the file has a clock of the day."""
        if self._first_t is None:
            self._first_t = t
        self.elapsed_s = max(self._base_s + t - self._first_t, self.elapsed_s)
        self._wall_s = self._began_wall_s + self.elapsed_s if wall is None else wall

    def monotonic_ns(self) -> int:
        """Nanoseconds since the file's first line."""
        return round(self.elapsed_s * 1e9)

    def wall_ns(self) -> int:
        """Nanoseconds since 1970, as the file says, or counted from its begin."""
        return round(self._wall_s * 1e9)


class _RecordOutlet:
    """A drive as messages of the feed, straight into the record."""

    def __init__(self, channels: ChannelMap, writer: RecordWriter, clock: _FileClock) -> None:
        self._map, self._writer, self._clock = channels, writer, clock
        self._composer: FeedComposer | None = None
        self._greeted = False
        self._hello_due_t = 0.0

    @property
    def seq(self) -> int:
        return self._drive().seq

    @seq.setter
    def seq(self, number: int) -> None:
        self._drive().seq = number

    def begin_drive(
        self, run: str, *, participant: str | None = None, group: str | None = None, scenario: str | None = None
    ) -> None:
        channels = self._map
        self._clock.begin_drive()
        self._composer = FeedComposer(
            run=run,
            source=channels.feed_source,
            rate_hz=channels.rate_hz,
            signals={name: one.unit for name, one in channels.signals.items()},
            participant=participant,
            group=group,
            scenario=scenario,
            road=None if channels.road is None else channels.road.as_hello(),
        )
        self._hello_due_t = -float("inf")

    def frame(
        self,
        t: float,
        own: Mapping[str, float],
        others: Mapping[str, Sequence[Any]],
        signals: Mapping[str, float | bool],
        wall: float | None,
    ) -> int:
        composer = self._drive()
        payload = composer.frame(t, own, others, signals, wall)
        self._clock.at(t, wall)
        self._hello_if_due(t)
        self._append("frame", payload)
        return composer.frame_sent()

    def marker(self, kind: str, name: str, t: float, data: Mapping[str, Any] | None = None) -> int:
        composer = self._drive()
        fields = composer.marker(kind, name, t, data)
        payload = composer.pack_marker(fields)
        self._hello_if_due(t)
        self._append("marker", payload)
        return composer.marker_sent(fields)

    def _drive(self) -> FeedComposer:
        assert self._composer is not None, "a drive begins before anything is sent"
        return self._composer

    def _hello_if_due(self, t: float) -> None:
        if t >= self._hello_due_t:
            more = {} if self._greeted else map_in_hello(self._map)
            self._greeted = True
            self._append("hello", self._drive().hello(more))
            self._hello_due_t = t + HELLO_EVERY_S

    def _append(self, topic: str, payload: bytes) -> None:
        self._writer.append(EntryKind.MESSAGE, pack_frames([topic.encode(), payload]))


def _digest(file: Path) -> str:
    digest = hashlib.sha256()
    with file.open("rb") as opened:
        while chunk := opened.read(CHUNK_BYTES):
            digest.update(chunk)
    return digest.hexdigest()

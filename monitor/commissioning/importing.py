"""A file of a past drive into a run record, so that it can be reviewed, replayed and judged like one of today.

The file is judged dry first: what cannot be right is refused, unless it is told to be taken all the same. The record is
written as a recorder would have written it; its receive times are those of the file, not of the import.
"""

from __future__ import annotations

import hashlib
import platform
import secrets
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from monitor import __version__
from monitor.archive.earlier import Earlier, earlier_of
from monitor.commissioning.as_recorded import RecordedDrive, SourceClock
from monitor.commissioning.check.dry.judged import NOBODY, DryJudging, DryReport
from monitor.connect.channel_map.mapped_drive import Counts, Translation
from monitor.connect.channel_map.model import ChannelMap
from monitor.connect.sources.files import Beside, DriveFile, Told
from monitor.errors import WitnessError
from monitor.following.beginning import Driving, check_participant
from monitor.named_files import make_directory, regular
from monitor.record.entries import EntryKind, Opening, pack_map
from monitor.record.writer import RecordWriter, Writing
from monitor.study.model import Study

CHUNK_BYTES = 1 << 20


class CannotBeRight(WitnessError):
    """Raised for a file that a map reads as something that cannot be right; `report` is its dry judging."""

    def __init__(self, file: Path, report: DryReport) -> None:
        self.report = report
        count = len(report.faults)
        faults = "1 fault says" if count == 1 else f"{count} faults say"
        super().__init__(
            f"{file}: {faults} that the map does not read this file rightly; nothing was imported. Mend the map, or "
            "import it all the same with --despite-faults."
        )


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import made."""

    record: Path
    digest: str
    counts: Counts
    refused: int
    last_refusal: str
    duration_s: float
    report: DryReport

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
            "dry": self.report.as_json(),
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


@dataclass(frozen=True, slots=True)
class PastDrive:
    """The file of a past drive, and how it is read. `began`: when the drive began, where the file has no clock of the
    day; else the file's date. `telling` gives, for the name of a reading, what hears how far it is."""

    channels: ChannelMap
    file: Path
    further: tuple[Beside, ...] = ()
    began: datetime | None = None
    telling: Callable[[str], Told] | None = None

    @property
    def maps(self) -> list[ChannelMap]:
        """The maps of what lies beside it."""
        return [one.map for one in self.further]

    def opened(self) -> DriveFile:
        """The file, to be read from its start. Raises `WitnessError` where it cannot be read."""
        return DriveFile(self.channels, self.file, self.further)

    def told(self, reading: str) -> Told | None:
        """What hears how far a reading is."""
        return self.telling(reading) if self.telling is not None else None


def judge_file(
    past: PastDrive,
    study: Study,
    who: Driving = NOBODY,
    earlier: Earlier = Earlier(),  # noqa: B008 - frozen
) -> DryReport:
    """The dry judging of a whole file. Raises `WitnessError` where it cannot be read."""
    opened = past.opened()
    dry = DryJudging(study, [past.channels, *past.maps], who, earlier, now_s=lambda: opened.now_s)
    try:
        opened.read(dry.translation, dry.joined, dry.sources, past.told("judging"))
        dry.finish()
    finally:
        opened.close()
    return dry.report(str(past.file), opened.refused, opened.last_refusal, opened.doubts)


def import_drive(
    past: PastDrive, study: Study, who: Driving, records: Path, *, despite_faults: bool = False
) -> Imported:
    """Makes the record. The file is read twice.

    Raises `WitnessError` for a map of another kind, a file that cannot be read or gives no frame, a participant that
    the study does not have, and a directory that cannot be written; `CannotBeRight` unless `despite_faults`.
    """
    check_participant(study, who.participant, who.group)
    file, channels = past.file, past.channels
    earlier = earlier_of(records, who.participant) if records.is_dir() else Earlier()
    report = judge_file(past, study, who, earlier)
    if not report.frames:
        why = f" ({report.last_refusal})" if report.last_refusal else ""
        why += "".join(f"; {fault.rstrip('.')}" for fault in report.faults[:3])
        raise WitnessError(f"{file}: no line of it gives a frame{why}; nothing was imported.")
    if report.faults and not despite_faults:
        raise CannotBeRight(file, report)
    try:
        make_directory(records)
    except OSError as error:
        raise WitnessError(f"{records}: records cannot be written there ({error.strerror}).") from error
    sha256 = _digest(file)
    begin = past.began or datetime.fromtimestamp(file.stat().st_mtime, UTC)
    stamp = begin.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    record = records.resolve() / f"{who.participant}-{stamp}-{secrets.token_hex(2)}.run"
    clock = SourceClock(begin.timestamp())
    opening = Opening(
        participant=who.participant,
        group=who.group,
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
        exposures=earlier.exposures,
        exposures_known=earlier.known,
    )
    writer = RecordWriter.create(record, opening, Writing(clock=clock))
    sentence = f"This drive was imported from the file {file.name} with the channel map {Path(channels.path).name}."
    fields: dict[str, Any] = {"event": "imported", "sentence": sentence, "file": file.name, "sha256": sha256}
    if report.faults:
        fields["despite_faults"] = report.faults[:32]
    writer.append(EntryKind.INTAKE, pack_map({**fields, "channel_map": channels.text}))
    drive = RecordedDrive(channels, lambda payload: writer.append(EntryKind.MESSAGE, payload), clock, past.maps)
    opened = past.opened()
    joined, sources = drive.joined_with(past.maps, lambda: opened.now_s)
    translation = Translation(channels, joined or drive, lambda number: f"{file.stem[:40]}-{sha256[:8]}-{number}")
    try:
        opened.read(translation, joined, sources, past.told("writing the record"))
        translation.finish()
        if joined is not None:
            joined.flush(everything=True)
        digest = writer.close(f"the import of {file.name} was done")
    except BaseException:
        writer.close("the import was not finished")
        shutil.rmtree(record)
        raise
    finally:
        opened.close()
    if writer.synced != writer.last:
        raise WitnessError(f"{record}: the record is not whole: {writer.trouble}")
    return Imported(record, digest, translation.counts, report.refused, report.last_refusal, clock.elapsed_s, report)


def _digest(file: Path) -> str:
    digest = hashlib.sha256()
    with open(file, "rb", opener=regular) as opened:
        while chunk := opened.read(CHUNK_BYTES):
            digest.update(chunk)
    return digest.hexdigest()

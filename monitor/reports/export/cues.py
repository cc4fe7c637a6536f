"""Cues for the room's video: WebVTT (W3C), so that any video player jumps to each trigger, alert, note and ruling.

Their times count from the video's first picture. The operator's video mark is seen in the video at a stated time; what
lies between the mark and an event is taken by the recorder's clock, because a video runs on through pauses and from one
drive to the next.
"""

from __future__ import annotations

import csv
import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from monitor.archive.summary import reasons_of
from monitor.errors import WitnessError
from monitor.feed.marker_kinds import KINDS
from monitor.judging.blinding import masked_from
from monitor.judging.case.trial import VIDEO_MARK, Trial
from monitor.named_files import read_named
from monitor.reports.export.cells import plain_text
from monitor.reports.export.drives import DriveColumns, WholeRun
from monitor.reports.export.tables import Tables

ENDING = ".run"
SHOWN_S = 5.0
"""How long a cue stands."""


@dataclass(frozen=True, slots=True)
class Cue:
    """One cue: seconds since 1970 by the recorder's clock, a name for it, and what it says."""

    wall: float
    name: str
    text: str


@dataclass(frozen=True, slots=True)
class VideoTimes:
    """Where the video mark is seen in the video, in seconds: one time for all records, or one for each by its name
    without its ending."""

    everywhere_s: float | None = 0.0
    by_record: Mapping[str, float] = field(default_factory=dict)

    def of(self, record: str) -> float | None:
        """For a record by its name, with or without its ending; None where the times of records leave it out."""
        return self.by_record.get(record.removesuffix(ENDING), self.everywhere_s)


@dataclass(slots=True)
class CuesExport:
    """One file a record, in a directory that exists."""

    directory: Path
    masked: bool
    video: VideoTimes
    said: list[str] = field(default_factory=list)
    """What somebody who looks at the files must know, one sentence each."""
    of_nothing: set[str] = field(default_factory=set)
    """Records that only the file of times has."""

    def __post_init__(self) -> None:
        self.of_nothing = set(self.video.by_record)

    def add(self, run: WholeRun, tables: Tables) -> None:
        """The cues of one record."""
        cues = sorted(cues_of(run, masked=self.masked), key=lambda cue: (cue.wall, cue.name))
        notes = run.session.operator.notes
        told = run.session.told_times(unblinded=not self.masked)
        made = [note.wall for note in notes if note.code == VIDEO_MARK and note.retracted is None]
        marks = [wall for wall in made if told.wall(wall) is not None]
        name = run.path.name
        seen_s = self.video.of(name)
        self.of_nothing.discard(run.path.stem)
        placed = bool(marks) and seen_s is not None
        zero = marks[0] - seen_s if marks and seen_s is not None else run.began_ns / 1e9
        if not placed:
            why = "is not in the file of --video-at" if marks else "has no video mark"
            why += " before the drive whose response is hidden" if made and not marks else ""
            self.said.append(f"{name} {why}: its cues count from the record's first entry.")
        if len(marks) > 1:
            apart = ", ".join(f"{wall - marks[0]:.1f} s" for wall in marks[1:])
            self.said.append(
                f"{name} has {len(marks)} video marks: its cues are placed by the first one; the others came {apart} "
                "after it. One made by mistake can be taken back."
            )
        before = sum(cue.wall < zero for cue in cues)
        if before:
            self.said.append(
                f"{name}: {before} of {len(cues)} cues lie before the video's first picture and are left out; say "
                "where the video mark is seen in the video with --video-at."
            )
        text = webvtt(run, [cue for cue in cues if cue.wall >= zero], zero, marked=placed)
        (self.directory / f"{run.path.stem}.vtt").write_text(text, encoding="utf-8", newline="\n")

    def finish(self, tables: Tables) -> None:
        """Says which times were of no record here."""
        for record in sorted(self.of_nothing):
            self.said.append(f"--video-at: {plain_text(record)} is no record of this directory.")


def video_times(text: str) -> VideoTimes:
    """From "12.5" (seconds), or from a CSV file with the columns record and video_s; raises `WitnessError`."""
    try:
        return VideoTimes(everywhere_s=_seconds(text))
    except ValueError as error:
        if not Path(text).exists():
            raise WitnessError(
                f"--video-at: {text} is no number of seconds from 0 on, and no file that is there."
            ) from error
    try:
        with read_named(text, "utf-8-sig") as file:
            rows = list(csv.DictReader(file))
        times = [(row["record"].strip().removesuffix(ENDING), _seconds(row["video_s"])) for row in rows]
    except OSError as error:
        raise WitnessError(f"{text} cannot be read: {error.strerror}.") from error
    except (KeyError, ValueError, TypeError, AttributeError, csv.Error) as error:
        raise WitnessError(
            f"{text}: a CSV file with the columns record and video_s (in seconds) is wanted ({error})."
        ) from error
    twice = sorted(name for name, number in Counter(name for name, _ in times).items() if number > 1)
    if twice:
        raise WitnessError(f"{text}: there is more than one time for {', '.join(twice)}.")
    return VideoTimes(everywhere_s=None, by_record=dict(times))


def _seconds(text: str) -> float:
    seconds = float(text)
    if not 0.0 <= seconds < math.inf:
        raise ValueError(f"{text} is no number of seconds from 0 on")
    return seconds


def cues_of(run: WholeRun, *, masked: bool) -> Iterator[Cue]:
    """Triggers with their verdicts, alerts, contacts, notes and marks, rulings; unordered. Masked, nothing of a drive
    after the fire whose response is hidden, and nothing of a drive that followed it: the time at which the next trigger
    comes tells how the driver drove."""
    trials, told = run.session.trials(unblinded=not masked), run.session.told_times(unblinded=not masked)
    fired: dict[str, float] = {}
    for drive in run.drives:
        if told.follows(drive.log.index):
            continue
        hidden_from = masked_from(trials, drive.log.index) if masked else None
        for trial in trials:
            at = trial.fired_at if trial.fired_at is not None else trial.timing.expected_at
            if trial.drive != drive.log.index or at is None or (hidden_from is not None and at > hidden_from):
                continue
            wall = _wall_of(drive, at)
            if wall is not None:
                fired[trial.id] = wall
                yield Cue(wall, trial.id, _trial_text(trial))
        for marker in drive.log.markers.values():
            kind = KINDS[marker.kind]
            late = hidden_from is not None and marker.t > hidden_from
            if marker.kind == "alert_on" or (marker.kind == "collision" and not masked and not late):
                words = (kind.on_timeline or kind.name, marker.name, _modality(marker.data))
                name = f"{drive.log.index}/{marker.kind}/{marker.n}"
                yield Cue(marker.wall, name, " ".join(word for word in words if word))
    for number, note in enumerate(run.session.operator.notes, start=1):
        if told.wall(note.wall) is not None:
            yield Cue(note.wall, f"note {number}", f"{note.by}: {note.told}" if note.by else note.told)
    for trial in trials:
        if trial.ruling is not None:
            during = run.began_ns / 1e9 <= trial.ruling.wall <= run.session.last_wall_ns / 1e9
            wall = trial.ruling.wall if during and not trial.ruling.hides_when else fired.get(trial.id)
            if wall is not None:
                yield Cue(wall, f"ruling {trial.id}", _ruling_text(trial))


def webvtt(run: WholeRun, cues: Iterable[Cue], zero: float, *, marked: bool) -> str:
    """The file's text; `zero` is the recorder's clock at the video's first picture."""
    from_what = "the video mark" if marked else "the record's first entry, for want of a video mark"
    blocks = [
        f"WEBVTT {_line(run.path.name)}",
        f"NOTE Times count from the video's first picture, placed by {from_what}. Record digest {run.digest}.",
    ]
    for cue in cues:
        begin = cue.wall - zero
        body = "\n".join(_line(line) for line in cue.text.split("\n"))
        blocks.append(f"{_line(cue.name)}\n{_stamp(begin)} --> {_stamp(begin + SHOWN_S)}\n{body}")
    return "\n\n".join(blocks) + "\n"


def _wall_of(drive: DriveColumns, t: float) -> float | None:
    """The recorder's clock at a simulation time: that of the nearest marker, and the time to it."""
    near = min(drive.log.markers.values(), key=lambda one: abs(one.t - t), default=None)
    return None if near is None else near.wall + (t - near.t)


def _trial_text(trial: Trial) -> str:
    fired = "fired" if trial.fired_at is not None else f"did not fire ({trial.timing.result})"
    reasons = "; ".join(reasons_of(trial))
    return f"{trial.trigger} {fired}: {trial.effective.upper()}" + (f"\n{reasons}" if reasons else "")


def _ruling_text(trial: Trial) -> str:
    ruling = trial.ruling
    assert ruling is not None
    words = f"\n{ruling.words}" if ruling.words else ""
    return f"{trial.trigger} ruled {ruling.verdict} by {ruling.by} ({ruling.reason}), computed {trial.verdict}{words}"


def _modality(data: Mapping[str, object]) -> str:
    given = data.get("modality")
    return "+".join(str(one) for one in given) if isinstance(given, list | tuple) else str(given or "")


def _line(text: str) -> str:
    """One line of cue text: what the format takes for markup or for an arrow is escaped."""
    return plain_text(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;") or "–"


def _stamp(seconds: float) -> str:
    whole = round(seconds * 1000.0)
    minutes, milliseconds = divmod(whole, 60_000)
    return f"{minutes // 60:02d}:{minutes % 60:02d}:{milliseconds // 1000:02d}.{milliseconds % 1000:03d}"

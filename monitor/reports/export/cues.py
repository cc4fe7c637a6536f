"""Cues for the room's video: WebVTT (W3C), so that any video player jumps to each trigger, alert, note and ruling.

Their times count from the video's first picture. The operator's video mark is seen in the video at a stated time; what
lies between the mark and an event is taken by the recorder's clock, because a video runs on through pauses and from one
drive to the next.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from monitor.archive.summary import reasons_of
from monitor.errors import WitnessError
from monitor.feed.marker_kinds import KINDS
from monitor.judging.blinding import masked_from
from monitor.judging.case.trial import Trial
from monitor.reports.export.drives import DriveColumns, WholeRun
from monitor.reports.export.tables import Tables, plain_text

VIDEO_MARK = "video-sync"
"""Code of the operator's mark that is seen in the video."""
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
    """Where the video mark is seen in the video, in seconds: one time for all records, or one for each."""

    everywhere_s: float = 0.0
    by_record: Mapping[str, float] = field(default_factory=dict)

    def of(self, record: str) -> float:
        """For a record by its name, with or without its ending."""
        return self.by_record.get(record, self.by_record.get(record.removesuffix(".run"), self.everywhere_s))


@dataclass(slots=True)
class CuesExport:
    """One file a record, in a directory that exists."""

    directory: Path
    masked: bool
    video: VideoTimes
    said: list[str] = field(default_factory=list)
    """What somebody who looks at the files must know, one sentence each."""

    def add(self, run: WholeRun, tables: Tables) -> None:
        """The cues of one record."""
        cues = sorted(cues_of(run, masked=self.masked), key=lambda cue: (cue.wall, cue.name))
        marks = [note.wall for note in run.session.operator.notes if note.text == VIDEO_MARK]
        zero = marks[0] - self.video.of(run.path.name) if marks else run.began_ns / 1e9
        name = run.path.name
        if not marks:
            self.said.append(f"{name} has no video mark: its cues count from the record's first entry.")
        before = sum(cue.wall < zero for cue in cues)
        if before:
            self.said.append(
                f"{name}: {before} of {len(cues)} cues lie before the video's first picture and are left out; say "
                "where the video mark is seen in the video with --video-at."
            )
        text = webvtt(run, [cue for cue in cues if cue.wall >= zero], zero, marked=bool(marks))
        (self.directory / f"{run.path.stem}.vtt").write_text(text, encoding="utf-8", newline="\n")

    def finish(self, tables: Tables) -> None:
        """Nothing is left to be written."""


def video_times(text: str) -> VideoTimes:
    """From "12.5" (seconds), or from a CSV file with the columns record and video_s; raises `WitnessError`."""
    try:
        return VideoTimes(everywhere_s=float(text))
    except ValueError:
        pass
    try:
        with Path(text).open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
        return VideoTimes(by_record={row["record"].strip(): float(row["video_s"]) for row in rows})
    except OSError as error:
        raise WitnessError(
            f"{text} is no number of seconds, and no file that can be read: {error.strerror}."
        ) from error
    except (KeyError, ValueError, AttributeError, csv.Error) as error:
        raise WitnessError(
            f"{text}: a CSV file with the columns record and video_s (in seconds) is wanted ({error})."
        ) from error


def cues_of(run: WholeRun, *, masked: bool) -> Iterator[Cue]:
    """Triggers with their verdicts, alerts, contacts, notes and marks, rulings; unordered. Masked, nothing of a drive
    after the fire whose response is hidden: the time at which the next trigger comes tells how the driver drove."""
    trials = run.session.trials(unblinded=not masked)
    fired: dict[str, float] = {}
    for drive in run.drives:
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
        yield Cue(note.wall, f"note {number}", f"{note.by}: {note.text}" if note.by else note.text)
    for trial in trials:
        if trial.ruling is not None:
            during = run.began_ns / 1e9 <= trial.ruling.wall <= run.session.last_wall_ns / 1e9
            wall = trial.ruling.wall if during else fired.get(trial.id)
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

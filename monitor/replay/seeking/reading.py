"""The pass over a record from which a replay knows its trials and where things are.

It keeps no entry, and no frame further back than judging itself does: memory grows by some kilobytes for every few
hundred entries, and never beyond `MOST_CHECKPOINTS` checkpoints and `MOST_PLACES` places.
"""

from __future__ import annotations

import copy
import math
import threading
from array import array
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from monitor.following.keeping import Keeping
from monitor.judging.blinding import hide
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.trial import Trial
from monitor.judging.session import DriveTrials, Session, Track, retention_s
from monitor.record.entries import Entry, EntryKind, unpack_map
from monitor.record.reader import RecordReading
from monitor.record.sources import newest
from monitor.replay.lines.line import LineMaking
from monitor.replay.seeking.copy import copy_session
from monitor.replay.seeking.map import Checkpoint, Kept, Place, PlaceKind, RecordMap, TimeAxis
from monitor.study.loading import parse_study
from monitor.study.model import Study

AT_ONCE = 512
"""Entries read together."""

TAKE_S = 5.0
"""Entries of at most about so many seconds of the drive are judged together: a seek has at most so much to read after a
checkpoint, and the frames that a row looks back on are still there (judging keeps 10 s more than it needs)."""

FEWEST_AT_ONCE = 32

MOST_CHECKPOINTS = 2000
MOST_PLACES = 20_000
MOST_KEPT = 24
"""Whole sessions kept about fires, each a look-back of frames that it mostly shares with the one before it."""

TIMES_EVERY_S = 0.5
FIRST_MESSAGE_WITHIN = 1000
"""Entries looked through for the first message before the pass begins."""


class MapMaking:
    """The pass. `map` grows while it runs; `run` may be called in a thread, `stop` ends it early."""

    def __init__(self, path: Path, study: Study | None = None) -> None:
        """Raises `RecordUnreadable`, and `StudyFaults` where the study in the record does not load."""
        self._reading = RecordReading(path)
        opening = self._reading.opening
        used = study or parse_study(opening.study_text, f"study file in {path}")
        self._session = Session(used, opening)
        self._axis = TimeAxis()
        start = Checkpoint(0, 0.0, self._axis, 0, math.nan, copy_session(self._session, frames=False))
        self.map = RecordMap(path, used, retention_s(used), self._length_s(), [start], state=self._reading.state)
        self._lines = LineMaking(used)
        self.map.lines = self._lines.lines
        self.keeping = Keeping(used)
        """What a picture shows of longer ago than a session keeps frames."""
        self._losses_to = 0
        self._markers: set[tuple[int, int]] = set()
        self._last_t: dict[int, float] = {}
        self._spacing = 1
        self._new_places: list[Place] = []
        self._before: Kept | None = None
        self._stop = threading.Event()

    @property
    def is_blind(self) -> bool:
        """Whether the record is blind."""
        return self._session.blind

    def stop(self) -> None:
        """Ends the pass after the entries at hand."""
        self._stop.set()

    def run(self, progress: Callable[[float], None] | None = None) -> RecordMap:
        """Reads the record to its end; `progress` is given the part read, 0 … 1."""
        found = self.map
        for entries in self._reading.blocks(0, AT_ONCE):
            if self._stop.is_set():
                return found
            at_once = self._at_once()
            for first in range(0, len(entries), at_once):
                self._take(entries[first : first + at_once])
            if progress is not None and found.length_s > 0.0:
                progress(min(found.read_to_s / found.length_s, 1.0))
        found.damage = tuple(one.what for one in self._reading.damage)
        found.state = self._reading.state
        found.length_s = found.read_to_s
        found.session = self._session
        if self._session.blind:
            found.lifted = frozenset(trial.id for trial in self._session.trials() if not trial.response_hidden)
        found.done = True
        return found

    def _length_s(self) -> float:
        """Length of the record before it has been read: right unless the recorder's machine was started again."""
        last = newest(self._reading.sources)
        for entries in self._reading.blocks(0, 64):
            first = next((entry for entry in entries if entry.kind is EntryKind.MESSAGE), None)
            if first is not None and last is not None:
                return max((last.entry.monotonic_ns - first.monotonic_ns) / 1e9, 0.0)
            if entries[-1].number > FIRST_MESSAGE_WITHIN:
                break
        return 0.0

    def _at_once(self) -> int:
        """Entries to take together, by the rate that the feed states."""
        drive = self._session.current
        hello = drive.log.hello if drive is not None else None
        return AT_ONCE if hello is None else int(min(max(TAKE_S * hello.rate_hz, FEWEST_AT_ONCE), AT_ONCE))

    def _take(self, entries: list[Entry]) -> None:
        found, session = self.map, self._session
        at_s: dict[int, float] = {}
        for entry in entries:
            missing = entry.number - found.read_to_number - 1
            self._axis = self._axis.after(entry)
            at_s[entry.number] = self._axis.at_s
            found.read_to_number = entry.number
            if missing > 0:
                found.holes.append((self._axis.at_s, missing))
                words = "1 entry" if missing == 1 else f"{missing} entries"
                self._place("loss", self._axis.at_s, math.nan, f"{words} of the record damaged")
                found.damage = tuple(one.what for one in self._reading.damage)
            if entry.kind is EntryKind.OPERATOR:
                self._take_note(entry)
        first_new = len(session.drives)
        session.take(entries)
        self._lines.take(session)
        self.keeping.take(session)
        for drive in session.drives[max(first_new - 1, 0) :]:
            self._note_times(drive.log, at_s)
            if drive.log.index > first_new:
                begins = found.times[drive.log.index][1][:1]
                self._place("drive", begins[0] if begins else self._axis.at_s, math.nan, f"drive {drive.log.index}")
            self._note_places(drive.log, at_s)
            self._note_done(drive)
        if self._new_places:
            # a new list, because other threads look at the old one
            found.places = sorted([*found.places, *self._new_places], key=lambda one: one.at_s)[:MOST_PLACES]
            self._new_places = []
        self._keep_about_fires(entries[-1].number)
        if entries[-1].number - found.checkpoints[-1].number >= self._spacing:
            self._add_checkpoint(entries[-1].number)
        found.read_to_s = self._axis.at_s

    def _keep_about_fires(self, number: int) -> None:
        """Keeps whole sessions from before a fire until its trial is done: seeks there are the most frequent ones, and
        a trial that is being judged needs its whole look-back."""
        drive, found = self._session.current, self.map
        if drive is None or len(found.kept) >= MOST_KEPT:
            return
        undone = [track for tracks in drive.tracks.values() for track in tracks if track.marker and not is_done(track)]
        if undone and self._before is not None:
            found.kept = [*found.kept, self._before]
        self._before = (number, self._axis, copy_session(self._session, frames=True))

    def _add_checkpoint(self, number: int) -> None:
        found, drive = self.map, self._session.current
        index = drive.log.index if drive is not None else 0
        t = drive.log.newest_t if drive is not None else math.nan
        session = copy_session(self._session, frames=False)
        found.checkpoints.append(Checkpoint(number, self._axis.at_s, self._axis, index, t, session))
        if len(found.checkpoints) > MOST_CHECKPOINTS:
            found.checkpoints = found.checkpoints[::2]
            self._spacing = 2 * (found.checkpoints[-1].number - found.checkpoints[-2].number) - 1

    def _take_note(self, entry: Entry) -> None:
        fields = unpack_map(entry.payload)
        if fields.get("type") in ("note", "mark"):
            t, drive = fields.get("at"), fields.get("drive")
            words = str(fields.get("text") or fields.get("code") or "")
            at_t = float(t) if isinstance(t, (int, float)) else math.nan
            self._place("note", self._axis.at_s, at_t, words, drive=drive if isinstance(drive, int) else None)

    def _note_times(self, log: DriveLog, at_s: dict[int, float]) -> None:
        """Pairs of drive time and record time; the frames that are new are those of the entries just taken."""
        known_t, known_at_s = self.map.times.setdefault(log.index, (array("d"), array("d")))
        last_t = self._last_t.get(log.index, -math.inf)
        for block in log.blocks:
            first = int(np.searchsorted(block.frames.t, last_t, side="right"))
            for number, t in zip(block.frames.number[first:].tolist(), block.frames.t[first:].tolist(), strict=True):
                # the last frame of all must be known, too
                if not known_t or t - known_t[-1] >= TIMES_EVERY_S or t == log.newest_t:
                    known_t.append(t)
                    known_at_s.append(at_s.get(number, self._axis.at_s))
        self._last_t[log.index] = log.newest_t

    def _note_places(self, log: DriveLog, at_s: dict[int, float]) -> None:
        for marker in log.markers.values():
            if marker.kind == "trigger" and (log.index, marker.n) not in self._markers:
                self._markers.add((log.index, marker.n))
                self._place("trigger", at_s.get(marker.number, self._axis.at_s), marker.t, marker.name, drive=log.index)
        for loss in log.losses:
            if loss.number > self._losses_to:
                self._losses_to = loss.number
                words = "1 frame lost" if loss.count == 1 else f"{loss.count} frames lost"
                self._place("loss", at_s.get(loss.number, self._axis.at_s), loss.after_t, words, drive=log.index)

    def _note_done(self, drive: DriveTrials) -> None:
        """Keeps the trials that nothing changes any more."""
        done = self.map.done_tracks
        for name, tracks in drive.tracks.items():
            for track in tracks:
                key = (drive.log.index, name, track.occurrence)
                known = done.get(key)
                if not is_done(track) or (known is not None and known.trial is track.trial):
                    continue
                done[key] = copy.copy(track)
                if track.trial is not None:
                    self._note_findings(track.trial)

    def _note_findings(self, trial: Trial) -> None:
        found = self.map
        expected = trial.timing.expected_at
        if trial.fired_at is None and expected is not None:
            label = f"{trial.trigger} expected, not fired"
            self._place("trigger", found.at_s_of(trial.drive, expected), expected, label, drive=trial.drive)
        told = hide(found.study, [replace(trial, blind=True)])[0] if self.is_blind else trial
        for finding in told.findings:
            if finding.at is not None:
                at_s = found.at_s_of(trial.drive, finding.at)
                self._place("finding", at_s, finding.at, f"{finding.code}: {finding.sentence}", drive=trial.drive)

    def _place(self, kind: PlaceKind, at_s: float, t: float, label: str, *, drive: int | None = None) -> None:
        # before a drive's first message has been judged it counts as the first
        index = max(len(self._session.drives), 1) if drive is None else drive
        self._new_places.append(Place(kind, max(at_s, 0.0), index, t, label))


def is_done(track: Track) -> bool:
    """Whether nothing about a trial can change any more, the operator's ruling apart."""
    return track.final_at is not None and (track.marker is None or track.response_done)

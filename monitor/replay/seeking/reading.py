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

from monitor.archive.record_pass import RecordPass, Step, StoppedPass
from monitor.following.kept.keeping import Keeping
from monitor.judging.blinding import hide, is_blind
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.trial import Trial
from monitor.judging.session import DriveTrials, Session, retention_s
from monitor.measures.columns import FloatArray
from monitor.record.entries import Entry, EntryKind, unpack_map
from monitor.record.sources import newest
from monitor.replay.lines.line import LineMaking
from monitor.replay.seeking.map import Place, PlaceKind, RecordMap, Stop, TimeAxis, stop_at
from monitor.study.model import Study

TAKE_S = 8.0
"""Entries of at most about so many seconds of the drive are judged together: a seek has at most so much to read after a
checkpoint, and the frames that a row looks back on are still there (judging keeps 10 s more than it needs)."""

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
        self._pass = RecordPass(path, study, keep=True)
        used = self._pass.study
        start = stop_at(Session(used, self._pass.opening), TimeAxis(), frames=False)
        length_s = self._length_s()
        self.map = RecordMap(path, used, retention_s(used), length_s, [start], state=self._pass.reading.state)
        self.is_blind = is_blind(used, self._pass.opening)
        """Whether the record is blind."""
        self._stop = threading.Event()
        self._begin()

    def _begin(self) -> None:
        """Nothing has been read yet, or it is void."""
        found, study = self.map, self.map.study
        self._axis = TimeAxis()
        self._lines = LineMaking(study)
        self.keeping = Keeping(study)
        """What a picture shows of longer ago than a session keeps frames."""
        self._losses_to = 0
        self._markers: set[tuple[int, int]] = set()
        self._last_t: dict[int, float] = {}
        self._drives = 0
        self._spacing = 1
        self._new_places: list[Place] = []
        self._before: Stop | None = None
        found.lines = self._lines.lines
        found.checkpoints, found.kept, found.places, found.holes = found.checkpoints[:1], [], [], []
        found.done_tracks, found.times = {}, {}
        found.read_to_s, found.read_to_number = 0.0, 0

    def stop(self) -> None:
        """Ends the pass after the entries at hand."""
        self._stop.set()

    def run(self, progress: Callable[[float], None] | None = None) -> RecordMap:
        """Reads the record to its end; `progress` is given the part read, 0 … 1."""
        found = self.map

        def follow(session: Session) -> Callable[[Step], None]:
            self._begin()

            def took(step: Step) -> None:
                if self._stop.is_set():
                    raise StoppedPass
                self._take(session, step)
                if progress is not None and found.length_s > 0.0:
                    progress(min(found.read_to_s / found.length_s, 1.0))

            return took

        try:
            passed = self._pass.run(follow, step_s=TAKE_S)
        except StoppedPass:
            return found
        found.damage, found.state = passed.damage, passed.state
        found.length_s = found.read_to_s
        found.session = passed.session
        found.kept = [*found.kept, stop_at(passed.session, self._axis, frames=True)]  # the end is asked for most often
        if passed.session.blind:
            found.lifted = frozenset(trial.id for trial in passed.session.trials() if not trial.response_hidden)
        found.done = True
        return found

    def _length_s(self) -> float:
        """Length of the record before it has been read: right unless the recorder's machine was started again."""
        last = newest(self._pass.reading.sources)
        for entries in self._pass.reading.blocks(0, 64):
            first = next((entry for entry in entries if entry.kind is EntryKind.MESSAGE), None)
            if first is not None and last is not None:
                return max((last.entry.monotonic_ns - first.monotonic_ns) / 1e9, 0.0)
            if entries[-1].number > FIRST_MESSAGE_WITHIN:
                break
        return 0.0

    def _take(self, session: Session, step: Step) -> None:
        """Notes what there is to see once the session has taken these entries."""
        found = self.map
        self._axis, at_s = self._axis.through(step)
        before = np.concatenate([[found.read_to_number], step.number[:-1]])
        for place in np.flatnonzero(step.number > before + 1).tolist():
            missing = int(step.number[place] - before[place]) - 1
            found.holes.append((float(at_s[place]), missing))
            words = "1 entry" if missing == 1 else f"{missing} entries"
            self._place("loss", float(at_s[place]), math.nan, f"{words} of the record damaged")
            found.damage = self._pass.damage
        for entry in step.operator:
            self._take_note(entry, _at(step, at_s, entry.number, math.nan))
        self._lines.take(session)
        self.keeping.take(session)
        for drive in session.drives[max(self._drives - 1, 0) :]:
            self._note_times(drive.log, step, at_s)
            if drive.log.index > self._drives:
                begins = found.times[drive.log.index][1][:1]
                self._place("drive", begins[0] if begins else self._axis.at_s, math.nan, f"drive {drive.log.index}")
            self._note_places(drive.log, step, at_s)
            self._note_done(drive)
        self._drives = len(session.drives)
        if self._new_places:
            # a new list, because other threads look at the old one
            found.places = sorted([*found.places, *self._new_places], key=lambda one: one.at_s)[:MOST_PLACES]
            self._new_places = []
        found.read_to_number = int(step.number[-1])
        self._keep_about_fires(session)
        if found.read_to_number - found.checkpoints[-1].number >= self._spacing:
            self._add_checkpoint(session)
        found.read_to_s = self._axis.at_s

    def _keep_about_fires(self, session: Session) -> None:
        """Keeps whole sessions from before a fire until its trial is done: seeks there are the most frequent ones, and
        a trial that is being judged needs its whole look-back."""
        drive, found = session.current, self.map
        if drive is None or len(found.kept) >= MOST_KEPT:
            return
        undone = [track for tracks in drive.tracks.values() for track in tracks if track.marker and not track.is_done]
        if undone and self._before is not None:
            found.kept = [*found.kept, self._before]
        self._before = stop_at(session, self._axis, frames=True)

    def _add_checkpoint(self, session: Session) -> None:
        found = self.map
        found.checkpoints.append(stop_at(session, self._axis, frames=False))
        if len(found.checkpoints) > MOST_CHECKPOINTS:
            found.checkpoints = found.checkpoints[::2]
            self._spacing = 2 * (found.checkpoints[-1].number - found.checkpoints[-2].number) - 1

    def _take_note(self, entry: Entry, at_s: float) -> None:
        fields = unpack_map(entry.payload)
        if fields.get("type") in ("note", "mark"):
            t, drive = fields.get("at"), fields.get("drive")
            words = str(fields.get("text") or fields.get("code") or "")
            at_t = float(t) if isinstance(t, (int, float)) else math.nan
            self._place("note", at_s, at_t, words, drive=drive if isinstance(drive, int) else None)

    def _note_times(self, log: DriveLog, step: Step, at_s: FloatArray) -> None:
        """Pairs of drive time and record time; the frames that are new are those of the entries just taken."""
        known_t, known_at_s = self.map.times.setdefault(log.index, (array("d"), array("d")))
        last_t = self._last_t.get(log.index, -math.inf)
        for block in log.blocks:
            t, number = block.frames.t, block.frames.number
            first = int(np.searchsorted(t, last_t, side="right"))
            due_t = known_t[-1] + TIMES_EVERY_S if known_t else -math.inf
            place, places = max(first, int(np.searchsorted(t, due_t))), list[int]()
            while place < len(t):
                places.append(place)
                place = max(int(np.searchsorted(t, t[place] + TIMES_EVERY_S)), place + 1)
            if first < len(t) and t[-1] == log.newest_t and places[-1:] != [len(t) - 1]:
                places.append(len(t) - 1)  # the last frame of all must be known, too
            known_t.extend(t[places].tolist())
            known_at_s.extend(_at(step, at_s, int(number[one]), self._axis.at_s) for one in places)
        self._last_t[log.index] = log.newest_t

    def _note_places(self, log: DriveLog, step: Step, at_s: FloatArray) -> None:
        for marker in log.markers.values():
            if marker.kind == "trigger" and (log.index, marker.n) not in self._markers:
                self._markers.add((log.index, marker.n))
                self._place(
                    "trigger", _at(step, at_s, marker.number, self._axis.at_s), marker.t, marker.name, drive=log.index
                )
        for loss in log.losses:
            if loss.number > self._losses_to:
                self._losses_to = loss.number
                words = "1 frame lost" if loss.count == 1 else f"{loss.count} frames lost"
                self._place("loss", _at(step, at_s, loss.number, self._axis.at_s), loss.after_t, words, drive=log.index)

    def _note_done(self, drive: DriveTrials) -> None:
        """Keeps the trials that nothing changes any more."""
        done = self.map.done_tracks
        for name, tracks in drive.tracks.items():
            for track in tracks:
                key = (drive.log.index, name, track.occurrence)
                known = done.get(key)
                if not track.is_done or (known is not None and known.trial is track.trial):
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
        index = max(self._drives, 1) if drive is None else drive
        self._new_places.append(Place(kind, max(at_s, 0.0), index, t, label))


def _at(step: Step, at_s: FloatArray, number: int, otherwise: float) -> float:
    """Seconds of the record at which an entry of a step came; of one that is not in it as given."""
    place = int(np.searchsorted(step.number, number))
    return float(at_s[place]) if place < len(step.number) and step.number[place] == number else otherwise

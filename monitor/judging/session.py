"""A whole record, growing: entries in, trials out. Trials are a function of the entries and the study, of nothing else.

Each trial is judged as of one entry: the first at which a frame lies past every window and the marker delay, or the
drive's end. So the same list of entries gives the same trials however it was cut into blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

import numpy as np

from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame, Marker, Refused
from monitor.judging.advice import what_now
from monitor.judging.beside import Beside
from monitor.judging.called import with_calls
from monitor.judging.drive import DriveLog, KeptRun, MeasuredBlock
from monitor.judging.exposure import Exposure, Shown, exposure_before
from monitor.judging.firing import FireWatch
from monitor.judging.judge import (
    Plan,
    final_frame_after_s,
    find_response_origin,
    judge_fired,
    judge_response,
    shown_as_of,
    wanted,
)
from monitor.judging.late_rule import looks_at_signals
from monitor.judging.operator import OperatorLog
from monitor.judging.received import MARKER_DELAY_S
from monitor.judging.sources import Sources
from monitor.judging.tables import FrameRun, pieces_of
from monitor.judging.tracks import STRIP_S as STRIP_S
from monitor.judging.tracks import DriveTrials as DriveTrials
from monitor.judging.tracks import Track as Track
from monitor.judging.tracks import came_before
from monitor.judging.tracks import retention_s as retention_s
from monitor.judging.trial import Trial
from monitor.judging.waiting import judge_waiting
from monitor.record.entries import Entry, EntryKind, Opening, unpack_frames, unpack_map
from monitor.study.model import Study
from monitor.study.standing import standing_from_map


class Session:
    """Takes a record's entries in order; `trials()` at any time is what they say so far."""

    def __init__(self, study: Study, opening: Opening) -> None:
        self.study = study
        self.opening = opening
        self.drives: list[DriveTrials] = []
        self.operator = OperatorLog(study.comfort_stop_at)
        self.last_number = 0
        self.last_wall_ns = 0
        self.last_monotonic_ns = 0
        self.bad = 0
        self.last_refusal: Refused | None = None
        self.intake: dict[str, Any] | None = None
        self.closed = False
        self.on_measured: Callable[[str, MeasuredBlock], None] | None = None
        """Is handed the frames of each run as soon as they are measured."""
        self._retain_s = retention_s(study)
        self.sources = Sources(opening.feeds[1:], self._retain_s)
        self._by_run: dict[str, int] = {}
        self.standing = standing_from_map(opening.standing)
        """How far the study was when the run began; None where nobody looked."""

    @property
    def group(self) -> str | None:
        """The participant's group: as planned, else as the simulator says."""
        if self.opening.group is not None:
            return self.opening.group
        hellos = [drive.log.hello for drive in self.drives if drive.log.hello is not None]
        return hellos[-1].group if hellos else None

    @property
    def current(self) -> DriveTrials | None:
        """The newest drive."""
        return self.drives[-1] if self.drives else None

    @property
    def is_deciding(self) -> bool:
        """Whether the next frame may change a verdict: a trial has fired and is not final, or a rule holds."""
        drive = self.current
        if drive is None or drive.log.ended:
            return False
        for name, watch in drive.watches.items():
            tracks = drive.tracks.get(name, ())
            if any(track.marker is not None and track.final_at is None for track in tracks):
                return True
            fired = sum(track.marker is not None for track in tracks)
            missed_after_s = watch.trigger.grace_s + 2.0 * MARKER_DELAY_S
            if any(drive.log.newest_t < rule.t + missed_after_s for rule in watch.expected[fired:]):
                return True
        return False

    def take(self, entries: Iterable[Entry]) -> None:
        """The next entries of the record, any number of them."""
        entries = list(entries)
        for piece in pieces_of(self.sources.add(entries)):
            if isinstance(piece, FrameRun):
                self._take_frames(piece)
                continue
            entry = piece
            self._stand_at(entry)
            if entry.kind is EntryKind.MESSAGE:
                self._take_message(entry)
            elif entry.kind is EntryKind.OPERATOR:
                self.operator.take(unpack_map(entry.payload))
            elif entry.kind is EntryKind.INTAKE:
                self.intake = unpack_map(entry.payload)
            elif entry.kind is EntryKind.CLOSE:
                self.closed = True
                if self.current is not None:
                    self.current.log.end(entry.number, "close")
        if entries:
            self._stand_at(entries[-1])
        self._settle()

    def take_kept(self, pieces: Iterable[Entry | KeptRun]) -> None:
        """What `take` was given once, with the frames as they were measured then: to judge them again, or by another
        study. Trials come out the same."""
        for piece in pieces:
            if not isinstance(piece, KeptRun):
                if piece.kind is EntryKind.FURTHER:
                    self.sources.add((piece,))  # looked at with the next frames
                else:
                    self.take([piece])
                continue
            numbers = piece.block.frames.number
            drive = self._drive_of(piece.run, int(numbers[0]))
            assert drive is not None
            drive.log.take_measured(replace(piece.block, road=drive.log.road))
            self.last_number = int(numbers[-1])
            self._settle()

    def take_addendum(self, fields: dict[str, Any]) -> None:
        """A ruling or note entered after the record was closed."""
        self.operator.take(fields)

    def trials(self) -> tuple[Trial, ...]:
        """All trials so far, by drive and time (fired, else expected), with the operator's rulings beside them."""
        self._refresh()
        found = [
            self._with_operator(drive, name, track.trial, track.shown)
            for drive in self.drives
            for name, tracks in drive.tracks.items()
            for track in tracks
            if track.trial is not None
        ]
        return tuple(sorted(found, key=_by_drive_and_time))

    def shown(self) -> list[tuple[str, str, Shown]]:
        """Surprise class, trial id, and whether the trial's hazard showed itself, for every trial so far."""
        self._refresh()
        return [
            (drive.watches[name].trigger.surprise_class, f"{drive.log.index}/{name}/{track.occurrence}", track.shown)
            for drive in self.drives
            for name, tracks in drive.tracks.items()
            for track in tracks
        ]

    def _with_operator(self, drive: DriveTrials, name: str, trial: Trial, shown: Shown) -> Trial:
        trigger, group = drive.watches[name].trigger, self._plan(drive).group
        trial = with_calls(trial, trigger, self.study, self.operator, shown, group, self.standing)
        ruling = self.operator.rulings.get(trial.id)
        revealed = trial.id in self.operator.revealed
        if ruling is None and not revealed:
            return trial
        trial = replace(trial, ruling=ruling, revealed=revealed, stage="ruled" if ruling else trial.stage)
        return replace(trial, what_now=what_now(trial, shown, self.study, group, self.standing)) if ruling else trial

    def _stand_at(self, entry: Entry) -> None:
        self.last_number = entry.number
        self.last_wall_ns, self.last_monotonic_ns = entry.wall_ns, entry.monotonic_ns

    def _take_frames(self, run: FrameRun) -> None:
        """What `_take_message` does with each of the frames."""
        self.last_number = number = int(run.table.number[run.first])
        drive = self._drive_of(run.run, number)
        self._stand_at(run.last)
        if drive is None:
            return
        drive.log.take_rows(run.table, run.first, run.stop)
        drive.log.last_received_ns = run.last.monotonic_ns
        if drive.log.must_flush:
            self._settle()

    def _take_message(self, entry: Entry) -> None:
        message = decode_message(unpack_frames(entry.payload))
        if isinstance(message, Refused):
            self.bad += 1
            self.last_refusal = message
            return
        drive = self._drive_of(message.run, entry.number)
        if drive is None:
            return
        wall = entry.wall_ns / 1e9
        if isinstance(message, Frame):
            drive.log.take_frame(message, entry.number)
            drive.log.last_received_ns = entry.monotonic_ns
            if drive.log.must_flush:
                self._settle()
        elif isinstance(message, Marker):
            if message.kind == "sync" and message.n not in drive.log.markers and drive.log.beside is not None:
                self.sources.take_to(entry.number)
                drive.log.beside.first_mark(message, entry.monotonic_ns / 1e9, entry.number)
            drive.log.take_marker(message, entry.number, wall)
        else:
            drive.log.take_hello(message, entry.number, wall)

    def _drive_of(self, run: str, number: int) -> DriveTrials | None:
        """The drive of a message's run; a new run begins a new drive. None for what comes late from an older drive."""
        index = self._by_run.get(run)
        if index is not None:
            return self.drives[index] if index == len(self.drives) - 1 else None
        if self.current is not None:
            self.current.log.end(number, "new drive")
            self._settle()
        roles = self.study.roles
        log = DriveLog(len(self.drives) + 1, run, self._retain_s)
        watches = {trigger.name: FireWatch(trigger, roles) for trigger in self.study.triggers}
        self._by_run[run] = len(self.drives)
        if self.sources.logs:
            self.sources.take_to(number)
            log.beside = Beside(self.sources, log, number)
            self.sources.on_sync = log.beside.second_mark
            for watch in watches.values():
                if looks_at_signals(watch.trigger):
                    watch.hopeful = FireWatch(watch.trigger, roles, missing="met")
        self.drives.append(DriveTrials(log, watches))
        return self.drives[-1]

    def _settle(self) -> None:
        """Judges the newest drive as far as its entries go."""
        self.sources.take_to(self.last_number)
        drive = self.current
        if drive is None:
            return
        block = drive.log.flush()
        if block is not None and self.on_measured is not None:
            self.on_measured(drive.log.run, block)
        drive.show(block)
        for watch in drive.watches.values():
            self._open_tracks(drive, watch)
        fired = [
            (watch, track)
            for name, watch in drive.watches.items()
            for track in drive.tracks.get(name, ())
            if track.marker is not None and not (track.final_at is not None and track.response_done)
        ]
        # earlier fires first: a later trial's exposure looks at them
        for watch, track in sorted(fired, key=lambda pair: pair[1].marker.t if pair[1].marker else 0.0):
            self._judge_track(drive, watch, track)
        for name, watch in drive.watches.items():
            for track in drive.tracks.get(name, ()):
                if track.marker is None and track.final_at is None:
                    self._judge_waiting(drive, watch, track)
        drive.log.trim()
        if drive.log.beside is not None:
            self.sources.trim()
            drive.log.beside.trim()

    def _open_tracks(self, drive: DriveTrials, watch: FireWatch) -> None:
        """A track for each marker of the trigger in order of arrival, and for each one that is still expected."""
        name = watch.trigger.name
        tracks = drive.tracks.setdefault(name, [])
        known = {track.marker.n for track in tracks if track.marker is not None}
        arrived = sorted(
            (m for m in drive.log.markers.values() if m.kind == "trigger" and m.name == name and m.n not in known),
            key=lambda marker: (marker.number, marker.n),
        )
        for marker in arrived:
            waiting = next((track for track in tracks if track.marker is None), None)
            if waiting is None:
                tracks.append(Track(len(tracks) + 1, marker))
            else:
                waiting.marker, waiting.final_at, waiting.trial = marker, None, None
        if drive.log.hello is not None:
            while len(tracks) < wanted(watch.trigger, drive.log):
                tracks.append(Track(len(tracks) + 1))

    def _plan(self, drive: DriveTrials) -> Plan:
        hello = drive.log.hello
        planned = self.opening.group
        group = planned if planned is not None else (hello.group if hello else None)
        return Plan(self.study, self.opening.participant, group, planned is not None, self.standing)

    def _judge_track(self, drive: DriveTrials, watch: FireWatch, track: Track) -> None:
        marker = track.marker
        assert marker is not None
        log, plan = drive.log, self._plan(drive)
        if track.final_at is None:
            final_at = self._number_at(log, marker.t + final_frame_after_s(watch.trigger), marker.number)
            if final_at is None:
                track.is_stale = True
                return
            self._judge_fired(drive, watch, track, final_at, final=True)
            track.final_at = final_at
        if self.last_number > track.final_at or log.ended:  # the verdict does not wait for its response
            self._time_response(plan, log, watch, track)

    def _judge_fired(self, drive: DriveTrials, watch: FireWatch, track: Track, number: int, *, final: bool) -> None:
        assert track.marker is not None
        earlier = self._exposure(drive, watch, track, number)
        track.trial, track.shown = judge_fired(
            self._plan(drive),
            drive.log,
            watch,
            track.marker,
            track.occurrence,
            earlier,
            number,
            settled=track.settled,
            final=final,
        )
        track.is_stale = False

    def _refresh(self) -> None:
        """Judges again what is not final and has had new entries."""
        drive = self.current
        if drive is None:
            return
        for name, tracks in drive.tracks.items():
            for track in tracks:
                if track.is_stale:
                    self._judge_fired(drive, drive.watches[name], track, self.last_number, final=False)

    def _time_response(self, plan: Plan, log: DriveLog, watch: FireWatch, track: Track) -> None:
        """The response of a final trial, once its horizon and the delay of a marker about it have passed."""
        marker, rule = track.marker, watch.trigger.response
        assert marker is not None
        assert track.trial is not None
        if rule is None:
            track.response_done = True
            return
        # the origin is at most half a second before the fire: before this no response can be complete
        due_t = max(track.response_due_t, marker.t + rule.horizon_s + 1.5)
        if log.end_number is None and log.newest_t < due_t:
            return
        hazard_s = watch.trigger.hazard.within_s if watch.trigger.hazard else 0.0
        t0 = find_response_origin(plan, log, watch, marker, track.occurrence, self.last_number)
        wait_to = (marker.t + hazard_s if t0 is None else t0) + rule.horizon_s + 2.0
        number_then = self._number_at(log, wait_to, marker.number)
        if number_then is None:
            track.response_due_t = wait_to
            return
        response = judge_response(plan, log, watch, marker, track.occurrence, track.trial.alert, number_then)
        track.trial = replace(track.trial, response=response)
        track.response_done = True

    def _judge_waiting(self, drive: DriveTrials, watch: FireWatch, track: Track) -> None:
        over = drive.log.end_number
        number = self.last_number if over is None else over
        earlier = self._exposure(drive, watch, track, number)
        track.trial, track.shown = judge_waiting(self._plan(drive), drive.log, watch, track.occurrence, earlier, number)
        track.final_at = over

    def _number_at(self, log: DriveLog, t: float, not_before: int) -> int | None:
        """The entry of the first judged frame at or after `t`, else of the drive's end; None while there is neither."""
        found = None
        for block in log.blocks:
            if block.frames.t[-1] >= t:
                found = int(block.frames.number[int(np.searchsorted(block.frames.t, t, side="left"))])
                break
        if log.end_number is not None and (found is None or found > log.end_number):
            found = log.end_number
        return None if found is None else max(found, not_before)

    def _exposure(self, drive: DriveTrials, watch: FireWatch, track: Track, number: int) -> Exposure:
        """The participant's state before a trial, as of entry `number`."""
        trigger = watch.trigger
        earlier = [
            (f"{other.log.index}/{name}/{one.occurrence}", self._shown(other, name, one, number))
            for other in self.drives
            for name, tracks in other.tracks.items()
            if other.watches[name].trigger.surprise_class == trigger.surprise_class
            for one in tracks
            if one is not track and came_before(other, one, drive, track, number)
        ]
        opening = self.opening
        return exposure_before(trigger.surprise_class, opening.exposures, opening.exposures_known, earlier)

    def _shown(self, drive: DriveTrials, name: str, track: Track, number: int) -> Shown:
        if track.final_at is not None and track.final_at <= number:
            return track.shown
        if track.marker is None:
            return Shown.NO
        return shown_as_of(self._plan(drive), drive.log, drive.watches[name], track.marker, track.occurrence, number)


def _by_drive_and_time(trial: Trial) -> tuple[int, float, str]:
    at = trial.fired_at if trial.fired_at is not None else trial.timing.expected_at
    return trial.drive, float("inf") if at is None else at, trial.id

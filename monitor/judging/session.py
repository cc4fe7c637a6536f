"""A whole record, growing: entries in, trials out. Trials are a function of the entries and the study, of nothing else.

Each trial is judged as of one entry: the first at which a frame lies past every window and the marker delay, or the
drive's end. So the same list of entries gives the same trials however it was cut into blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace
from typing import Any

from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame, Hello, Marker, Refused
from monitor.judging.advice import what_now
from monitor.judging.blinding import ToldTimes, hide, hide_across, is_blind, told_times, without_hidden_times
from monitor.judging.case.alignment import AlignedSources
from monitor.judging.case.blocks import KeptRun, KeptSamples, MeasuredBlock
from monitor.judging.case.case import final_frame_after_s
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.frame_tables import FEW, FrameRun, pieces_of
from monitor.judging.case.pacing import Pacing, by_number
from monitor.judging.case.received import MARKER_DELAY_S
from monitor.judging.case.sources import Sources
from monitor.judging.case.trial import Trial
from monitor.judging.entered.called import with_calls
from monitor.judging.entered.companions import CompanionState, MeasuredCounts, companion_states
from monitor.judging.entered.operator import OperatorLog
from monitor.judging.firing import FireWatch
from monitor.judging.late_rule import looks_at_signals
from monitor.judging.occasion import Occasion, Plan
from monitor.judging.rules.exposure import Shown
from monitor.judging.tracks.drive_trials import STRIP_S as STRIP_S
from monitor.judging.tracks.drive_trials import DriveTrials as DriveTrials
from monitor.judging.tracks.drive_trials import Track as Track
from monitor.judging.tracks.drive_trials import retention_s as retention_s
from monitor.judging.tracks.finalisation import Finalisation
from monitor.judging.tracks.track import TrackKey
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
        self.measured = MeasuredCounts(tuple(one.signal for one in study.day.companions if one.signal is not None))
        self._by_run: dict[str, int] = {}
        self._received_ns = by_number((), ())
        """When each entry of the block that is being taken was received."""
        self._read: dict[int, tuple[Entry, Hello | Frame | Marker | Refused]] = {}
        """Messages of entries that are taken next."""
        self.blind = is_blind(study, opening)
        """Whether the record is blind, whatever the file says by which it is judged."""
        self.standing = standing_from_map(opening.standing)
        """How far the study was when the run began; None where nobody looked."""
        self._finalisation = Finalisation(study, opening, self.standing)

    def fork(self, *, frames: bool = True) -> Session:
        """The session as it stands between two `take`s, to go on from alone. Drives before the newest one, trials,
        markers and blocks of frames are never changed any more and are shared.

        Without `frames` it weighs some kilobytes. It then goes on exactly as this one would, but for windows that reach
        back before it: those are right again once `retention_s` of the drive have passed.
        """
        twin = copy(self)
        twin.on_measured = None
        twin.operator = self.operator.fork()
        twin.sources, twin.measured = self.sources.fork(frames=frames), self.measured.fork()
        twin.drives = [*self.drives[:-1], *(drive.fork(twin.sources, frames=frames) for drive in self.drives[-1:])]
        twin._by_run, twin._read = dict(self._by_run), {}
        return twin

    def checkpoint(self, *, frames: bool = True) -> Checkpoint:
        """This place, held to go on from, any number of times; `frames` as in `fork`."""
        return Checkpoint(self.fork(frames=frames))

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
            if watch.trigger.comes_often:
                fired = max(len(watch.expected) - 1, 0)
            missed_after_s = watch.trigger.grace_s + 2.0 * MARKER_DELAY_S
            if any(drive.log.newest_t < rule.t + missed_after_s for rule in watch.expected[fired:]):
                return True
        return False

    @property
    def final_in_s(self) -> float | None:
        """Seconds of the drive until the next verdict can be final; None where no trial waits for it."""
        drive = self.current
        if drive is None or drive.log.ended:
            return None
        due_t = [
            track.marker.t + final_frame_after_s(drive.watches[name].trigger)
            for name, tracks in drive.tracks.items()
            for track in tracks
            if track.marker is not None and track.final_at is None
        ]
        return min(due_t) - float(drive.log.newest_t) if due_t else None

    def take(self, entries: Iterable[Entry]) -> None:
        """The next entries of the record, any number of them."""
        self.tidy()
        entries = list(entries)
        self._received_ns = by_number([one.number for one in entries], [one.monotonic_ns for one in entries])
        for piece in pieces_of(self.sources.add(entries)):
            if isinstance(piece, FrameRun):
                self._take_frames(piece)
                continue
            entry = piece
            self._stand_at(entry)
            if entry.kind is EntryKind.MESSAGE:
                self._take_message(entry)
            elif entry.kind is EntryKind.OPERATOR:
                self.operator.take(unpack_map(entry.payload), entry.number)
            elif entry.kind is EntryKind.INTAKE:
                self.intake = unpack_map(entry.payload)
            elif entry.kind is EntryKind.CLOSE:
                self.closed = True
                if self.current is not None:
                    self.current.log.end(entry.number, "close")
        if entries:
            self._stand_at(entries[-1])
        self._read.clear()
        self._settle()

    def read_ahead(self, entries: Sequence[Entry]) -> None:
        """Reads the messages of entries that wait to be taken, where they are so few that `take` would read each by
        itself: for who has time for it now, and perhaps not when a marker comes."""
        if len(self._read) + len(entries) <= FEW:
            for entry in entries:
                if entry.kind is EntryKind.MESSAGE:
                    self._read[entry.number] = entry, decode_message(unpack_frames(entry.payload))

    def tidy(self) -> None:
        """Joins the frames of what was taken before, and lets go of what nobody asks for any more, which `take` else
        does first: for who has time for it now, and perhaps not when the next entries come."""
        self._finalisation.spent.clear()
        if self.current is not None:
            self.current.log.merge()

    def take_kept(self, pieces: Iterable[Entry | KeptRun | KeptSamples]) -> None:
        """What `take` was given once, with the frames as they were measured then: to judge them again, or by another
        study. Trials come out the same. What comes of further sources stands before the frames it arrived among."""
        for piece in pieces:
            if isinstance(piece, KeptSamples) or (isinstance(piece, Entry) and piece.kind is EntryKind.FURTHER):
                self.sources.add_kept(piece)  # looked at with the next frames
            elif isinstance(piece, KeptRun):
                self.tidy()
                drive = self._drive_of(piece.run, int(piece.number[0]))
                assert drive is not None
                drive.log.take_measured(replace(piece.block, road=drive.log.road))
                drive.log.last_received_ns = int(piece.monotonic_ns[-1])
                self._received_ns = by_number(piece.number, piece.monotonic_ns)
                self.last_number = int(piece.number[-1])
                self.last_wall_ns, self.last_monotonic_ns = int(piece.wall_ns[-1]), int(piece.monotonic_ns[-1])
                self._settle()
            else:
                self.take([piece])

    def companions(self) -> tuple[CompanionState, ...]:
        """What belongs to the session beside the record, as far as it is known here."""
        return companion_states(self.study.day.companions, self.operator, self.measured, self.sources.logs)

    def take_addendum(self, fields: dict[str, Any]) -> None:
        """A ruling or note entered after the record was closed."""
        self.operator.take(fields)

    def trials(self, *, unblinded: bool = False) -> tuple[Trial, ...]:
        """All trials so far, by drive and time (fired, else expected), with the operator's rulings beside them.

        Those of a blind record come without what it hides. `unblinded` is for who has entered that he looks.
        """
        self._finalisation.refresh(self.drives, self.last_number)
        found = [
            self._with_operator(drive, name, track.trial, track.shown)
            for drive in self.drives
            for name, tracks in drive.tracks.items()
            for track in tracks
            if track.trial is not None
        ]
        found.sort(key=_by_drive_and_time)
        if not self.blind or unblinded:
            return tuple(found)
        hidden = hide_across(self.study, hide(self.study, found), [drive.log for drive in self.drives])
        return without_hidden_times(hidden, self._told_times(hidden))

    def told_times(self, *, unblinded: bool = False) -> ToldTimes:
        """Which times of what was entered may be told."""
        return self._told_times(self.trials() if self.blind and not unblinded else ())

    def _told_times(self, trials: Iterable[Trial]) -> ToldTimes:
        return told_times(trials, (drive.log for drive in self.drives), self.operator.entered_in)

    def shown(self) -> list[tuple[str, str, Shown]]:
        """Surprise class, trial id, and whether the trial's hazard showed itself, for every trial so far."""
        self._finalisation.refresh(self.drives, self.last_number)
        return [
            (surprise_class, f"{drive.log.index}/{name}/{track.occurrence}", track.shown)
            for drive in self.drives
            for name, tracks in drive.tracks.items()
            for track in tracks
            if (surprise_class := drive.watches[name].trigger.surprise_class) is not None
        ]

    def plan_of(self, drive: DriveTrials) -> Plan:
        """What the run of a drive was meant to be."""
        return self._finalisation.plan(drive)

    def occasion(self, drive: DriveTrials, trigger: str, occurrence: int) -> Occasion:
        """A trial that may still come, as of the last entry."""
        return Occasion(self.plan_of(drive), drive.log, drive.watches[trigger], occurrence, self.last_number)

    def _with_operator(self, drive: DriveTrials, name: str, trial: Trial, shown: Shown) -> Trial:
        plan = self.plan_of(drive)
        trial = with_calls(trial, drive.watches[name].trigger, plan, self.operator, shown)
        rulings = self.operator.rulings.get(trial.id, ())
        revealed = trial.id in self.operator.revealed
        if not rulings and not revealed and not self.blind:
            return trial
        stage = "ruled" if rulings else trial.stage
        trial = replace(trial, rulings=rulings, blind=self.blind, revealed=revealed, stage=stage)
        if not rulings:
            return trial
        return replace(trial, what_now=what_now(trial, shown, self.study, plan.group, plan.standing))

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
        known = self._read.get(entry.number)
        message = known[1] if known and known[0] is entry else decode_message(unpack_frames(entry.payload))
        if isinstance(message, Refused):
            self.bad += 1
            self.last_refusal = message
            return
        drive = self._drive_of(message.run, entry.number)
        if drive is None:
            return
        if isinstance(message, Frame):
            drive.log.take_frame(message, entry.number)
            drive.log.last_received_ns = entry.monotonic_ns
            if drive.log.must_flush:
                self._settle()
        elif isinstance(message, Marker):
            if message.kind == "sync" and message.n not in drive.log.markers and drive.log.aligned is not None:
                self.sources.take_to(entry.number)
                drive.log.aligned.first_mark(message, entry.monotonic_ns / 1e9, entry.number)
            drive.log.take_marker(message, entry)
        else:
            drive.log.take_hello(message, entry)
            if drive.log.aligned is not None:
                drive.log.aligned.first_heard(entry.monotonic_ns / 1e9, entry.number)

    def _drive_of(self, run: str, number: int) -> DriveTrials | None:
        """The drive of a message's run; a new run begins a new drive. None for what comes late from an older drive."""
        index = self._by_run.get(run)
        if index is not None:
            return self.drives[index] if index == len(self.drives) - 1 else None
        if self.current is not None:
            self.current.log.end(number, "new drive")
            self._settle()
        roles = self.study.roles
        log = DriveLog(len(self.drives) + 1, run, self._retain_s, pacing=Pacing(self.opening.pace))
        watches = {trigger.name: FireWatch(trigger, roles, log) for trigger in self.study.triggers}
        self._by_run[run] = len(self.drives)
        if self.sources.logs:
            self.sources.take_to(number)
            log.aligned = AlignedSources(self.sources, log, log.blocks, number)
            self.sources.on_sync = log.aligned.second_mark
            self.sources.on_told = log.aligned.second_told
            for watch in watches.values():
                if looks_at_signals(watch.trigger):
                    watch.hopeful = FireWatch(watch.trigger, roles, log, missing="met")
        self.drives.append(DriveTrials(log, watches))
        return self.drives[-1]

    def _settle(self) -> None:
        """Judges the newest drive as far as its entries go."""
        self.sources.take_to(self.last_number)
        drive = self.current
        if drive is None:
            return
        block = drive.log.flush()
        if block is not None:
            drive.log.note_received(block.frames, self._received_ns)
            if self.on_measured is not None:
                self.on_measured(drive.log.run, block)
            if self.measured.names:
                self.measured.take(drive.log.index, len(block.frames), block.frames.signals)
        drive.show(block)
        self._finalisation.finalise(self.drives, self.last_number)
        drive.log.trim()
        if drive.log.aligned is not None:
            self.sources.trim()
            drive.log.aligned.trim()


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """A session as it stood at one entry. Nothing takes it further, so that it can be resumed again and again."""

    _held: Session

    @property
    def number(self) -> int:
        """The last entry that it has taken."""
        return self._held.last_number

    def resume(self, known: Mapping[TrackKey, Track] | None = None) -> Session:
        """A session that goes on from here. `known`: tracks that are done, as who has read the whole record has them:
        they are taken from there once they are final, and not judged again."""
        session = self._held.fork()
        session._finalisation = replace(session._finalisation, known=known or {})
        return session


def _by_drive_and_time(trial: Trial) -> tuple[int, float, str, int]:
    at = trial.fired_at if trial.fired_at is not None else trial.timing.expected_at
    return trial.drive, float("inf") if at is None else at, trial.trigger, trial.occurrence

"""Judging the tracks of the newest drive: when each can be judged, as of which entry, and after which earlier ones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from monitor.judging.case.case import final_frame_after_s
from monitor.judging.firing import FireWatch
from monitor.judging.judge import find_response_origin, judge_fired, judge_response, shown_as_of
from monitor.judging.occasion import Occasion, Plan, wanted
from monitor.judging.rules.exposure import Exposure, Shown, exposure_before
from monitor.judging.settled import Settled
from monitor.judging.tracks.drive_trials import DriveTrials, Track, came_before
from monitor.judging.tracks.pending import judge_pending
from monitor.judging.tracks.repeated import Repeated
from monitor.judging.tracks.track import TrackKey
from monitor.record.entries import Opening
from monitor.study.model import Study
from monitor.study.standing import Standing


@dataclass(frozen=True, slots=True)
class Finalisation:
    """Judges tracks in place. Remembers nothing of them: `drives` are all drives so far, of which the last one is
    judged, and `number` is the last entry that was taken."""

    study: Study
    opening: Opening
    standing: Standing | None
    known: Mapping[TrackKey, Track] = field(default_factory=dict)
    """Tracks that are done, as a pass over the whole record left them: not judged again where they become final."""
    spent: list[Settled] = field(default_factory=list)
    """What was settled about trials that have become final. To let go of its columns takes half a millisecond, for
    which there is time when the verdict has been told."""

    def finalise(self, drives: Sequence[DriveTrials], number: int) -> None:
        """Judges the newest drive as far as its measured frames and its markers go."""
        drive = drives[-1]
        for watch in drive.watches.values():
            _open_tracks(drive, watch)
        fired = [
            (watch, track)
            for name, watch in drive.watches.items()
            for track in drive.tracks.get(name, ())
            if track.marker is not None and not (track.final_at is not None and track.response_done)
        ]
        # earlier fires first: a later trial's exposure looks at them
        for watch, track in sorted(fired, key=lambda pair: pair[1].marker.t if pair[1].marker else 0.0):
            self._judge_track(drives, watch, track, number)
        for name, watch in drive.watches.items():
            for track in drive.tracks.get(name, ()):
                if track.marker is None and track.final_at is None and _is_expected(watch, drive, track):
                    self._judge_pending(drives, watch, track, number)

    def refresh(self, drives: Sequence[DriveTrials], number: int) -> None:
        """Judges again what is not final and has had new entries."""
        if not drives:
            return
        drive = drives[-1]
        for name, tracks in drive.tracks.items():
            for track in tracks:
                if track.is_stale:
                    self._judge_fired(drives, drive.watches[name], track, number, final=False)

    def plan(self, drive: DriveTrials) -> Plan:
        """What the run of a drive was meant to be."""
        hello = drive.log.hello
        lot, standing = self.opening.lot or {}, self.standing
        given = lot.get("group", self.opening.group)  # the sealed lot is what was meant, whatever was entered
        group = given if given is not None else (hello.group if hello else None)
        allocated = standing.proposed if standing is not None and not standing.words else None
        return Plan(self.study, self.opening.participant, group, given or allocated, standing)

    def _judge_track(self, drives: Sequence[DriveTrials], watch: FireWatch, track: Track, number: int) -> None:
        marker = track.marker
        assert marker is not None
        log = drives[-1].log
        if track.final_at is None:
            final_at = log.number_at(marker.t + final_frame_after_s(watch.trigger), marker.number)
            if final_at is None:
                track.is_stale = True
                return
            known = self.known.get((log.index, watch.trigger.name, track.occurrence))
            if known is not None and known.trial is not None and (known.marker, known.final_at) == (marker, final_at):
                track.trial, track.shown, track.is_stale = replace(known.trial, response=None), known.shown, False
                track.settled = known.settled
            else:
                self._judge_fired(drives, watch, track, final_at, final=True)
            track.final_at = final_at
            self.spent.append(track.settled)
            track.settled = track.settled.emptied()
        if number > track.final_at or log.ended:  # the verdict does not wait for its response
            _time_response(self._occasion(drives[-1], watch, track, number), track)

    def _judge_fired(
        self, drives: Sequence[DriveTrials], watch: FireWatch, track: Track, number: int, *, final: bool
    ) -> None:
        assert track.marker is not None
        earlier = self._exposure(drives, watch, track, number)
        occasion = self._occasion(drives[-1], watch, track, number)
        track.trial, track.shown = judge_fired(occasion, track.marker, earlier, settled=track.settled, final=final)
        track.is_stale = False

    def _judge_pending(self, drives: Sequence[DriveTrials], watch: FireWatch, track: Track, number: int) -> None:
        log = drives[-1].log
        over = log.end_number if track.missed is None else track.missed_at
        number = number if over is None else over
        earlier = self._exposure(drives, watch, track, number)
        occasion = self._occasion(drives[-1], watch, track, number)
        track.trial, track.shown = judge_pending(occasion, earlier, track.missed)
        track.final_at = over

    def _exposure(self, drives: Sequence[DriveTrials], watch: FireWatch, track: Track, number: int) -> Exposure:
        """The participant's state before a trial, as of entry `number`."""
        trigger = watch.trigger
        if trigger.surprise_class is None:
            return Exposure("yes", "")
        earlier = [
            (f"{other.log.index}/{name}/{one.occurrence}", self._shown(other, name, one, number))
            for other in drives
            for name, tracks in other.tracks.items()
            if other.watches[name].trigger.surprise_class == trigger.surprise_class
            for one in tracks
            if one is not track and came_before(other, one, drives[-1], track, number)
        ]
        opening = self.opening
        return exposure_before(trigger.surprise_class, opening.exposures, opening.exposures_known, earlier)

    def _shown(self, drive: DriveTrials, name: str, track: Track, number: int) -> Shown:
        if track.final_at is not None and track.final_at <= number:
            return track.shown
        if track.marker is None:
            return Shown.NO
        return shown_as_of(self._occasion(drive, drive.watches[name], track, number), track.marker)

    def _occasion(self, drive: DriveTrials, watch: FireWatch, track: Track, number: int) -> Occasion:
        return Occasion(self.plan(drive), drive.log, watch, track.occurrence, number)


def _open_tracks(drive: DriveTrials, watch: FireWatch) -> None:
    """A track for each marker of the trigger in order of arrival, and for each one that is still expected."""
    name = watch.trigger.name
    tracks = drive.tracks.setdefault(name, [])
    number = wanted(watch.trigger, drive.log)
    if watch.trigger.comes_often or number is None:
        drive.repeated.setdefault(name, Repeated(watch, tracks)).look(drive.log, number)
        return
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
        while len(tracks) < number:
            tracks.append(Track(len(tracks) + 1))


def _is_expected(watch: FireWatch, drive: DriveTrials, track: Track) -> bool:
    """Whether a trial without a marker is one to be judged: of any number of fires the next one is not missing."""
    return not track.is_waiting or wanted(watch.trigger, drive.log) is not None


def _time_response(occasion: Occasion, track: Track) -> None:
    """The response of a final trial, once its horizon and the delay of a marker about it have passed."""
    log, trigger = occasion.drive, occasion.trigger
    marker, rule = track.marker, trigger.response
    assert marker is not None
    assert track.trial is not None
    if rule is None:
        track.response_done = True
        return
    # the origin is at most half a second before the fire: before this no response can be complete
    due_t = max(track.response_due_t, marker.t + rule.horizon_s + 1.5)
    if log.end_number is None and log.newest_t < due_t:
        return
    hazard_s = trigger.hazard.within_s if trigger.hazard else 0.0
    t0 = find_response_origin(occasion, marker)
    wait_to = (marker.t + hazard_s if t0 is None else t0) + rule.horizon_s + 2.0
    number_then = log.number_at(wait_to, marker.number)
    if number_then is None:
        track.response_due_t = wait_to
        return
    then = replace(occasion, number=number_then)
    response = judge_response(then, marker, track.trial.alert, track.settled.wrong_units)
    track.trial = replace(track.trial, response=response)
    track.response_done = True

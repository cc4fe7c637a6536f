"""Trials on their way, and how far back frames are kept for them."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.judging.case.blocks import MeasuredBlock
from monitor.judging.case.case import RUN_UP_S, final_frame_after_s, trial_window
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.sources import Sources
from monitor.judging.firing import FireWatch
from monitor.judging.late_rule import LateFrames
from monitor.judging.tracks.repeated import Repeated
from monitor.judging.tracks.track import Track as Track
from monitor.study.model import Study

STRIP_S = 60.0
"""Frames are kept at least this long, for the strips on the screen."""


@dataclass(slots=True)
class DriveTrials:
    """A drive with its triggers being watched and their trials."""

    log: DriveLog
    watches: dict[str, FireWatch]
    tracks: dict[str, list[Track]] = field(default_factory=dict)
    repeated: dict[str, Repeated] = field(default_factory=dict)
    """Of the triggers that come often, what has become of their fires and their rule."""
    late: LateFrames = field(default_factory=LateFrames)
    """Frames for rules that look at what a further source tells."""

    def fork(self, sources: Sources, *, frames: bool) -> DriveTrials:
        """The drive as it stands, to go on from alone with its own `sources`; `frames`: with those measured so far."""
        log = self.log.fork_drive(sources, frames=frames)
        watches = {name: watch.fork(log) for name, watch in self.watches.items()}
        tracks = {name: [track.fork() for track in tracks] for name, tracks in self.tracks.items()}
        return DriveTrials(
            log=log,
            watches=watches,
            tracks=tracks,
            repeated={name: one.fork(watches[name], tracks[name]) for name, one in self.repeated.items()},
            late=LateFrames([*self.late.waiting]),
        )

    def show(self, block: MeasuredBlock | None) -> None:
        """The drive's next frames, to every rule that they are due for."""
        late = [watch for watch in self.watches.values() if watch.hopeful is not None]
        for watch in self.watches.values():
            if block is not None and watch.hopeful is None:
                watch.take(block)
        if late:
            self.late.take(self.log, block, [one for watch in late for one in (watch, watch.hopeful) if one])


def retention_s(study: Study) -> float:
    """Seconds of frames that judging may look back on: every window and response of every trigger, and the strips."""
    spans = [STRIP_S]
    for trigger in study.triggers:
        baseline_s = trigger.response.looks_back_s if trigger.response else 0.0
        before_s = max(-trial_window(trigger)[0], baseline_s, RUN_UP_S)
        response_s = trigger.response.horizon_s if trigger.response else 0.0
        hazard_s = trigger.hazard.within_s if trigger.hazard else 0.0
        spans.append(before_s + max(final_frame_after_s(trigger), hazard_s + response_s + 2.0) + trigger.grace_s)
    return max(spans) + 10.0


def came_before(other: DriveTrials, one: Track, drive: DriveTrials, track: Track, number: int) -> bool:
    """Whether one trial (of drive `other`) came before another (of `drive`), as far as entry `number` tells."""
    if other.log.index != drive.log.index:
        return other.log.index < drive.log.index
    if one.marker is None or one.marker.number > number:
        return False
    return track.marker is None or (one.marker.t, one.marker.n) < (track.marker.t, track.marker.n)

"""A session as it stood at one entry, so that a replay can go on from there without reading the record from its start.

Only what changes is copied: trials, markers and blocks of frames are frozen and shared, and so are the drives before
the newest one, which nothing changes any more.
"""

from __future__ import annotations

import copy
from collections import deque
from dataclasses import fields, replace
from typing import Any, TypeVar

from monitor.judging.case.alignment import AlignedSources
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.sources import SourceRun, Sources
from monitor.judging.case.stream import Stream
from monitor.judging.firing import FireWatch, TermMemory
from monitor.judging.session import DriveTrials, Session, Track

Thing = TypeVar("Thing")
AnyStream = TypeVar("AnyStream", bound=Stream)


def copy_session(session: Session, *, frames: bool) -> Session:
    """The session as it stands between two `take`s; taking entries leaves the other one as it is.

    Without `frames` the copy weighs some kilobytes. It then goes on exactly as the session would, but for windows that
    reach back before it: those are right again once `retention_s` of the drive have passed.
    """
    twin = _with_own_attributes(session)
    twin.operator = _with_own_containers(session.operator)
    twin.sources = _copy_sources(session.sources, frames=frames)
    if twin.drives:
        twin.drives[-1] = drive = _copy_drive(twin.drives[-1], frames=frames)
        if drive.log.aligned is not None:
            drive.log.aligned = _copy_aligned(drive.log.aligned, twin.sources, drive.log)
            twin.sources.on_sync = drive.log.aligned.second_mark
    return twin


def _copy_sources(sources: Sources, *, frames: bool) -> Sources:
    twin = _with_own_attributes(sources)
    twin.logs = [_with_own_containers(log) for log in sources.logs]
    for log in twin.logs:
        log.runs = [_copy_run(run, frames=frames) for run in log.runs]
    return twin


def _copy_run(run: SourceRun, *, frames: bool) -> SourceRun:
    twin = _with_own_containers(run)
    twin.log = _copy_stream(run.log)
    if not frames:
        twin.blocks = deque()
    return twin


def _copy_aligned(aligned: AlignedSources, sources: Sources, log: DriveLog) -> AlignedSources:
    twin = _with_own_attributes(aligned)
    twin.sources, twin.drive, twin.blocks = sources, log, log.blocks
    twin.seconds = {key: list(marks) for key, marks in aligned.seconds.items()}
    return twin


def _copy_drive(drive: DriveTrials, *, frames: bool) -> DriveTrials:
    log = _copy_log(drive.log, frames=frames)
    watches = {name: _copy_watch(watch, log) for name, watch in drive.watches.items()}
    tracks = {name: [_copy_track(track) for track in tracks] for name, tracks in drive.tracks.items()}
    return replace(
        drive,
        log=log,
        watches=watches,
        late=_with_own_containers(drive.late),
        tracks=tracks,
        repeated={
            name: replace(_with_own_containers(one), watch=watches[name], tracks=tracks[name])
            for name, one in drive.repeated.items()
        },
    )


def _copy_track(track: Track) -> Track:
    return replace(track, settled=_with_own_containers(track.settled))


def _copy_stream(stream: AnyStream) -> AnyStream:
    twin = _with_own_containers(stream)
    twin.counts = copy.copy(stream.counts)
    return twin


def _copy_log(log: DriveLog, *, frames: bool) -> DriveLog:
    twin = _copy_stream(log)
    if not frames:
        twin.blocks = deque()
    return twin


def _copy_watch(watch: FireWatch, log: DriveLog) -> FireWatch:
    twin = _with_own_containers(watch)
    twin.log = None if watch.log is None else log
    # the memories of its terms are changed in place; what it expects is frozen
    twin.memories = [[_copy_memory(one) for one in either] for either in watch.memories]
    twin.hopeful = None if watch.hopeful is None else _copy_watch(watch.hopeful, log)
    return twin


def _copy_memory(memory: TermMemory) -> TermMemory:
    markers = None if memory.markers is None else _with_own_containers(memory.markers)
    return replace(memory, behind=copy.copy(memory.behind), markers=markers)


def _with_own_containers(thing: Thing) -> Thing:
    """A copy of a dataclass that shares no list, dict, set or deque with it."""
    twin = copy.copy(thing)
    for field in fields(thing):  # type: ignore[arg-type]
        setattr(twin, field.name, _own(getattr(twin, field.name)))
    return twin


def _with_own_attributes(thing: Thing) -> Thing:
    """The same for an object that is no dataclass."""
    twin = copy.copy(thing)
    for name, value in vars(twin).items():
        setattr(twin, name, _own(value))
    return twin


def _own(value: Any) -> Any:
    return copy.copy(value) if isinstance(value, (list, dict, set, deque)) else value

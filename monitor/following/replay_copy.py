"""A session as it stood at one entry, so that a replay can go on from there without reading the record from its start.

Only what changes is copied: trials, markers and blocks of frames are frozen and shared, and so are the drives before
the newest one, which nothing changes any more.
"""

from __future__ import annotations

import copy
from collections import deque
from dataclasses import fields, replace
from typing import Any, TypeVar

from monitor.judging.drive import DriveLog
from monitor.judging.firing import FireWatch
from monitor.judging.session import DriveTrials, Session

Thing = TypeVar("Thing")


def copy_session(session: Session, *, frames: bool) -> Session:
    """The session as it stands between two `take`s; taking entries leaves the other one as it is.

    Without `frames` the copy weighs some kilobytes. It then goes on exactly as the session would, but for windows that
    reach back before it: those are right again once `retention_s` of the drive have passed.
    """
    twin = copy.copy(session)
    for name, value in vars(twin).items():
        setattr(twin, name, _own(value))
    twin.operator = _with_own_containers(session.operator)
    if twin.drives:
        twin.drives[-1] = _copy_drive(twin.drives[-1], frames=frames)
    return twin


def _copy_drive(drive: DriveTrials, *, frames: bool) -> DriveTrials:
    return replace(
        drive,
        log=_copy_log(drive.log, frames=frames),
        watches={name: _copy_watch(watch) for name, watch in drive.watches.items()},
        tracks={name: [copy.copy(track) for track in tracks] for name, tracks in drive.tracks.items()},
    )


def _copy_log(log: DriveLog, *, frames: bool) -> DriveLog:
    twin = _with_own_containers(log)
    twin.counts = copy.copy(log.counts)
    if not frames:
        twin.blocks = deque()
    return twin


def _copy_watch(watch: FireWatch) -> FireWatch:
    twin = _with_own_containers(watch)
    for field in fields(twin):
        value = getattr(twin, field.name)
        if isinstance(value, list):
            # the memories of its terms are changed in place; what it expects is frozen and copies as cheaply
            setattr(twin, field.name, [copy.copy(one) for one in value])
    return twin


def _with_own_containers(thing: Thing) -> Thing:
    """A copy of a dataclass that shares no list, dict, set or deque with it."""
    twin = copy.copy(thing)
    for field in fields(thing):  # type: ignore[arg-type]
        setattr(twin, field.name, _own(getattr(twin, field.name)))
    return twin


def _own(value: Any) -> Any:
    return copy.copy(value) if isinstance(value, (list, dict, set, deque)) else value

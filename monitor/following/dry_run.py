"""Judging once before anything has fired, so that the first verdict does not wait for what a first time takes.

Code that runs for the first time takes some 8 ms more than the second time: caches, tables of roads, parts of libraries
that are loaded when they are first asked for (40 ms for numpy's median).
"""

from __future__ import annotations

import gc
from collections.abc import Iterator

from monitor.following.coming.channels import case_at
from monitor.following.large_pages import take_large_pages
from monitor.judging.judge import judge_fired
from monitor.judging.rules.exposure import Exposure
from monitor.judging.session import Session
from monitor.judging.settled import Settled

AFTER_S = 1.0
"""Seconds of a drive that there must be."""
FIRED_S = 0.5
"""The fire is put so long before the newest frame: what is before it is held against each other then."""
NEW_OBJECTS = 20_000
"""Garbage is collected after so many new objects: by the usual 700 it is several times in one judging."""


def is_ready(session: Session) -> bool:
    """Whether there is enough of a drive, and nothing has fired in it, for which this would come too late."""
    drive = session.current
    if drive is None or session.is_deciding or not drive.log.blocks:
        return False
    if any(track.marker is not None for tracks in drive.tracks.values() for track in tracks):
        return False
    return float(drive.log.newest_t) - float(drive.log.blocks[0].frames.t[0]) >= AFTER_S


def judge_dry(session: Session) -> Iterator[None]:
    """Judges each trigger as if it had fired just now, and forgets it; then has all that is there by then left out of
    the collections of garbage, which would go through it for 20 ms and more just when a verdict waits; and puts it into
    large pages.

    One piece each time it is asked to go on: none takes so long that the feed would seem silent.
    """
    drive = session.current
    assert drive is not None
    for name in drive.watches:
        occasion = session.occasion(drive, name, 1)
        marker = case_at(occasion, -FIRED_S).marker
        judge_fired(occasion, marker, Exposure("unknown", ""), settled=Settled(), final=True)
        yield
    gc.collect()
    gc.freeze()
    gc.set_threshold(NEW_OBJECTS)
    yield from take_large_pages()

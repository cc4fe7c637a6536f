"""What a view shows of longer ago than judging keeps frames: each fire's response, lane keeping, the whole drive."""

from __future__ import annotations

from dataclasses import replace

from monitor.following.kept.responses import KeptResponses
from monitor.following.kept.slow import SlowTracks
from monitor.following.kept.whole import WholeTracks
from monitor.following.view import LiveView
from monitor.judging.session import Session
from monitor.study.model import Study


class Keeping:
    """Give it the session after each `take`, with at most some seconds of new entries. Reading a view of it in another
    thread than `take` is safe: what was kept is never changed."""

    def __init__(self, study: Study) -> None:
        self._responses = KeptResponses(study)
        self._slow = SlowTracks(study)
        self._whole = WholeTracks(study)

    def take(self, session: Session) -> None:
        """Keeps what is new."""
        self._responses.take(session)
        self._slow.take(session)
        self._whole.take(session)

    def added_to(self, view: LiveView) -> LiveView:
        """The view with all that is known at its time and may be shown."""
        slow, used = self._slow.of(view), self._slow.used
        return replace(view, responses=self._responses.of(view), slow=slow, slow_used=used, whole=self._whole.of(view))

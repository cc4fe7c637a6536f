"""The tracks of a trigger that comes often: one for each fire, and one for each time that its rule held without one.

They are numbered in the order in which they became known: a fire by its marker's entry, a miss by the entry from which
on no marker of it can come any more. Behind them one track waits for the next, as long as another may come. Each is
found once, so that the cost grows with their number.
"""

from __future__ import annotations

from bisect import insort
from dataclasses import dataclass, field, replace
from itertools import islice

from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import MARKER_DELAY_S, ReceivedMarker
from monitor.judging.firing import Expected, FireWatch
from monitor.judging.timing import fire_of_rule
from monitor.judging.tracks.track import Track

_AFTER_ALL_MARKERS = 1 << 62
"""Of what becomes known with one entry, a marker comes first."""


@dataclass(slots=True)
class Repeated:
    """One trigger in one drive, as far as it was looked at."""

    watch: FireWatch
    tracks: list[Track]
    fires: list[tuple[float, int]] = field(default_factory=list)
    """Time and entry of each fire, by time."""
    open: list[Expected] = field(default_factory=list)
    """Times of the rule of which it is not certain yet whether a fire belongs to them."""
    _markers: int = 0
    _rules: int = 0

    def fork(self, watch: FireWatch, tracks: list[Track]) -> Repeated:
        """The same for a drive that goes on alone, with that one's rule and tracks."""
        return replace(self, watch=watch, tracks=tracks, fires=[*self.fires], open=[*self.open])

    def look(self, log: DriveLog, wanted: int | None) -> None:
        """Opens tracks for what has become known; `wanted`: how many fires there are to be, None for any number."""
        found = [*self._new_fires(log), *self._new_misses(log, wanted)]
        for number, _, one in sorted(found, key=lambda one: one[:2]):
            if isinstance(one, ReceivedMarker):
                self._enter_fire(one)
            else:
                track = self._next()
                track.missed, track.missed_at = one, number
        self._wait_for_more(log, wanted)

    def held_since(self) -> float | None:
        """Since when the rule has held without a fire as yet; None where it has one, or does not hold."""
        number = self.fires[-1][1] if self.fires else 0
        latest = max([number, *(rule.number for rule in self.open)])
        unanswered = (rule.t for rule in self.open if fire_of_rule(self.watch, self.fires, rule, latest) is None)
        return next(unanswered, None)

    def _new_fires(self, log: DriveLog) -> list[tuple[int, int, ReceivedMarker | Expected]]:
        name, seen = self.watch.trigger.name, self._markers
        self._markers = len(log.markers)
        fired = [one for one in islice(log.markers.values(), seen, None) if one.kind == "trigger" and one.name == name]
        for marker in fired:
            insort(self.fires, (marker.t, marker.number))
        return [(marker.number, marker.n, marker) for marker in fired]

    def _new_misses(self, log: DriveLog, wanted: int | None) -> list[tuple[int, int, ReceivedMarker | Expected]]:
        self.open += self.watch.expected[self._rules :]
        self._rules = len(self.watch.expected)
        found: list[tuple[int, int, ReceivedMarker | Expected]] = []
        still_open = []
        for rule in self.open:
            certain_at = log.number_at(rule.t + self.watch.trigger.grace_s + MARKER_DELAY_S, rule.number)
            if certain_at is None:
                still_open.append(rule)
            elif wanted != 0 and fire_of_rule(self.watch, self.fires, rule, certain_at) is None:
                found.append((certain_at, _AFTER_ALL_MARKERS, rule))
        self.open = still_open
        return found

    def _enter_fire(self, marker: ReceivedMarker) -> None:
        within_s = self.watch.trigger.grace_s
        for track in self.tracks:
            if track.missed is not None and abs(track.missed.t - marker.t) <= within_s:
                # it came when it had been given up
                track.missed, track.final_at, track.trial = None, None, None
                track.marker = marker
                return
        self._next().marker = marker

    def _next(self) -> Track:
        """The track that waits, or a new one, without what was said of it while it waited."""
        self._ensure_waiting()
        track = self.tracks[-1]
        track.trial = None
        return track

    def _ensure_waiting(self) -> None:
        if not self.tracks or not self.tracks[-1].is_waiting:
            self.tracks.append(Track(len(self.tracks) + 1))

    def _wait_for_more(self, log: DriveLog, wanted: int | None) -> None:
        tracks = self.tracks
        if log.ended and wanted is None:
            while tracks and tracks[-1].is_waiting:
                tracks.pop()
        elif log.ended and wanted is not None:
            tracks += [Track(place + 1) for place in range(len(tracks), wanted)]
        elif log.hello is not None and (wanted is None or len(tracks) < wanted):
            self._ensure_waiting()

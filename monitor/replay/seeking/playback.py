"""The session at any place of a record: exactly what a live screen had there, and the trials of `review` at its end.

A place is reached from a checkpoint before it. From the nearest one (`quick`) that costs a few hundred entries, but the
strips are short; from one a whole look-back earlier (`retention_s`) the session is the one that had read everything.
Trials that were decided in between are those of the pass over the whole record.
"""

from __future__ import annotations

import copy
import math
from collections import deque
from collections.abc import Iterator
from typing import Any

from monitor.following.building import Viewing, build_view
from monitor.following.coming.channels import ChannelWatch
from monitor.following.view import LiveView, RecorderView
from monitor.judging.blinding import lifting
from monitor.judging.case.trial import Trial
from monitor.judging.session import Session
from monitor.record.entries import Entry
from monitor.record.reader import RecordReading
from monitor.replay.seeking.map import RecordMap, Stop, TimeAxis, stop_at

READ_AT_ONCE = 64
TAKE_AT_ONCE = 256
MOST_KEPT = 5
"""Whole sessions kept for the way back: a step back then costs some 256 entries and not a whole look-back. Each holds a
look-back of frames as columns, about 10 MB at 60 Hz with 20 vehicles."""


class Playback:
    """One place at a time, in the caller's thread. `at_s` is the place, `number` the last entry before it."""

    def __init__(self, found: RecordMap) -> None:
        self.map = found
        self.at_s = 0.0
        self.number = 0
        self.whole = True
        """Whether every window that is open here is seen whole, and the strips too."""
        self.addendum: list[dict[str, Any]] = []
        self._channels = ChannelWatch()
        self._reading = RecordReading(found.path)
        self._pending: deque[Entry] = deque()
        self._entries: Iterator[list[Entry]] = iter(())
        self._ended = False
        self._axis = TimeAxis()
        self._kept: deque[Stop] = deque(maxlen=MOST_KEPT)
        self._session: Session
        self._begin(found.checkpoints[0])

    @property
    def session(self) -> Session:
        """The session here. Not to be changed."""
        return self._session

    def go_to(self, at_s: float, *, quick: bool = False) -> None:
        """Goes to a place in seconds of the record, not beyond what the map has read.

        With `quick` the strips may be short afterwards (`whole` is False); a trial that is being decided is never.
        """
        at_s = min(max(at_s, 0.0), self.map.read_to_s)
        near = self.map.checkpoint_before(at_s)
        if at_s < self.at_s or near.number > self.number or not (self.whole or quick):
            self._approach(near, quick=quick, until_s=at_s)
        self._feed(until_s=at_s)
        if quick and not self.whole and self._undecided():
            self._approach(near, quick=False, until_s=at_s)
            self._feed(until_s=at_s)
        self.at_s = at_s

    def go_to_number(self, number: int) -> None:
        """Goes to just after an entry."""
        number = min(max(number, 0), self.map.read_to_number)
        near = self.map.checkpoint_before_number(number)
        if number < self.number or near.number > self.number or not self.whole:
            self._approach(near, quick=False, until_number=number)
        self._feed(until_number=number)
        self.at_s = min(max(self._axis.at_s, 0.0), self.map.read_to_s)

    def complete(self) -> None:
        """After a quick `go_to`: the same place, with all that belongs to it."""
        if not self.whole:
            self.go_to_number(self.number)

    def step(self, frames: int) -> None:
        """So many judged frames on or back, also into the drive before; stays where there are none."""
        self.complete()
        if frames < 0:
            numbers = self.frames(1 - frames)
            if numbers:
                self.go_to_number(numbers[0])
        while frames > 0 and self._step_on():
            frames -= 1

    def frames(self, count: int) -> list[int]:
        """Entry numbers of the last judged frames before this place, at most `count`."""
        numbers: list[int] = []
        for drive in reversed(self._session.drives):
            for block in reversed(drive.log.blocks):
                missing = count - len(numbers)
                if missing <= 0:
                    return numbers
                numbers = block.frames.number[-missing:].tolist() + numbers
        return numbers

    def view(self, recorder: RecorderView, revision: int) -> LiveView:
        """The picture here, with the rulings and notes of the addendum."""
        return build_view(
            self._with_addendum(self._session),
            Viewing(
                record=str(self.map.path), recorder=recorder, age_s=self._frame_age_s(), revision=revision, history=True
            ),
            channels=self._channels,
        )

    def trials(self) -> tuple[Trial, ...]:
        """The trials here, as `view` has them."""
        return self._with_addendum(self._session).trials()

    def whole_record(self) -> Session:
        """The session at the end of a record that has been read, and what was entered after closing. It goes nowhere
        for it, and costs no entry."""
        assert self.map.session is not None, "the record has been read to its end"
        return self._with_addendum(self.map.session)

    def _with_addendum(self, session: Session) -> Session:
        """A copy of a session, which has also taken what was entered after closing."""
        session = session.fork()
        final = {trial.id for trial in session.trials() if trial.stage != "fired" and trial.stage != "armed"}
        # lifted stays lifted: also at a place before the entry that lifted it
        session.operator.revealed |= self.map.lifted | lifting(self.addendum)
        for fields in self.addendum:
            # a ruling that came later says nothing yet of a trial that is not over here
            if fields.get("type") not in ("ruling", "reveal") or fields.get("trial") in final:
                session.take_addendum(fields)
        return session

    def _frame_age_s(self) -> float | None:
        drive = self._session.current
        if drive is None or not drive.log.last_received_ns:
            return None
        return max(self.at_s - self._axis.seconds_of(drive.log.last_received_ns), 0.0)

    def _undecided(self) -> bool:
        drive = self._session.current
        return drive is not None and any(
            track.marker is not None and not track.is_done for tracks in drive.tracks.values() for track in tracks
        )

    def _approach(self, near: Stop, *, quick: bool, until_s: float = math.inf, until_number: float = math.inf) -> None:
        """Goes to where a place is best reached from: a session kept on the way, the nearest checkpoint, or one that is
        a whole look-back before it. Reading on from here is one of the ways, too."""
        start = self.map.checkpoint_well_before(near)
        here = [stop_at(self._session, self._axis, frames=True)] if self.whole else []
        usable = [
            one
            for one in (*self.map.kept, *self._kept, *here)
            if start.number <= one.number <= until_number and one.at_s <= until_s
        ]
        best = max(usable, key=lambda one: one.number, default=None)
        if best is not None and (not quick or best.number >= near.number):
            self._begin(best)
            self.whole = True
        elif quick:
            self._begin(near)
            self.whole = start is near
        else:
            self._begin(start)
            self.whole = True

    def _begin(self, stop: Stop) -> None:
        self._session = stop.session.resume(self.map.done_tracks)
        self.number, self._axis, self.at_s = stop.number, stop.axis, stop.at_s
        self._entries, self._ended = self._reading.blocks(stop.number, READ_AT_ONCE), False
        self._pending.clear()

    def _feed(self, *, until_s: float = math.inf, until_number: float = math.inf) -> None:
        """Takes the entries up to a place."""
        taken: list[Entry] = []
        while self._fill():
            entry = self._pending[0]
            axis = self._axis.after(entry)
            if entry.number > until_number or axis.at_s > until_s:
                break
            self._axis, self.number = axis, entry.number
            taken.append(self._pending.popleft())
            if entry.number % TAKE_AT_ONCE == 0:
                self._take(taken)
                taken = []
                self._keep()
        self._take(taken)

    def _take(self, entries: list[Entry]) -> None:
        self._session.take(entries)
        self._use_done_trials()

    def _keep(self) -> None:
        """Keeps the session here for the way back."""
        if self.whole and all(one.number != self.number for one in self._kept):
            self._kept.append(stop_at(self._session, self._axis, frames=True))

    def _fill(self) -> bool:
        """Reads on if nothing is at hand; False at the end of what the map knows."""
        while not self._pending and not self._ended:
            block = next(self._entries, None)
            if block is None:
                self._ended = True
            else:
                self._pending.extend(block)
        return bool(self._pending) and self._pending[0].number <= self.map.read_to_number

    def _use_done_trials(self) -> None:
        """Trials decided since the checkpoint may have been judged without frames before it: the map's are right."""
        for drive in self._session.drives:
            for name, tracks in drive.tracks.items():
                for place, track in enumerate(tracks):
                    done = self.map.done_tracks.get((drive.log.index, name, track.occurrence))
                    if done is None or not track.is_done or track.trial is done.trial:
                        continue
                    if (track.marker and track.marker.n) == (done.marker and done.marker.n):
                        tracks[place] = copy.copy(done)

    def _step_on(self) -> bool:
        before = self.frames(1)
        while self._fill():
            self._feed(until_number=self._pending[0].number)
            self.at_s = min(max(self._axis.at_s, 0.0), self.map.read_to_s)
            if self.frames(1) != before:
                return True
        return False

"""Replaying a record on a screen: a `ViewProvider` that can be moved about in. Nothing is ever written into the record.

Two threads: one reads the record once (`MapMaking`), the other keeps the picture at the place where the clock says
(`Playback`). The screen asks for the newest picture; its calls return at once.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from monitor.archive.looks import count_looks
from monitor.errors import WitnessError
from monitor.following.view import LiveView, RecorderView, TimelineMark, TransportView
from monitor.judging.blinding import lifting
from monitor.judging.case.trial import Trial
from monitor.judging.entered.rulings import refused_entry, seen_now
from monitor.replay.addendum import AddendumWriting
from monitor.replay.beside.runs import Alignment, LaidRun, ReadRun, lay_runs
from monitor.replay.curtain import Curtain, first_hidden
from monitor.replay.explain.changes import judge_again
from monitor.replay.explain.explanation import Explanation, explain_trial
from monitor.replay.explain.sweep import sweep_folder
from monitor.replay.lookups import Answer, LookUps
from monitor.replay.pace import Loop, PlayClock
from monitor.replay.seeking.map import Place, PlaceKind, RecordMap
from monitor.replay.seeking.playback import Playback
from monitor.replay.seeking.reading import MapMaking
from monitor.replay.series import SeriesStretch, series_about
from monitor.study.model import Study

VIEW_EVERY_S = 0.08
LEAD_IN_S = 3.0
"""A jump goes to this much before a place, in seconds of the drive; also where a loop about a trigger begins …"""
LOOP_AFTER_S = 5.0
"""… and this much after it the loop ends."""
NEAR_DAMAGE_S = 5.0
FIRST_VIEW_WITHIN_S = 20.0


class ReplayProvider:
    """The record at `path`; `by` enters notes and rulings into its addendum. `study`: judge by another study file."""

    def __init__(
        self,
        path: Path,
        *,
        by: str,
        study: Study | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Raises `RecordUnreadable`, and `StudyFaults` where the study in the record does not load."""
        self._making = MapMaking(path, study)
        self.map: RecordMap = self._making.map
        self._pace = PlayClock(self.map.length_s, clock)
        self._lookups = LookUps(self.map)
        self._playback = Playback(self.map)
        self._addendum = AddendumWriting(path, by)
        self._playback.addendum = self._addendum.entries
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._ready = threading.Event()
        self._steps = 0
        self._trouble = ""
        self._curtain: Curtain | None = None
        self._curtain_found: Curtain | None = None
        self._curtain_asked: tuple[object, ...] = ()
        self._reading = "reading 0 %"
        self._view: LiveView | None = None
        self._error: BaseException | None = None
        self._threads = [
            threading.Thread(target=self._read, name="reading", daemon=True),
            threading.Thread(target=self._play, name="replay", daemon=True),
        ]

    def start(self) -> None:
        """Returns when there is a first picture. Raises what went wrong before it."""
        for thread in self._threads:
            thread.start()
        self._lookups.start()
        if not self._ready.wait(FIRST_VIEW_WITHIN_S):
            raise WitnessError(f"{self.map.path}: no entry could be read within {FIRST_VIEW_WITHIN_S:.0f} s.")
        if self._error is not None and self._view is None:
            raise self._error

    @property
    def unsaved(self) -> str:
        """After `stop`: a sentence on entries that could not be written; empty where all are on disk."""
        count = self._addendum.unsaved
        words = "1 entry was" if count == 1 else f"{count} entries were"
        return f"{words} not saved beside {self.map.path}: {self._addendum.trouble}" if count else ""

    def stop(self) -> None:
        """Leaves; entries that were posted are on disk on return, or `unsaved` says why not."""
        self._stop.set()
        self._making.stop()
        self._wake.set()
        self._lookups.stop()
        for thread in self._threads:
            thread.join(10.0)

    # --- what a screen asks for

    def view(self) -> LiveView:
        """The newest picture."""
        view = self._view
        if view is None:
            raise WitnessError("There is no view yet.")
        unsaved = self._addendum.unsaved
        return replace(view, recorder=replace(view.recorder, unsaved=unsaved)) if unsaved else view

    def post(self, fields: dict[str, Any]) -> str:
        """A note or ruling for the addendum, with who and when; returns its key. The replay's thread writes it."""
        if self.map.state == "open":
            raise WitnessError("this record is not closed; recover it first, then notes can be added beside it")
        if fields.get("type") == "ruling":
            shown = (*self.view().trials, *self.trials())
            why_not = refused_entry(fields, shown, self.map.study.reasons)
            if why_not is not None:
                raise WitnessError(why_not)
            trial = next((one for one in shown if one.id == fields.get("trial")), None)
            if trial is not None:
                fields = {"seen": seen_now(trial, count_looks(self.map.path.resolve().parent)), **fields}
        key = self._addendum.post(fields)
        self._wake.set()
        return key

    def end(self, why: str) -> None:
        """A replay ends no run."""
        raise WitnessError("this is a replay: there is no run to end")

    # --- what takes a moment: asked for again and again until the answer is there

    def explained(self, trial_id: str) -> Answer:
        """An `Explanation` of a trial."""
        addendum = self._addendum.entries

        def work(playback: Playback) -> Explanation:
            playback.addendum = addendum
            return explain_trial(self.map, playback, trial_id)

        return self._lookups.ask(("explained", trial_id, len(addendum)), work)

    def series(self, drive: int, start_t: float, end_t: float) -> Answer:
        """A `SeriesStretch` between two times of a drive."""
        addendum = self._addendum.entries

        def work(playback: Playback) -> SeriesStretch:
            playback.addendum = addendum
            return series_about(self.map, playback, drive, start_t, end_t)

        return self._lookups.ask(("series", drive, start_t, end_t, len(addendum)), work)

    def judged_again(self, study_path: str) -> Answer:
        """Two judgements side by side (`Again`): by the study used here, and by another file."""
        return self._lookups.ask(("again", study_path), lambda _: judge_again(self.map, study_path))

    def swept(self, trigger: str, condition: str) -> Answer:
        """A `Sweep` of a condition's tolerance over all records in this one's directory."""
        folder = self.map.path.resolve().parent
        return self._lookups.ask(("swept", trigger, condition), lambda _: sweep_folder(folder, trigger, condition))

    def beside(self, other: Path, alignment: Alignment, trial_id: str | None) -> Answer:
        """This run and another one laid over each other: a pair of `LaidRun`, this one first."""

        def work(playback: Playback) -> tuple[LaidRun, LaidRun]:
            return lay_runs(ReadRun(self.map, playback), ReadRun.of(other), alignment, trial_id)

        return self._lookups.ask(("beside", other, alignment, trial_id), work)

    # --- moving about

    def transport(self) -> TransportView:
        """Where the replay stands."""
        with self._lock:
            pace = self._pace
            at_s, length_s, speed, playing = pace.at_s(), pace.length_s, pace.speed, pace.playing
        curtain = self._curtain
        if curtain is None:
            return TransportView(at_s, length_s, speed, playing, self._reading)
        said = self._reading or f"hidden from here on until {curtain.trial} is ruled on (blind record)"
        return TransportView(min(at_s, curtain.at_s), min(length_s, curtain.at_s), speed, playing, said)

    def play(self) -> None:
        self._change(lambda: self._pace.play())

    def pause(self) -> None:
        self._change(lambda: self._pace.pause())

    def set_speed(self, speed: float) -> None:
        """Times recorded time, 0.1 to 60."""
        self._change(lambda: self._pace.set_speed(speed))

    def seek(self, at_s: float) -> None:
        """Goes to so many seconds from the record's first message, clipped to its length."""
        self._change(lambda: self._pace.go(at_s))

    def step(self, frames: int) -> None:
        """Moves by so many frames (negative: back) and pauses."""

        def change() -> None:
            self._pace.pause()
            self._steps += frames

        self._change(change)

    def jump(self, direction: int, kind: PlaceKind = "trigger") -> Place | None:
        """Goes to just before the next (+1) or the previous (−1) trigger, or place of another kind; gives it."""
        places = [(self._beside(place, -LEAD_IN_S), place) for place in self.places(kind)]
        places.sort(key=lambda one: one[0])
        with self._lock:
            at_s = self._pace.at_s()
            # half a second while playing: a second press goes on to the one before, not to the same one again
            slack = 0.5 * self._pace.speed if self._pace.playing else 1e-3
            ahead = [one for one in places if one[0] > at_s + 1e-3]
            behind = [one for one in places if one[0] < at_s - slack]
            found = ahead[0] if direction > 0 and ahead else behind[-1] if direction < 0 and behind else None
            if found is not None:
                self._pace.go(found[0])
        self._wake.set()
        return found[1] if found is not None else None

    @property
    def looping(self) -> Loop | None:
        """The stretch that playing goes round, None where it does not."""
        return self._pace.loop

    def loop(self) -> Loop | None:
        """Goes round the trigger that is nearest to here; a second call ends it. Gives the loop, None once it ended."""
        places = self.places("trigger")

        def change() -> None:
            if self._pace.loop is not None or not places:
                self._pace.go_round(None)
                return
            at_s = self._pace.at_s()
            nearest = min(places, key=lambda place: abs(place.at_s - at_s))
            self._pace.go_round(Loop(self._beside(nearest, -LEAD_IN_S), self._beside(nearest, LOOP_AFTER_S)))

        self._change(change)
        return self._pace.loop

    def _beside(self, place: Place, seconds: float) -> float:
        """So many seconds of the drive from a place, in seconds of the record."""
        at_s = place.at_s + seconds if math.isnan(place.t) else self.map.at_s_of(place.drive, place.t + seconds)
        return min(max(at_s, 0.0), self.map.length_s)

    def at_s_of(self, drive: int, t: float) -> float:
        """A time of a drive in seconds of the record."""
        return self.map.at_s_of(drive, t)

    def trials(self) -> tuple[Trial, ...]:
        """All trials of the record, whatever the place; none until it has been read."""
        return self.map.session.trials() if self.map.session is not None else ()

    def places(self, kind: PlaceKind | None = None) -> list[Place]:
        """What can be jumped to, by time."""
        end_s = math.inf if self._curtain is None else self._curtain.at_s
        return [place for place in self.map.places if kind in (None, place.kind) and place.at_s <= end_s]

    def _change(self, change: Callable[[], None]) -> None:
        with self._lock:
            change()
        self._wake.set()

    # --- the threads

    def _read(self) -> None:
        try:
            self._making.run(self._progress)
            with self._lock:
                self._pace.length_s = self.map.length_s
            self._reading = ""
        except BaseException as error:
            # whatever ends this thread must reach the screen: it is shown as the transport's sentence
            self._reading = f"reading stopped: {error}"
            self._error = error
        self._wake.set()

    def _progress(self, part: float) -> None:
        self._reading = f"reading {100 * part:.0f} %"
        self._wake.set()

    def _play(self) -> None:
        revision = 0
        shown: tuple[object, ...] = ()
        try:
            while not self._stop.is_set():
                self._wake.clear()
                changed = self._addendum.write()
                self._playback.addendum = self._addendum.entries
                self._move()
                state = (self._playback.number, self._playback.at_s, self._playback.whole, self.map.done)
                if changed or state != shown:
                    revision += 1
                    shown = state
                    self._publish(revision)
                if not self._playback.whole:
                    # the picture is up; what it lacks is read now, and anything asked meanwhile comes after
                    self._playback.complete()
                    continue
                playing = self._pace.playing
                self._wake.wait(VIEW_EVERY_S if playing or not self.map.done else 0.5)
            self._addendum.write()
        except BaseException as error:
            # whatever ends this thread must reach the screen: it is raised by `start`, or shown as the last sentence
            self._error = error
            self._trouble = f"Replay stopped: {error}"
            if self._view is not None:
                self._publish(revision + 1)
        finally:
            self._ready.set()

    def _move(self) -> None:
        self._curtain = curtain = self._curtain_now()
        with self._lock:
            steps, self._steps = self._steps, 0
            at_s = self._pace.at_s()
            if curtain is not None and (at_s > curtain.at_s or (steps > 0 and self._playback.at_s >= curtain.at_s)):
                self._pace.pause()
                self._pace.go(curtain.at_s)
                at_s, steps = curtain.at_s, 0
        if steps:
            self._playback.step(steps)
            with self._lock:
                self._pace.go(self._playback.at_s)
        elif at_s > self.map.read_to_s and not self.map.done:
            # not read so far yet: until then the record's start is shown
            if not self._playback.number:
                self._playback.go_to(0.0)
        elif at_s != self._playback.at_s or not self._playback.number:
            self._playback.go_to(at_s, quick=True)

    def _curtain_now(self) -> Curtain | None:
        """Where a replay of a blind record ends. While it is being read, rulings to come are not known: it ends after
        the first trial then."""
        found = self.map
        if not self._making.is_blind:
            return None
        asked = (len(found.done_tracks), found.done, len(self._addendum.entries))
        if asked != self._curtain_asked:
            self._curtain_asked = asked
            self._curtain_found = first_hidden(found, lifting(self._addendum.entries))
        return self._curtain_found

    def _publish(self, revision: int) -> None:
        if self._playback.number == 0 and not self.map.done:
            return
        view = self._playback.view(RecorderView("replay", None, 0, self._sentence()), revision)
        view = self._making.keeping.added_to(view)
        self._view = replace(view, timeline=self._timeline(view))
        self._ready.set()

    def _timeline(self, view: LiveView) -> tuple[TimelineMark, ...]:
        """The drive's line with what is still to come: triggers, losses and findings of the whole of it."""
        known = [mark for mark in view.timeline if mark.kind not in ("trigger", "loss")]
        known += [
            TimelineMark(place.t, place.kind, place.label.partition(":")[0])
            for place in self.places()
            if place.drive == view.drive and place.kind in ("trigger", "loss", "finding") and not math.isnan(place.t)
        ]
        return tuple(sorted(known, key=lambda mark: mark.t))

    def _sentence(self) -> str:
        """What is to be said of the record: an entry not saved, then damage near here, then any damage."""
        if self._trouble or self._addendum.trouble:
            return self._trouble or self._addendum.trouble
        at_s = self._playback.at_s
        near = [count for place, count in self.map.holes if abs(place - at_s) <= NEAR_DAMAGE_S]
        if near:
            words = "1 entry" if sum(near) == 1 else f"{sum(near)} entries"
            return f"damaged here: {words} lost"
        damage = self.map.damage
        if damage:
            return damage[0] if len(damage) == 1 else f"{len(damage)} places damaged"
        return ""

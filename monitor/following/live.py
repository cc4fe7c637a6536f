"""Following a run that is being recorded: entries in, trials and a view out; and watching over the recorder.

`Following` does one step at a time in the caller's thread: a headless command's, or that of `slot.LiveProvider`.
"""

from __future__ import annotations

import math
import os
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from monitor.archive.looks import count_looks
from monitor.archive.rehearsals import NewestRehearsal, newest_rehearsal
from monitor.errors import WitnessError
from monitor.following.building import Viewing, build_view, with_trials
from monitor.following.coming.channels import ChannelWatch
from monitor.following.day import limit_now
from monitor.following.dry_run import is_ready, judge_dry
from monitor.following.kept.keeping import Keeping
from monitor.following.preflight import preflight
from monitor.following.recorder_watch import RecorderWatch
from monitor.following.reorder_buffer import Holding, is_frame
from monitor.following.status_stream import StatusStream, WriterWatch
from monitor.following.view import LiveView, PreflightView, RecorderView
from monitor.judging.case.trial import Trial
from monitor.judging.entered.rulings import seen_now
from monitor.judging.session import Session
from monitor.record.clock import SYSTEM_CLOCK
from monitor.record.entries import Entry, EntryKind, unpack_opening
from monitor.recorder.client import RecorderClient
from monitor.recorder.wire import RecorderStatus
from monitor.study.loading import parse_study

TAKE_AT_ONCE = 512
"""Entries of a record that is caught up with: what is kept for the screen is taken while its frames are there."""

BEHIND_S = 0.5
"""Frames that are recorded and not judged: from so many seconds of them on, the screen says that it is behind."""
JUST_NOW = 100
"""So many entries of the newest may not be read yet where all before are: at 60 Hz, some more than a second."""

PREFLIGHT_EVERY_S, PREFLIGHT_OVER_EVERY_S = 1.0, 5.0
REHEARSAL_EVERY_S = 30.0
REMIND_EVERY_S = 1.0

FIRE_NEAR_S = 0.3
"""So shortly before a fire each frame is measured as it comes, so that none of them waits when the fire is judged."""


class _Called(Exception):
    """Raised in the making of a view that gives way to what is to be judged."""


class Following:
    """One follower of a run. `restart` starts the recorder again on the same record; None for who only looks on.

    `status`: who writes tells others how the run stands; who only looks on is told whether somebody writes.
    """

    def __init__(
        self,
        client: RecorderClient,
        record: Path,
        *,
        by: str,
        restart: Callable[[], None] | None = None,
        status: StatusStream | WriterWatch | None = None,
    ) -> None:
        self.client = client
        self.record = record
        self.by = by
        self.session: Session | None = None
        self._watch = RecorderWatch(client, record, restart)
        self._status = status
        self.heard_ns = 0
        """When the newest frame came in at the recorder, judged or not yet; 0 before the first."""
        self.enters_shown = restart is not None
        """Whether what was told to the operator is entered as evidence: by who writes; a screen enters it itself."""
        self._shown: dict[str, tuple[str, str]] = {}
        self._generation = client.generation
        self._holding = Holding()
        self._keeping: Keeping | None = None
        self._channels = ChannelWatch(self._pause)
        self._gives_way = self._is_called = False
        self._unkept = False
        self._dry: Iterator[None] | None = None
        """What is left of judging once before anything has fired."""
        self._fire_due_s = math.inf
        """By this machine's monotonic clock."""
        self._trials: tuple[Trial, ...] = ()
        """As of what was judged last."""
        self.turned = False
        """Whether a trial's stage or verdict has changed since this was last set to False."""
        self._checked: PreflightView | None = None
        self._checked_at = 0.0
        self._rehearsal = NewestRehearsal()
        self._rehearsal_at = float("-inf")
        self._reminds = restart is not None
        self._reminded: set[tuple[str, str, float]] = set()
        self._remind_at = float("-inf")

    @property
    def failed(self) -> bool:
        """Whether recording failed at any time, as far as was heard."""
        return self._watch.failed

    def step(self, timeout_s: float) -> bool:
        """Judges what has come in, waiting at most so long; returns whether anything was judged."""
        if not self._is_called:  # else a handful more is kept together with it, when the fire has been told
            self._keep()  # of what the step before judged: a verdict was told before this
        self._is_called = False
        self._take_in(self._holding.wait_s(time.monotonic(), timeout_s))
        judged = soon = False
        entries: list[Entry] = []
        if self.session is not None:
            soon = self.decides_within(FIRE_NEAR_S)
            entries = self._holding.release(self.session, time.monotonic(), soon=soon)
            judged = bool(entries)
        if self.session is not None and self._keeping is not None and judged:
            for first in range(0, len(entries), TAKE_AT_ONCE):
                if first:
                    self._keep()
                self.session.take(entries[first : first + TAKE_AT_ONCE])
                self._unkept = True
            before, trials = self._trials, self.session.trials()
            self._trials = trials
            self.turned = self.turned or _verdicts(before) != _verdicts(trials)
            self._enter_shown(trials)
            self._remind()
            if not soon and is_ready(self.session):
                self._dry = self._dry or judge_dry(self.session)
                next(self._dry, None)
        self._watch.look()
        return judged

    def _take_in(self, timeout_s: float) -> None:
        """Takes what has come in to what waits to be judged; waits at most so long for it."""
        entries = self.client.entries(timeout_s)
        newest = next((entry for entry in reversed(entries) if is_frame(entry)), None)
        if newest is not None:
            self.heard_ns = newest.monotonic_ns
        if self.client.generation != self._generation:
            # a recorder that was started again had lost entries already handed over: they count for nobody
            self._generation, self.session = self.client.generation, None
            self._holding.forget()
        if entries and self.session is None:
            if entries[0].kind is not EntryKind.OPENING:
                raise WitnessError(f"{self.record}: the record does not begin with its opening; run: verify")
            opening = unpack_opening(entries[0].payload)
            self.session = Session(parse_study(opening.study_text, f"study file in {self.record}"), opening)
            self._keeping = Keeping(self.session.study)
        if self.session is not None:
            self._holding.add(entries, time.monotonic())
            if not self._holding.presses:
                self.session.read_ahead(entries)

    def _pause(self) -> None:
        """Between the parts of a view: raises `_Called` where something came in that is to be judged first."""
        if not self._gives_way:
            return
        session = self.session
        self._take_in(0.0)
        if self._holding.presses or self.session is not session:
            raise _Called

    def _keep(self) -> None:
        """Keeps what the screen shows of longer ago than judging keeps frames, and puts in order what was judged."""
        if self._unkept and self.session is not None and self._keeping is not None:
            self._keeping.take(self.session)
            self.session.tidy()
        self._unkept = False

    def post(self, fields: dict[str, Any]) -> str:
        """An operator's entry, on its way to the recorder; returns its key. A ruling carries what its author knew."""
        key = str(fields.get("key") or uuid.uuid4().hex)
        if fields.get("type") == "shown" and self.session is not None and self.session.closed:
            return key  # what is shown of a run after its end is no evidence, and a closed record takes nothing
        if fields.get("type") == "ruling" and self.session is not None:
            trial = next((one for one in self.session.trials() if one.id == fields.get("trial")), None)
            if trial is not None:
                fields = {"seen": seen_now(trial, count_looks(self.record.parent)), **fields}
        if fields.get("type") == "debrief" and self.session is not None:
            fired = [one for one in self.session.trials() if one.fired_at is not None]
            if fired:
                verdict = any(one.stage in ("final", "ruled") for one in fired)
                fields = {"seen": seen_now(fired[-1], count_looks(self.record.parent), verdict=verdict), **fields}
        self.client.send({"by": self.by, "wall": time.time(), **fields, "key": key})
        return key

    def status(self) -> RecorderStatus:
        """The recorder as last heard."""
        return self.client.status()

    def recorder_view(self) -> RecorderView:
        """The recorder in the words of the screen."""
        drive = self.session.current if self.session is not None else None
        return self._watch.view(over=drive is not None and drive.log.ended)

    def view(self, revision: int, *, gives_way: bool = False) -> LiveView | None:
        """The view of this moment; None before the record's opening has been read. `gives_way`: None as well where a
        marker, or anything else that is judged at once, came in while the view was made."""
        session, keeping = self.session, self._keeping
        if session is None or keeping is None:
            return None
        self._gives_way = gives_way
        try:
            return self._made(session, keeping, revision)
        except _Called:
            self._is_called = True
            return None

    def _made(self, session: Session, keeping: Keeping, revision: int) -> LiveView:
        view = build_view(
            session,
            Viewing(
                record=str(self.record), recorder=self.recorder_view(), age_s=self.frame_age_s(), revision=revision
            ),
            channels=self._channels,
        )
        left_s = None if view.outlook is None else view.outlook.seconds_left
        self._fire_due_s = math.inf if left_s is None else time.monotonic() + left_s
        self._pause()
        view = keeping.added_to(view)
        if view.feed.state == "stale":
            view = replace(view, feed=replace(view.feed, sentence=self.silence(view.feed.age_s, view.feed.sentence)))
        if self.behind_s > BEHIND_S:
            view = replace(view, feed=replace(view.feed, behind_s=self.behind_s))
        self._pause()
        view = replace(view, closing_digest=self.client.status().closed, preflight=self._preflight(session, view))
        operator = self.by if self._reminds and self._is_read_through else ""
        return replace(view, unattended=self._unattended(), operator=operator)

    def silence(self, age_s: float | None, otherwise: str = "") -> str:
        """What is said of a feed that is silent: who it is that is not heard, as far as that is known."""
        return self._watch.silence(age_s or 0.0, otherwise)

    def _unattended(self) -> str:
        return self._status.look() if isinstance(self._status, WriterWatch) else ""

    def tell(self, view: LiveView | None) -> None:
        """Tells others how the run stands, once a second; whoever only looks on tells nobody."""
        if view is not None and isinstance(self._status, StatusStream):
            self._status.tell(view)

    @property
    def is_status_due(self) -> bool:
        """Whether somebody may want to be told."""
        return isinstance(self._status, StatusStream) and self._status.is_due

    def told(self, view: LiveView, revision: int) -> LiveView | None:
        """A view with this moment's trials, at once; None where all of it has to be made anew."""
        return None if self.session is None else with_trials(view, self.session, self._trials, revision)

    def decides_within(self, seconds: float) -> bool:
        """Whether a fire that the newest view foresees, or a final verdict, is due in so many seconds."""
        final_s = self.session.final_in_s if self.session is not None else None
        due_s = (math.inf if final_s is None else final_s, self._fire_due_s - time.monotonic())
        return any(-seconds <= one <= seconds for one in due_s)

    def _preflight(self, session: Session, view: LiveView) -> PreflightView:
        """The preflight, made anew once a second until a trigger is near; rehearsals are looked at twice a minute."""
        now = time.monotonic()
        if now - self._rehearsal_at > REHEARSAL_EVERY_S:
            self._rehearsal = newest_rehearsal(self.record.parent, session.study.name)
            self._rehearsal_at = now
        every_s = PREFLIGHT_OVER_EVERY_S if self._checked is not None and self._checked.over else PREFLIGHT_EVERY_S
        if self._checked is None or now - self._checked_at > every_s:
            self._checked = preflight(session, view, self._rehearsal, time.time(), self._channels)
            self._checked_at = now
        return self._checked

    @property
    def behind_s(self) -> float:
        """How long what the recorder has and what is not judged yet took to happen."""
        session = self.session
        drive = session.current if session is not None else None
        if session is None or drive is None:
            return 0.0
        return (self._watch.number - session.last_number) * drive.log.period_s

    @property
    def _is_read_through(self) -> bool:
        """Whether all that was recorded before has been read, but for what comes in at this moment: who had the
        operator's place last is not known earlier."""
        known = self._watch.number
        return self.session is not None and 0 < known <= self.session.last_number + JUST_NOW

    def frame_age_s(self) -> float | None:
        """Seconds since the newest frame came in at the recorder; None before the first."""
        drive = self.session.current if self.session is not None else None
        if drive is None or not drive.log.last_received_ns:
            return None
        return max((SYSTEM_CLOCK.monotonic_ns() - self.heard_ns) / 1e9, 0.0)

    def close(self) -> None:
        """Leaves; the recorder goes on."""
        if self._status is not None:
            self._status.close()
        self.client.close()

    def _remind(self) -> None:
        """A limit of driving that is near or passed is entered once, by whoever writes: what was said is evidence."""
        now, session = time.monotonic(), self.session
        if not self._reminds or session is None or session.closed or session.study.day.limits is None:
            return
        if now - self._remind_at < REMIND_EVERY_S:
            return
        self._remind_at = now
        found = limit_now(session)
        if found is None:
            return
        said = {(one.about, one.level, one.since) for one in session.operator.day.reminders} | self._reminded
        one = (found.about, found.level, found.since)
        if one not in said:
            self._reminded.add(one)
            drive = session.current
            at = {} if drive is None else {"drive": drive.log.index, "at": float(drive.log.newest_t)}
            fields = {"about": found.about, "level": found.level, "since": found.since, "words": found.sentence}
            self.post({"type": "reminded", **at, **fields})

    def _enter_shown(self, trials: tuple[Trial, ...]) -> None:
        """What the operator is shown, and when, is evidence: whoever writes enters each change of a verdict."""
        if not self.enters_shown:
            return
        for trial in trials:
            state = (trial.stage, trial.verdict)
            if trial.stage in ("fired", "final") and self._shown.get(trial.id) != state:
                self._shown[trial.id] = state
                self.post({"type": "shown", "trial": trial.id, "stage": trial.stage, "verdict": trial.verdict})


def operator_name() -> str:
    """Who enters: the login name; "?" stands for bytes of it that are no UTF-8, which nothing could be entered with."""
    name = os.environ.get("TRIALWITNESS_OPERATOR") or os.environ.get("USER") or "operator"
    return name.encode(errors="replace").decode()


def _verdicts(trials: tuple[Trial, ...]) -> tuple[tuple[str, str, str], ...]:
    return tuple((trial.id, trial.stage, trial.verdict) for trial in trials)

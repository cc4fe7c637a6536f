"""The newest view of a live run in a slot: a following in a thread of its own.

The screen asks, nothing is pushed but a word that a verdict is there, and a stalled terminal holds up nothing.
"""

from __future__ import annotations

import queue
import threading
import time
import uuid
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from monitor.errors import WitnessError
from monitor.following.building import STALE_S
from monitor.following.heading.table import headings
from monitor.following.live import BEHIND_S, Following
from monitor.following.view import LiveView
from monitor.judging.entered.rulings import refused_entry
from monitor.record.clock import SYSTEM_CLOCK

VIEW_EVERY_S = 0.2
"""A view is made at most this often, but for one with another verdict: five a second, what the screen draws."""

AFTER_JUDGING, OTHERWISE = 0.75, 1.5
"""Of that time a view stands where something was judged since, and where nothing was."""

TAKES_S, STANDS_AT_MOST_S = 0.035, 0.3
"""A view that looks at all channels takes so long. One that is due so shortly before a verdict is put off until that is
told, and one that is being made gives way to a marker, as long as the view of before is not older than this."""

THIN_EVERY_S = 0.5
"""While more comes in than is judged, views are made this seldom, so that judging catches up."""


class LiveProvider:
    """A `ViewProvider` for screens: a following in its own thread."""

    def __init__(self, make: Callable[[], Following]) -> None:
        self._make = make
        self._outbox: queue.Queue[dict[str, Any]] = queue.Queue(maxsize=1000)
        self._asked: queue.SimpleQueue[Callable[[Following], None]] = queue.SimpleQueue()
        self._view: LiveView | None = None
        self._view_at = 0.0
        self._error: BaseException | None = None
        self._wake: Callable[[], None] = _nobody
        self._following: Following | None = None
        self._stop = threading.Event()
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._run, name="following", daemon=True)

    def start(self, timeout_s: float = 20.0) -> None:
        """Starts following; returns when there is a first view. Raises what the following raised."""
        self._thread.start()
        if not self._ready.wait(timeout_s):
            raise WitnessError("The record could not be followed: no entry could be read of it.")
        if self._error is not None:
            raise self._error

    def view(self) -> LiveView:
        """The newest view; its feed's age is that of the call, and so is whether the feed is stale: a view is up to
        `VIEW_EVERY_S` old."""
        view = self._view
        if view is None:
            raise WitnessError("There is no view yet.")
        waiting = self._outbox.qsize()
        if waiting:
            recorder = view.recorder
            view = replace(view, recorder=replace(recorder, state="saving", unsaved=recorder.unsaved + waiting))
        following = self._following
        if view.feed.age_s is None or following is None or self._stop.is_set():
            return view
        age_s = max((SYSTEM_CLOCK.monotonic_ns() - following.heard_ns) / 1e9, 0.0)
        feed = replace(view.feed, age_s=age_s)
        if feed.state == "live" and age_s > STALE_S:
            feed = replace(feed, state="stale", sentence=following.silence(age_s))
        return replace(view, feed=feed)

    def when_turned(self, wake: Callable[[], None]) -> None:
        """`wake` is called, in the following's thread, when a view with another verdict, or with another word at its
        head, is there: what is known must not wait for the screen's next drawing."""
        self._wake = wake

    def post(self, fields: dict[str, Any]) -> str:
        """Hands on an operator's entry; returns its key. Raises `WitnessError` for a ruling that is refused."""
        session = self._following.session if self._following is not None else None
        if session is not None and self._view is not None:
            why_not = refused_entry(fields, self._view.trials, session.study.reasons)
            if why_not is not None:
                raise WitnessError(why_not)
        key = uuid.uuid4().hex
        try:
            self._outbox.put_nowait({**fields, "key": key})
        except queue.Full as error:
            raise WitnessError("1000 entries wait to be saved; the recorder does not take them.") from error
        return key

    def end(self, why: str) -> None:
        """Asks the recorder to close the run."""
        self.post({"type": "end", "why": why})

    def name_place(self, directory: Path) -> None:
        """Names a directory of records in which the run is to go on while no disk takes what is to be written."""
        self._asked.put(lambda following: following.client.name_place(directory))

    def leave_unsaved(self) -> None:
        """After the run was ended: what no disk takes is to be left, and the recorder to end."""
        self._asked.put(lambda following: following.client.leave_unsaved())

    def stop(self) -> None:
        """Leaves; the recorder goes on."""
        self._stop.set()
        self._thread.join(3.0)

    def _run(self) -> None:
        following = None
        revision, changed, word = 0, False, ""
        try:
            following = self._following = self._make()
            following.enters_shown = False
            while not self._stop.is_set():
                changed = following.step(0.05) or changed
                while not self._outbox.empty():
                    following.post(self._outbox.get_nowait())
                while not self._asked.empty():
                    with suppress(WitnessError):  # it does not answer, which the screen says
                        self._asked.get_nowait()(following)
                is_behind = following.behind_s > BEHIND_S
                every_s = THIN_EVERY_S if is_behind else VIEW_EVERY_S
                # what was judged just now is shown before its time: frames have waited for it
                stands_s = (AFTER_JUDGING if changed else OTHERWISE) * every_s
                age_s = time.monotonic() - self._view_at
                is_old = age_s >= STANDS_AT_MOST_S
                if self._view is not None and not following.turned:
                    if age_s < stands_s or (not is_old and following.decides_within(TAKES_S)):
                        continue
                revision, changed = revision + changed, False
                turned, following.turned = following.turned, False
                told = following.told(self._view, revision) if turned and self._view is not None else None
                if told is not None:
                    self._view = told
                    self._wake()
                    changed = True
                    continue  # the rest of the view can wait until the screen has drawn the verdict
                # from its begin on: what is judged next must not wait for the time that this one takes
                was_at, self._view_at = self._view_at, time.monotonic()
                view = following.view(revision, gives_way=not (self._view is None or is_old or is_behind))
                if view is None:
                    self._view_at = was_at
                    following.turned = following.turned or turned
                else:
                    following.tell(view)
                    self._view = view
                    word, was = headings(view)[0][1].word, word
                    if turned or word != was:
                        self._wake()
                    self._ready.set()
            self._flush(following)
        except BaseException as error:
            # whatever ends this thread must reach the screen: it is raised by `start`, or shown as the last sentence
            self._error = error
            if self._view is not None:
                recorder = replace(self._view.recorder, state="lost", sentence=f"Following stopped: {error}")
                self._view = replace(self._view, recorder=recorder, feed=replace(self._view.feed, state="lost"))
            self._ready.set()
        finally:
            if following is not None:
                following.close()

    def _flush(self, following: Following) -> None:
        """Entries still on their way are given two seconds to be saved."""
        while not self._outbox.empty():
            following.post(self._outbox.get_nowait())
        deadline = time.monotonic() + 2.0
        while following.client.unsaved and time.monotonic() < deadline:
            following.step(0.05)


def _nobody() -> None:
    """Nobody waits for a verdict."""

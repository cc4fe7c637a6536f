"""The watch screen on a scripted view, for a benchmark: `python screen_child.py`, in a terminal.

Each view is as of now; every `EVERY_S` a trial turns. The time at which its view was there goes, with the words that
tell it, to the file descriptor in `TOLD_FD`.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from monitor.following.building import Viewing, build_view
from monitor.following.view import LiveView, RecorderView
from monitor.judging.case.trial import Trial, Verdict
from monitor.judging.session import Session
from monitor.record.reader import RecordReading
from monitor.screens.watch.app import WatchApp
from monitor.study.loading import parse_study

EVERY_S = 0.73
"""Not a multiple of the screen's own periods."""
VIEW_EVERY_S = 0.1


class Scripted:
    """Views of a record after its first trial, again and again with another revision, and a verdict that turns."""

    def __init__(self, view: LiveView, told_fd: int) -> None:
        self._view = view
        self._told_fd = told_fd
        self._wake: Callable[[], None] = lambda: None
        self._turns = 0
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        began = turned_at = time.monotonic()
        revision = 1
        while True:
            time.sleep(VIEW_EVERY_S)
            now = time.monotonic()
            revision += 1
            t = (self._view.t or 0.0) + VIEW_EVERY_S
            numbers = tuple(
                replace(one, value=None if one.value is None else one.value + 0.01) for one in self._view.numbers
            )
            self._view = replace(self._view, revision=revision, t=t, numbers=numbers)
            if now - turned_at >= EVERY_S and now - began > 3.0:
                turned_at = now
                self._turn(revision)

    def _turn(self, revision: int) -> None:
        self._turns += 1
        # no letter stands where it stood before: a screen writes only what has changed
        words = chr(ord("a") + self._turns % 26) * 10
        trials: tuple[Trial, ...] = self._view.trials[:-1]
        last = self._view.trials[-1]
        verdict: Verdict = "invalid" if self._turns % 2 else "undecided"
        trial = replace(last, id=f"1/{words}/1", trigger=words, verdict=verdict, stage="final", rulings=())
        self._view = replace(self._view, trials=(*trials, trial), revision=revision + 1)
        os.write(self._told_fd, (json.dumps([words, time.clock_gettime_ns(time.CLOCK_BOOTTIME)]) + "\n").encode())
        self._wake()

    def view(self) -> LiveView:
        return self._view

    def when_turned(self, wake: Callable[[], None]) -> None:
        self._wake = wake

    def post(self, fields: dict[str, Any]) -> str:
        return "key"

    def end(self, why: str) -> None:
        pass


def main(record: Path, told_fd: int) -> None:
    reading = RecordReading(record)
    session = Session(parse_study(reading.opening.study_text, str(record)), reading.opening)
    entries = [one for block in reading.blocks() for one in block]
    for first in range(0, len(entries), 60):
        session.take(entries[first : first + 60])
        if any(one.stage == "final" for one in session.trials()):
            break  # the drive goes on: once it has ended, a verdict heads no screen of 24 rows
    view = build_view(
        session, Viewing(record="r", recorder=RecorderView("recording", 400.0, 0, ""), age_s=0.0, revision=1)
    )
    WatchApp(Scripted(replace(view, trials=view.trials[:1]), told_fd)).run()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))

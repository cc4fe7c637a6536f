"""Listening to every run on this machine: the writers' status streams, the recorders' own state, the records' locks.

No entry of a run is subscribed to, so four runs cost some tens of small messages a second. A thread of its own looks
twice a second; a screen takes the newest rows and their age.
"""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import zmq

from monitor.following.overview.row import FIRST_WORD_S, Heard, RunRow, row_of
from monitor.following.overview.told import is_understood
from monitor.following.processes import process_state
from monitor.following.status_stream import status_endpoint
from monitor.record.disk import is_being_written
from monitor.record.places import is_emptied
from monitor.recorder.running import RunningRecorder, find_announced, sockets_here
from monitor.recorder.wire import STATUS, RecorderStatus, entries_endpoint, unpack_status

LOOK_EVERY_S = 0.5
SEARCH_EVERY_S = 3.0
CLOSED_STAYS_S = 60.0
"""A run that was closed stays in its place for so long."""
OLD_S = 12 * 3600.0
"""A run that was left unclosed longer ago is counted and has no row."""
EXERCISES = "drills"
"""Runs of the operator's exercise lie in DIRECTORY/drills/OPERATOR/TIME: they are nobody's, and have no row."""
NEVER_ANSWERED_S = 2.0
TRY_AGAIN_S = 10.0
"""Sockets that nobody answers at were left by a recorder that died: they are let go after the first of these, and tried
again after the second, since a recorder that is started again uses them again."""
EMPTIED_EVERY_S = 30.0
"""Every record's directory is listed for it: 18 µs each, which at each search would be 6 % of a core for 10,000."""


@dataclass(slots=True)
class _Ear:
    """One run's sockets. `record` is None until the recorder has said which it is."""

    sockets: Path
    record: Path | None
    writer: zmq.Socket[bytes]
    recorder: zmq.Socket[bytes]
    since: float
    told: dict[str, Any] | None = None
    told_at: float = 0.0
    status: RecorderStatus | None = None
    status_at: float = 0.0
    let_go_at: float | None = None
    """When its record was found closed."""

    def take(self, now: float) -> None:
        """The newest of both."""
        with suppress(zmq.Again, ValueError, TypeError, RecursionError):
            told = json.loads(self.writer.recv(zmq.NOBLOCK))
            if isinstance(told, dict):
                # what waited in a buffer is as old as it says; both clocks are this machine's
                wall = told.get("wall") if is_understood(told) else None
                self.told, self.told_at = told, now - max(time.time() - float(wall or time.time()), 0.0)
        with suppress(zmq.Again, ValueError, TypeError):
            self.status = unpack_status(self.recorder.recv(zmq.NOBLOCK))
            self.status_at = now
            if self.record is None and self.status.record:
                self.record = Path(self.status.record)

    def heard(self, now: float) -> Heard | None:
        """What is known of it; None where nobody has said which run it is."""
        if self.record is None:
            return None
        pid = self.told.get("pid") if self.told is not None else None
        is_held = _is_held(self.record)
        return Heard(
            record=self.record,
            is_held=bool(is_held),
            is_there=is_held is not None,
            since_s=now - self.since,
            told=self.told,
            told_age_s=now - self.told_at,
            writer=process_state(pid) if isinstance(pid, int) else "gone",
            recorder=self.status,
            recorder_age_s=now - self.status_at,
        )

    def close(self) -> None:
        """Lets go of the sockets."""
        self.writer.close(0)
        self.recorder.close(0)


@dataclass(frozen=True, slots=True)
class Overseen:
    """All runs as of `at` (monotonic seconds), each in its place; a place that is free is None."""

    at: float
    places: tuple[RunRow | None, ...] = ()
    old: int = 0
    """Runs that were left unclosed more than half a day ago."""
    exercises: int = 0
    """Operators' exercises that go on here."""
    trouble: str = ""
    """Why nothing newer is known, or a directory that cannot be looked into; empty where all is well."""

    @property
    def runs(self) -> tuple[RunRow, ...]:
        """Those that there are."""
        return tuple(one for one in self.places if one is not None)


@dataclass(slots=True)
class Listening:
    """All runs in some directories of records; with `everywhere` all of this user on this machine, and whatever else
    lies in the directories of those. `look` does one step in the caller's thread and never waits."""

    directories: Sequence[Path]
    everywhere: bool
    _context: zmq.Context[zmq.Socket[bytes]] = field(default_factory=zmq.Context)
    _ears: dict[Path, _Ear] = field(default_factory=dict)
    _deaf: dict[Path, float] = field(default_factory=dict)
    _places: list[Path | None] = field(default_factory=list)
    _searched_at: float = float("-inf")
    _old: int = 0
    _trouble: str = ""
    _emptied: dict[Path, tuple[float, str]] = field(default_factory=dict)
    """When each directory was last looked through for records of which nothing is left, and what is said of them."""

    def look(self) -> Overseen:
        """Takes what has come; gives all runs as they stand."""
        now = time.monotonic()
        if now - self._searched_at >= SEARCH_EVERY_S:
            self._searched_at = now
            self._search(now)
        rows: dict[Path, RunRow] = {}
        exercises = 0
        for sockets, ear in list(self._ears.items()):
            ear.take(now)
            heard = ear.heard(now)
            if heard is not None and is_exercise(heard.record):
                exercises += heard.is_held
                if not heard.is_held:
                    self._let_go(sockets)
                continue
            if heard is not None and heard.record.parent not in self.directories:
                self.directories = (*self.directories, heard.record.parent)
                self._searched_at = float("-inf")
            if heard is None:
                if now - ear.since > NEVER_ANSWERED_S:
                    self._let_go(sockets)
                continue
            row = row_of(heard)
            if row.state == "closed":
                ear.let_go_at = ear.let_go_at or now + CLOSED_STAYS_S
                if now > ear.let_go_at:
                    self._let_go(sockets)
                    continue
            rows[sockets] = row
        return Overseen(now, self._placed(rows), self._old, exercises, self._trouble)

    def _placed(self, rows: dict[Path, RunRow]) -> tuple[RunRow | None, ...]:
        """A run keeps its place while it is there; a new one takes the first that is free."""
        self._places = [one if one in rows else None for one in self._places]
        for sockets in sorted(rows, key=lambda one: rows[one].record.name):
            if sockets not in self._places:
                free = self._places.index(None) if None in self._places else len(self._places)
                self._places[free : free + 1] = [sockets]
        while self._places and self._places[-1] is None:
            self._places.pop()
        return tuple(None if one is None else rows[one] for one in self._places)

    def _search(self, now: float) -> None:
        self._old, self._trouble = 0, ""
        for directory in self.directories:
            for one in self._announced(directory, now):
                if one.sockets in self._ears:
                    continue
                if not _is_held(one.record) and time.time() - _written_at(one.record) > OLD_S:
                    self._old += 1
                    continue
                self._listen(one.sockets, one.record, now)
        if self.everywhere:
            for sockets in sockets_here():
                if sockets not in self._ears and now - self._deaf.get(sockets, float("-inf")) > TRY_AGAIN_S:
                    self._listen(sockets, None, now)

    def _emptied_in(self, directory: Path, now: float) -> str:
        """What is said of records of which nothing is left."""
        looked_at, said = self._emptied.get(directory, (float("-inf"), ""))
        if now - looked_at >= EMPTIED_EVERY_S:
            emptied = [one.name for one in directory.iterdir() if is_emptied(one) and not _is_held(one)]
            more = f" and {len(emptied) - 1} more" if len(emptied) > 1 else ""
            said = f"{directory}: nothing of a record is left in {min(emptied)}{more}" if emptied else ""
            self._emptied[directory] = now, said
        return said

    def _announced(self, directory: Path, now: float) -> list[RunningRecorder]:
        """The recorders of a directory. One that cannot be looked into is told, and hides no other one."""
        try:
            with os.scandir(directory):  # which is what tells that it cannot be looked into
                self._add_trouble(self._emptied_in(directory, now))
                return find_announced(directory)
        except OSError as error:
            if not (self.everywhere and isinstance(error, FileNotFoundError)):
                self._add_trouble(f"{directory} cannot be looked into: {error.strerror}")
            return []

    def _add_trouble(self, words: str) -> None:
        self._trouble = "; ".join(filter(None, (self._trouble, words)))

    def _listen(self, sockets: Path, record: Path | None, now: float) -> None:
        self._ears[sockets] = _Ear(
            sockets,
            record,
            self._newest(status_endpoint(sockets), b""),
            self._newest(entries_endpoint(sockets), STATUS),
            now,
        )

    def _newest(self, endpoint: str, beginning: bytes) -> zmq.Socket[bytes]:
        socket = self._context.socket(zmq.SUB)
        socket.linger = 0
        socket.setsockopt(zmq.CONFLATE, 1)
        socket.setsockopt(zmq.RECONNECT_IVL, 250)
        socket.subscribe(beginning)
        socket.connect(endpoint)
        return socket

    def _let_go(self, sockets: Path) -> None:
        self._ears.pop(sockets).close()
        self._deaf[sockets] = time.monotonic()

    @property
    def is_waiting(self) -> bool:
        """Whether a directory was not searched yet, or somebody has not said how a run stands and still may."""
        return self._searched_at == float("-inf") or any(
            ear.told is None or ear.status is None for ear in self._ears.values()
        )

    def close(self) -> None:
        """Lets go of all sockets."""
        self._context.destroy(0)


def is_exercise(record: Path) -> bool:
    """Whether a record is one of an operator's exercise."""
    return len(record.parents) > 3 and record.parents[2].name == EXERCISES


def look_once(directories: Sequence[Path], *, everywhere: bool) -> Overseen:
    """All runs as they stand, once each has had the time to say so (some three seconds at most)."""
    listening = Listening(directories, everywhere)
    try:
        until = time.monotonic() + FIRST_WORD_S + 0.2
        while True:
            seen = listening.look()
            if time.monotonic() > until or not listening.is_waiting:
                return seen
            time.sleep(0.05)
    finally:
        listening.close()


class Overseer:
    """Listens in a thread of its own."""

    def __init__(self, directories: Sequence[Path], *, everywhere: bool) -> None:
        self._listening = Listening(directories, everywhere)
        self._seen = Overseen(time.monotonic())
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="overview", daemon=True)
        self._thread.start()

    def seen(self) -> Overseen:
        """The newest look; where a disk holds the thread up, it grows old."""
        return self._seen

    def stop(self) -> None:
        """Ends it."""
        self._stop.set()
        self._thread.join(3.0)

    def _run(self) -> None:
        try:
            while not self._stop.wait(LOOK_EVERY_S):
                try:
                    self._seen = self._listening.look()
                except OSError as error:
                    self._seen = replace(self._seen, trouble=f"{error.filename}: {error.strerror}")
        finally:
            self._listening.close()


def _is_held(record: Path) -> bool | None:
    """Whether a recorder holds it; None where it cannot be looked at: withdrawn, renamed, or its disk is gone."""
    try:
        return is_being_written(record)
    except OSError:
        return None


def _written_at(record: Path) -> float:
    try:
        return max(file.stat().st_mtime for file in record.iterdir())
    except (OSError, ValueError):
        return 0.0

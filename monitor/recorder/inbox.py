"""Takes operator's entries, enters each key once, and answers when the bytes are on the disk."""

from __future__ import annotations

import os
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path

import zmq

from monitor.errors import RecordUnreadable
from monitor.record.entries import Entry, EntryKind, unpack_map
from monitor.record.proving import sync_parts
from monitor.record.reader import RecordReading
from monitor.recorder.signals import log
from monitor.recorder.wire import FOLLOWING, LEAVE, MAX_KEY, MAX_OPERATOR_BYTES, MAX_PATH, OPERATOR, PLACE, SAVED

KEYS_KEPT = 20_000
"""Keys of operator's entries remembered, the latest ones; a run has some hundreds."""
WAITING_MOST = 2_000
"""Entries that wait for the disk. Beyond, no more are taken; they stay with their senders, who say "saving"."""
ASKERS_MOST = 8
A_TURN = 64
"""Requests served before the feed has its turn again."""


class KeyMemory:
    """Which keys are in the record, and as which entry; the oldest are forgotten beyond `KEYS_KEPT`."""

    def __init__(self) -> None:
        self._numbers: OrderedDict[str, int] = OrderedDict()
        self._ready = threading.Event()
        self._ready.set()

    @property
    def ready(self) -> bool:
        """False while the keys of a resumed record are being read; nothing may be entered before."""
        return self._ready.is_set()

    def number_of(self, key: str) -> int | None:
        """The number of the entry with this key, None where there is none."""
        return self._numbers.get(key)

    def put(self, key: str, number: int) -> None:
        """Remembers a key."""
        self._numbers[key] = number
        if len(self._numbers) > KEYS_KEPT:
            self._numbers.popitem(last=False)

    def recall(self, record: Path, before: int, done: Callable[[], None]) -> None:
        """Reads the keys of the entries numbered below `before` in a thread of its own, then calls `done` from there.

        A long record takes seconds to read; the feed is taken in meanwhile. What the recorder before us had written
        may never have been synced, so that is done here, before any of those keys is acknowledged.
        """
        self._ready.clear()
        thread = threading.Thread(target=self._read, args=(record, before, done), name="keys", daemon=True)
        thread.start()

    def _read(self, record: Path, before: int, done: Callable[[], None]) -> None:
        try:
            sync_parts(record)
            for block in RecordReading(record).blocks(size=256):
                for entry in block:
                    if entry.kind == EntryKind.OPERATOR and entry.number < before:
                        key = operator_key(entry.payload)
                        if key is not None:
                            self.put(key, entry.number)
                if block[-1].number >= before:
                    break
                time.sleep(0)  # lets the intake thread have the interpreter between blocks
        except (OSError, RecordUnreadable) as error:
            log(f"keys of earlier entries could not be read: {error}")
        finally:
            self._ready.set()
            done()


class OperatorInbox:
    """The ROUTER's side of it. Belongs to the intake thread; only `acknowledge` depends on the disk."""

    def __init__(self, socket: zmq.Socket[bytes], keys: KeyMemory, enter: Callable[[bytes], Entry]) -> None:
        self._socket = socket
        self._keys = keys
        self._enter = enter
        self._waiting: OrderedDict[str, tuple[int, set[bytes]]] = OrderedDict()
        self.followed_s: float | None = None
        """When a follower last said that it is there, on the clock given to `serve`."""
        self.end_why: str | None = None
        """Why the run is to be closed, once an operator's entry asked for that."""
        self.takes_entries = True
        """False once the close entry stands: what comes then stays with its sender, unsaved."""
        self.named_place: str | None = None
        """A directory that the operator named for what no disk takes; None once it was used."""
        self.leaves_unsaved = False
        """Whether the operator said that what no disk takes is to be left."""

    def serve(self, now_s: float) -> bool:
        """Takes the requests that wait; True where an entry was made and the disk should be synced soon."""
        entered = False
        if not self._keys.ready:
            return False
        for _ in range(A_TURN):
            try:
                frames = self._socket.recv_multipart(zmq.NOBLOCK)
            except zmq.Again:
                break
            self.followed_s = now_s
            if len(frames) == 3 and frames[1] == OPERATOR:
                entered |= self._take(frames[0], frames[2])
            elif len(frames) == 3 and frames[1] == PLACE and len(frames[2]) <= MAX_PATH and b"\0" not in frames[2]:
                self.named_place = os.fsdecode(frames[2])
            elif frames[1:] == [LEAVE]:
                self.leaves_unsaved = not self.takes_entries
            elif frames[1:] != [FOLLOWING]:
                log(f"a request of {len(frames)} frames was not understood")
        return entered

    def acknowledge(self, synced: int) -> None:
        """Answers for all entries up to number `synced`, which are on the disk."""
        while self._waiting:
            key, (number, askers) = next(iter(self._waiting.items()))
            if number > synced:
                break
            del self._waiting[key]
            for asker in askers:
                self._answer(asker, key)

    def _take(self, asker: bytes, payload: bytes) -> bool:
        key = operator_key(payload)
        if key is None or len(payload) > MAX_OPERATOR_BYTES:
            log(f"an operator's entry of {len(payload)} bytes without a usable key was not entered")
            return False
        waiting = self._waiting.get(key)
        if waiting is not None:
            if len(waiting[1]) < ASKERS_MOST:
                waiting[1].add(asker)
            return False
        known = self._keys.number_of(key)
        if known is None and (len(self._waiting) >= WAITING_MOST or not self.takes_entries):
            return False
        number = self._enter(payload).number if known is None else known
        self._keys.put(key, number)
        self._waiting[key] = (number, {asker})
        if known is not None:
            self._waiting.move_to_end(key, last=False)  # an older number: keeps the order of numbers
        fields = unpack_map(payload)
        if fields.get("type") == "end":
            self.end_why = str(fields.get("why") or "the operator ended the run")
        return True

    def _answer(self, asker: bytes, key: str) -> None:
        try:
            self._socket.send_multipart([asker, SAVED, key.encode()], zmq.NOBLOCK)
        except zmq.ZMQError:
            pass  # that follower is gone or asks again


def operator_key(payload: bytes) -> str | None:
    """The key of an operator's entry, None where the payload is no such entry."""
    try:
        fields = unpack_map(payload)
    except RecordUnreadable:
        return None
    key = fields.get("key")
    return key if isinstance(key, str) and 0 < len(key) <= MAX_KEY and isinstance(fields.get("type"), str) else None

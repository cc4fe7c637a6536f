"""One follower's connection to a recorder: the record from its start, then live, and operator's entries until saved.

The numbers of entries have no holes: what is missing in the live stream is read from the record file, where it was
written before it was published. So a slow follower loses nothing, and costs the recorder a bounded queue.
"""

from __future__ import annotations

import os
import secrets
import time
from collections import OrderedDict, deque
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import zmq

from monitor.errors import RecordUnreadable, WitnessError
from monitor.record.entries import Entry, EntryKind, pack_operator, unpack_map
from monitor.record.proving import proven_entries
from monitor.record.reader import RecordFiles, RecordReading
from monitor.recorder.inbox import operator_key
from monitor.recorder.wire import (
    ENTRIES,
    FOLLOWING,
    FOLLOWING_EVERY_S,
    LEAVE,
    MAX_OPERATOR_BYTES,
    OPERATOR,
    PLACE,
    SAVED,
    STATUS,
    RecorderStatus,
    entries_endpoint,
    inbox_endpoint,
    unpack_batch,
    unpack_status,
)

MOST_ENTRIES = 4096
BATCHES_WAITING = 2_000
ALIVE_WITHIN_S = 1.5
SEND_AGAIN_S = 1.0
UNSAVED_MOST = 1_000
SENT_A_TURN = 64
PARTS_KEPT = 64
PROOF_EVERY_S = 2.0
"""A record whose recorder is gone is looked through for what is on the disk at most as often."""


class EntryRefused(WitnessError):
    """Raised when an operator's entry cannot be sent: too long, read-only, or too many wait for the disk already."""


class RecorderClient:
    """One follower's connection. A socket belongs to one thread: create and use it in the follower's thread only."""

    def __init__(self, sockets: Path, record: Path, writer: bool) -> None:
        self.generation = 1
        """Grows when a recorder that was started again had lost entries that were handed over (only where no disk took
        them): `entries` begins again at number 1, and whoever follows must forget what it had."""
        self.left_out = 0
        """Entries that neither the record nor the live stream could give, such as damaged ones."""
        self._record, self._writer = record, writer
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self._live = self._subscribed(sockets, ENTRIES)
        self._heard = self._subscribed(sockets, STATUS, newest_only=True)
        self._inbox = self._context.socket(zmq.DEALER)
        self._inbox.linger = 0
        self._inbox.setsockopt(zmq.IMMEDIATE, 1)  # nothing queues for a recorder that is not there; it is sent again
        self._inbox.setsockopt(zmq.RECONNECT_IVL, 100)
        self._inbox.connect(inbox_endpoint(sockets))
        self._poller = zmq.Poller()
        for socket in (self._live, self._heard, self._inbox):
            self._poller.register(socket, zmq.POLLIN)
        self._next = 1
        self._parts: deque[int] = deque(maxlen=PARTS_KEPT)
        self._boot = 0
        self._waiting: deque[Entry] = deque()
        self._file: Iterator[list[Entry]] | None = None
        self._rest: deque[Entry] = deque()
        self._read_file()
        self._status = RecorderStatus(alive=False)
        self._status_s = -1e9
        self._made_s = time.monotonic()
        self._stuck_at = 0
        self._closing = False
        """Whether the close entry was handed over, which does not say that it is on the disk."""
        self._proof_s = -1e9
        self._following_s = -1e9
        self._unsaved: OrderedDict[str, tuple[bytes, float]] = OrderedDict()
        self._entered: dict[str, int] = {}
        """Entries of ours that were handed over and not acknowledged: key → number."""
        self._saved: list[str] = []

    def entries(self, timeout_s: float) -> list[Entry]:
        """The next entries, at most 4096: from the record's start, then live; empty where none came in time.

        Entries are in the order of their numbers; `left_out` counts the numbers that could not be had.
        """
        deadline_s = time.monotonic() + timeout_s
        while True:
            self._exchange()
            entries = self._from_file() if self._file is not None or self._rest else self._from_stream()
            if entries:
                self._note(entries)
                return entries
            left_s = deadline_s - time.monotonic()
            if left_s <= 0:
                return []
            if self._file is None:
                self._poller.poll(int(min(left_s, 0.25) * 1000) + 1)

    def send(self, fields: dict[str, Any]) -> str:
        """Sends an operator's entry (see `pack_operator`) and gives its key; it is sent again until acknowledged.

        `key` and `wall` are added where missing. Does not block. Raises `EntryRefused`.
        """
        if not self._writer:
            raise EntryRefused("This screen is read-only; notes and rulings are entered on the operator's screen.")
        key = str(fields.get("key") or secrets.token_hex(8))
        payload = pack_operator({"wall": time.time(), **fields, "key": key})
        if len(payload) > MAX_OPERATOR_BYTES:
            raise EntryRefused(
                f"An entry may have {MAX_OPERATOR_BYTES // 1024} KiB; this one has {len(payload)} bytes."
            )
        if len(self._unsaved) >= UNSAVED_MOST:
            raise EntryRefused(f"{UNSAVED_MOST} entries wait to be saved already; wait until the recorder has them.")
        self._unsaved[key] = (payload, -1e9)
        self._exchange()
        return key

    @property
    def unsaved(self) -> int:
        """Operator's entries sent and not acknowledged yet."""
        return len(self._unsaved)

    def unsaved_entries(self) -> list[dict[str, Any]]:
        """Those entries: for showing them as text where nothing else can be done for them."""
        return [unpack_map(payload) for payload, _ in self._unsaved.values()]

    def name_place(self, directory: Path) -> None:
        """Names a directory of records in which the run is to go on while no disk takes what is to be written.

        What comes of it is in the recorder's state. Raises `EntryRefused`.
        """
        self._ask([PLACE, os.fsencode(directory.absolute())])

    def leave_unsaved(self) -> None:
        """After the run was ended: what no disk takes is to be left, and the recorder to end. Raises `EntryRefused`."""
        self._ask([LEAVE])

    def _ask(self, frames: list[bytes]) -> None:
        if not self._writer:
            raise EntryRefused("This screen is read-only; that is for the operator's screen.")
        try:
            self._inbox.send_multipart(frames, zmq.NOBLOCK)
        except zmq.Again:
            raise EntryRefused("The recorder does not answer at the moment; try again.") from None

    def acknowledged(self) -> list[str]:
        """Keys of the entries that are on the disk, as far as that was learnt since the last call."""
        self._exchange()
        saved, self._saved = self._saved, []
        return saved

    def status(self) -> RecorderStatus:
        """The recorder's state as last heard; `alive` is False where that is 1.5 s old, or it has closed the record."""
        self._exchange()
        silent_s = time.monotonic() - self._status_s
        age_s = self._status.age_s
        return replace(
            self._status,
            alive=silent_s < ALIVE_WITHIN_S and self._status.closed is None and not self._status.left,
            age_s=None if age_s is None else age_s + silent_s,
        )

    @property
    def silent_s(self) -> float:
        """Seconds since the recorder told its state; since this connection was made, where it has not yet."""
        return time.monotonic() - max(self._status_s, self._made_s)

    def close(self) -> None:
        """Ends the connection; what is not acknowledged by then may still be entered, or not."""
        self._context.destroy(0)

    # With the recorder.

    def _subscribed(self, sockets: Path, topic: bytes, newest_only: bool = False) -> zmq.Socket[bytes]:
        socket = self._context.socket(zmq.SUB)
        socket.linger = 0
        socket.rcvhwm = BATCHES_WAITING
        socket.setsockopt(zmq.CONFLATE, int(newest_only))
        socket.setsockopt(zmq.RECONNECT_IVL, 100)
        socket.subscribe(topic)
        socket.connect(entries_endpoint(sockets))
        return socket

    def _exchange(self) -> None:
        """Says that we follow, sends what is unsaved, takes acknowledgements and the recorder's state; where that is
        silent, looks into the record, so that its end is learnt also by who asks for entries alone."""
        now_s = time.monotonic()
        try:
            if now_s - self._following_s >= FOLLOWING_EVERY_S:
                self._inbox.send(FOLLOWING, zmq.NOBLOCK)
                self._following_s = now_s
            sent = 0
            for key, (payload, sent_s) in self._unsaved.items():
                if now_s - sent_s >= SEND_AGAIN_S and sent < SENT_A_TURN:
                    self._inbox.send_multipart([OPERATOR, payload], zmq.NOBLOCK)
                    self._unsaved[key] = (payload, now_s)
                    sent += 1
        except zmq.Again:
            pass  # no recorder there at the moment
        try:
            while True:
                answer = self._inbox.recv_multipart(zmq.NOBLOCK)
                if len(answer) == 2 and answer[0] == SAVED:
                    self._mark_saved(answer[1].decode())
        except zmq.Again:
            pass
        try:
            while True:
                self._take_status(unpack_status(self._heard.recv(zmq.NOBLOCK)), now_s)
        except zmq.Again:
            pass
        if now_s - self._status_s >= ALIVE_WITHIN_S and self._status.closed is None:
            self._look_for_proof()

    def _take_status(self, status: RecorderStatus, now_s: float) -> None:
        self._status, self._status_s = status, now_s
        self._save_what_was_closed()
        self._meet(status.boot, status.first)
        behind = status.number >= self._next and self._file is None and not self._rest
        if behind and (self._stuck_at == self._next or status.closed is not None):
            self._read_file()  # the end of the stream was lost to us, and nothing came after it to show that
        self._stuck_at = self._next if behind else 0

    def _save_what_was_closed(self) -> None:
        """The recorder calls a record closed when all of it is on the disk: so are our entries in it."""
        if self._status.closed is not None:
            for key in list(self._entered):
                self._mark_saved(key)

    def _look_for_proof(self) -> None:
        """The recorder has fallen silent, perhaps between its close entry and its last word: the record says how far it
        came, and whether that is on the disk."""
        now_s = time.monotonic()
        if self._boot == 0 or now_s - self._proof_s < PROOF_EVERY_S:
            return
        self._proof_s = now_s
        if not self._closing:
            if self._file is None and not self._rest:
                self._read_file()  # its last entries may be in the record, and never have been sent
            return
        first = min(self._entered.values(), default=self._next - 1)
        try:
            final = None
            for entry in proven_entries(self._record, max(0, first - 1)):
                final = entry
            if final is not None and final.kind == EntryKind.CLOSE:
                self._status = replace(self._status, closed=RecordFiles(self._record).digest)
                self._save_what_was_closed()
        except (OSError, RecordUnreadable):
            return  # then nobody can say that it is on the disk

    def _mark_saved(self, key: str) -> None:
        self._entered.pop(key, None)
        if self._unsaved.pop(key, None) is not None:
            self._saved.append(key)

    def _meet(self, boot: int, first: int) -> None:
        """Looks whether a recorder process not met before goes on from where the last one had come to."""
        if boot == self._boot:
            return
        self._boot = boot
        if first < self._next and first not in self._parts:
            self.generation += 1
            self._next = 1
            self._parts.clear()
            self._waiting.clear()
            self._rest.clear()
            self._read_file()

    # Entries.

    def _from_stream(self) -> list[Entry]:
        entries: list[Entry] = []
        while len(entries) < MOST_ENTRIES:
            if not self._waiting:
                try:
                    boot, first, batch = unpack_batch(self._live.recv(zmq.NOBLOCK))
                except zmq.Again:
                    break
                if boot != self._boot and entries:
                    self._waiting.extend(batch)  # hand over first what the earlier process wrote
                    break
                self._meet(boot, first)
                self._waiting.extend(batch)
                if self._file is not None:
                    break
            while self._waiting and self._waiting[0].number < self._next:
                self._waiting.popleft()
            if self._waiting and self._waiting[0].number > self._next:
                if not entries:
                    self._read_file()
                break
            while self._waiting and len(entries) < MOST_ENTRIES and self._waiting[0].number == self._next:
                entries.append(self._waiting.popleft())
                self._next += 1
        return entries

    def _read_file(self) -> None:
        self._file = self._blocks(self._next - 1)

    def _blocks(self, after: int) -> Iterator[list[Entry]]:
        try:
            yield from RecordReading(self._record).blocks(after=after)
        except (RecordUnreadable, OSError):
            return  # not begun yet, withdrawn, or on a failing disk: the stream goes on

    def _from_file(self) -> list[Entry]:
        """The next entries of the file; at its end the live stream goes on, over a hole where there is one."""
        while not self._rest and self._file is not None:
            block = next(self._file, None)
            if block is None:
                self._file = None
                self._leave_out()
                return []
            self._rest.extend(entry for entry in block if entry.number >= self._next)
        entries: list[Entry] = []
        while self._rest and len(entries) < MOST_ENTRIES:
            entry = self._rest.popleft()
            self.left_out += entry.number - self._next
            self._next = entry.number + 1
            entries.append(entry)
        return entries

    def _leave_out(self) -> None:
        """The file has ended; what it lacks before the first live entry cannot be had."""
        while self._waiting and self._waiting[0].number < self._next:
            self._waiting.popleft()
        if self._waiting:
            self.left_out += self._waiting[0].number - self._next
            self._next = self._waiting[0].number

    def _note(self, entries: list[Entry]) -> None:
        """Keeps the numbers of part entries, and those of our own entries that are not acknowledged."""
        for entry in entries:
            if entry.kind in (EntryKind.OPENING, EntryKind.PART):
                self._parts.append(entry.number)
            elif entry.kind == EntryKind.OPERATOR and self._unsaved:
                key = operator_key(entry.payload)
                if key is not None and key in self._unsaved:
                    self._entered[key] = entry.number
            elif entry.kind == EntryKind.CLOSE:
                self._closing = True
        self._save_what_was_closed()

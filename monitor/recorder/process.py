"""The recorder: one thread that takes messages into the record first, and hands the same entries on after that.

It decodes no feed message and knows no study. In its one thread, in this order each turn: messages → record →
followers; operator's entries → record; acknowledgements; connection events; ticks; its own state. The disk is synced
by the writer's thread, which wakes this one through a pipe.
"""

from __future__ import annotations

import gc
import os
import secrets
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import zmq

from monitor.errors import WitnessError
from monitor.feed.endpoint import Endpoint
from monitor.feed.subscriber import FeedSubscription
from monitor.record.bytes.framing import OVERHEAD
from monitor.record.clock import SYSTEM_CLOCK, Clock
from monitor.record.disk import DISK, DiskCalls, RecordNotWritable
from monitor.record.entries import Entry, EntryKind, pack_frames, pack_further, pack_map
from monitor.recorder.begin import open_writer
from monitor.recorder.disk_space import DiskSpace
from monitor.recorder.inbox import KeyMemory, OperatorInbox
from monitor.recorder.plan import RecorderPlan
from monitor.recorder.running import announce, check_sockets_directory, withdraw_announcement
from monitor.recorder.wire import (
    BATCH_BYTES,
    BATCHES_QUEUED,
    MAX_OPERATOR_BYTES,
    STATUS_EVERY_S,
    Batch,
    entries_endpoint,
    inbox_endpoint,
    pack_status,
)

CLOCK_STEP_S = 0.05
TOGETHER = 64
"""Waiting messages that are written together."""
A_TURN = 512
"""Messages of one endpoint in one turn, so that operator's entries and ticks have theirs during a burst."""
COLLECT_EVERY_S = 10.0


@dataclass(frozen=True, slots=True)
class Ended:
    """What a recorder came to."""

    digest: str
    """Of the last entry (hex)."""
    unsaved: tuple[Entry, ...]
    """Entries that no disk took, as far as memory held them; empty: the record is closed, and the digest is the closing
    one."""


class Recorder:
    """One run being recorded. Make it (which opens everything, or raises `WitnessError`), then `run` it."""

    def __init__(self, plan: RecorderPlan, clock: Clock = SYSTEM_CLOCK, disk: DiskCalls = DISK) -> None:
        self._plan, self._clock, self._timing = plan, clock, plan.timing
        self._record = Path(plan.record)
        self._stop_why: str | None = None
        self._stopped_at_once = False
        self._digest: str | None = None
        self._ending = False
        self._left = 0
        self._place_said = ""
        self._messages = 0
        self._space = DiskSpace(disk, self._record)
        self._boot = secrets.randbits(63)
        with ExitStack() as undo:
            self._wake_read, self._wake_write = os.pipe()
            undo.callback(os.close, self._wake_read)
            undo.callback(os.close, self._wake_write)
            os.set_blocking(self._wake_read, False)
            os.set_blocking(self._wake_write, False)
            check_sockets_directory(Path(plan.sockets))
            self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
            undo.callback(self._context.destroy, 0)
            self._poller = zmq.Poller()
            self._poller.register(self._wake_read, zmq.POLLIN)
            keys, now_s = plan.keys(), self._now_s()
            # Before the record, so that what arrives while a long record is looked through waits in the queue.
            self._feeds = [
                FeedSubscription(self._context, self._poller, Endpoint(address, keys, plan.link_timing), now_s)
                for address in plan.feeds
            ]
            self._writer, self._first = open_writer(plan, clock, disk, self._on_synced)
            if not plan.resume:  # else a passing trouble would close a run that can be gone on with
                undo.callback(self._writer.close, "the recorder could not begin")
            self._open_sockets()
            undo.pop_all()
        announce(plan)

    def stop(self, why: str, *, at_once: bool = False) -> None:
        """Asks for the record to be closed in good order; `at_once`: also where no disk takes its end.

        May be called from any thread.
        """
        self._stopped_at_once = self._stopped_at_once or at_once
        self._stop_why = why
        self._wake()

    def run(self) -> Ended:
        """Records until the run is ended, it is told to stop, or nobody needs it."""
        while self._stop_why is None:
            self._turn()
        return self._close(self._stop_why)

    # Opening.

    def _open_sockets(self) -> None:
        """After the lock on the record is ours: whoever binds takes the place of whoever was bound there."""
        sockets = Path(self._plan.sockets)
        self._out = self._context.socket(zmq.PUB)
        self._out.sndhwm = BATCHES_QUEUED
        inbox = self._context.socket(zmq.ROUTER)
        inbox.setsockopt(zmq.MAXMSGSIZE, 2 * MAX_OPERATOR_BYTES)
        for socket, endpoint in ((self._out, entries_endpoint(sockets)), (inbox, inbox_endpoint(sockets))):
            socket.linger = 0
            try:
                socket.bind(endpoint)
            except zmq.ZMQError as error:
                raise WitnessError(
                    f"{endpoint}: the recorder's socket cannot be made there: {error.strerror}"
                ) from error
        self._poller.register(inbox, zmq.POLLIN)
        keys = KeyMemory()
        if self._plan.resume:
            keys.recall(self._record, self._first, self._wake)
        self._inbox = OperatorInbox(inbox, keys, self._enter_operator)
        self._batch = Batch(self._boot, self._first)
        self._handed_on = self._first - 1
        self._offset_ns: int | None = None
        now_s = self._now_s()
        self._active_s = now_s
        self._message_s: float | None = None
        self._simulator_s: float | None = None
        self._tick_s = now_s + self._timing.first_tick_s
        self._beat_s = now_s
        self._collect_s = now_s + COLLECT_EVERY_S
        self._bytes = 0

    # One turn.

    def _turn(self) -> None:
        wait_s = min(self._tick_s, self._beat_s) - self._now_s()
        self._poller.poll(max(0, int(wait_s * 1000) + 1))
        self._drain_wake()
        now_s = self._now_s()
        if self._take_messages(A_TURN):
            self._message_s = now_s
            self._tick_s = now_s + self._timing.first_tick_s
        elif now_s >= self._tick_s:
            self._append(EntryKind.TICK, [b""])
            self._tick_s = now_s + self._timing.tick_s
        if self._inbox.serve(now_s):
            self._writer.sync_soon()
        self._inbox.acknowledge(self._writer.synced)
        self._use_named_place()
        for feed in self._feeds:
            for event in feed.watch(now_s):
                self._enter_intake(event.event, event.sentence, endpoint=event.endpoint)
        self._hand_on()
        if now_s >= self._beat_s:
            self._beat(now_s)
        if self._inbox.end_why is not None:
            self._stop_why = self._inbox.end_why

    def _take_messages(self, most: int) -> int:
        """Messages into the record, each handed on after it is in there; gives their count."""
        taken = 0
        for place, feed in enumerate(self._feeds):
            left = most
            while left > 0:
                messages = feed.receive(min(left, TOGETHER))
                if not messages:
                    break
                if place == 0:
                    self._append(EntryKind.MESSAGE, [pack_frames(frames) for frames in messages])
                    self._simulator_s = self._now_s()
                else:
                    self._append(EntryKind.FURTHER, [pack_further(place, frames) for frames in messages])
                taken += len(messages)
                left -= len(messages)
        self._messages += taken
        return taken

    def _use_named_place(self) -> bool:
        """Goes on in the directory that the operator named, if one was; whether one was."""
        named, self._inbox.named_place = self._inbox.named_place, None
        if named is None:
            return False
        try:
            self._writer.go_on_in(Path(named))
            self._place_said = ""
        except RecordNotWritable as error:
            self._place_said = str(error)
        return True

    def _append(self, kind: EntryKind, payloads: list[bytes]) -> list[Entry]:
        entries = self._writer.append_all(kind, payloads)
        for entry in entries:
            self._bytes += OVERHEAD + len(entry.payload)
            if entry.number == self._handed_on + 1:
                self._batch.add(entry)
                self._handed_on = entry.number
                if self._batch.size >= BATCH_BYTES:
                    self._send(self._batch.take())
        offset_ns = entries[-1].wall_ns - entries[-1].monotonic_ns
        step_ns = 0 if self._offset_ns is None else offset_ns - self._offset_ns
        self._offset_ns = offset_ns
        if abs(step_ns) > CLOCK_STEP_S * 1e9:
            step_s = step_ns / 1e9
            way = "forward" if step_s > 0 else "back"
            sentence = (
                f"the machine's wall clock was set {way} by {abs(step_s):.3f} s; the order of entries is not touched"
            )
            self._enter_intake("clock-step", sentence, step_s=step_s)
        return entries

    def _enter_intake(self, event: str, sentence: str, **more: Any) -> None:
        self._append(EntryKind.INTAKE, [pack_map({"event": event, "sentence": sentence, **more})])

    def _enter_operator(self, payload: bytes) -> Entry:
        return self._append(EntryKind.OPERATOR, [payload])[0]

    def _hand_on(self) -> None:
        """Sends what is in the batch, and what the writer entered by itself (a new part's first entry)."""
        if self._writer.last > self._handed_on:
            for entry in self._writer.entries_after(self._handed_on):
                self._batch.add(entry)
                self._handed_on = entry.number
        if self._batch.size:
            self._send(self._batch.take())

    def _send(self, message: bytes) -> None:
        try:
            self._out.send(message, zmq.NOBLOCK)
        except zmq.Again:  # a PUB drops instead; were it ever said, a follower reads the file
            pass

    def _beat(self, now_s: float) -> None:
        self._beat_s = now_s + STATUS_EVERY_S
        self._space.written(now_s, self._bytes, self._writer.place)
        self._send(pack_status(self._state(now_s)))
        if now_s >= self._collect_s:
            self._collect_s = now_s + COLLECT_EVERY_S
            gc.collect()  # by hand, because a recorder process has the automatic one switched off
        self._active_s = max(self._active_s, self._message_s or 0.0, self._inbox.followed_s or 0.0)
        if now_s - self._active_s >= self._plan.idle_close_s:
            minutes = self._plan.idle_close_s / 60
            self._stop_why = f"nothing had arrived and no screen had followed for {minutes:g} min"

    def _state(self, now_s: float) -> dict[str, Any]:
        writer = self._writer
        return {
            "boot": self._boot,
            "pid": os.getpid(),
            "first": self._first,
            "number": writer.last,
            "synced": writer.synced,
            "trouble": writer.trouble,
            "minutes_left": self._space.minutes_left,
            "age_s": None if self._simulator_s is None else now_s - self._simulator_s,
            "messages": self._messages,
            "feeds": [[feed.endpoint, feed.state, feed.sentence, feed.rebuilt] for feed in self._feeds],
            "closed": self._digest,
            "ending": self._ending,
            "left": self._left,
            "place_said": self._place_said,
            "record": str(self._record),
        }

    # From the writer's sync thread.

    def _on_synced(self, number: int) -> None:
        self._space.ask(self._now_s())
        self._wake()

    def _wake(self) -> None:
        try:
            os.write(self._wake_write, b"\0")
        except BlockingIOError:
            pass  # full: the thread is about to wake anyway

    def _drain_wake(self) -> None:
        try:
            while len(os.read(self._wake_read, 4096)) == 4096:
                pass
        except BlockingIOError:
            pass

    # Closing.

    def _close(self, why: str) -> Ended:
        """Stop intake, drain, close the record (which syncs), answer, let go. See the shutdown order in DEVELOPERS."""
        self._drain()
        self._inbox.serve(self._now_s())
        self._inbox.takes_entries = False
        self._hand_on()
        if not self._writer.finish(why):
            self._wait_for_a_disk(why)
        self._hand_on()
        saved = self._writer.synced == self._writer.last
        ended = Ended(self._writer.digest, () if saved else tuple(self._writer.unsynced()))
        self._digest, self._left = (ended.digest, 0) if saved else (None, self._writer.last - self._writer.synced)
        self._writer.release()
        self._inbox.acknowledge(self._writer.synced)
        self._send(pack_status(self._state(self._now_s())))
        withdraw_announcement(self._record)
        self._context.destroy(int(1000 * self._timing.farewell_s))
        sockets = Path(self._plan.sockets)
        for left in (*sockets.glob("entries"), *sockets.glob("inbox"), *sockets.glob("status")):
            left.unlink(missing_ok=True)
        try:
            sockets.rmdir()
        except OSError:
            pass  # something else is in there; it is not ours to remove
        return ended

    def _drain(self) -> None:
        """Takes in what waits, and ends the connections to the feeds."""
        drained_s = self._now_s() + self._timing.drain_s
        quiet_s = self._now_s() + self._timing.drain_quiet_s
        while (now_s := self._now_s()) < min(drained_s, quiet_s):
            if self._take_messages(A_TURN):
                quiet_s = now_s + self._timing.drain_quiet_s
            else:
                self._poller.poll(int(self._timing.drain_quiet_s * 200))
                self._drain_wake()
        for feed in self._feeds:
            feed.close()

    def _wait_for_a_disk(self, why: str) -> None:
        """No disk takes the end of the record: it stays in memory and is said, until one does, the operator leaves it,
        a signal ends us, or nobody has followed for as long as an idle run is kept."""
        self._ending = True
        retry_s = self._now_s() + self._timing.ending_retry_s
        followed_s = self._now_s()
        while not self._stopped_at_once and not self._inbox.leaves_unsaved:
            self._beat_s = self._now_s() + STATUS_EVERY_S
            self._send(pack_status(self._state(self._now_s())))
            self._poller.poll(int(1000 * STATUS_EVERY_S))
            self._drain_wake()
            now_s = self._now_s()
            self._inbox.serve(now_s)
            self._inbox.acknowledge(self._writer.synced)
            self._hand_on()
            followed_s = max(followed_s, self._inbox.followed_s or 0.0)
            if now_s - followed_s >= self._plan.idle_close_s:
                return
            if self._use_named_place() or now_s >= retry_s:
                retry_s = now_s + self._timing.ending_retry_s
                if self._writer.finish(why):
                    self._ending = False
                    return

    def _now_s(self) -> float:
        return self._clock.monotonic_ns() / 1e9

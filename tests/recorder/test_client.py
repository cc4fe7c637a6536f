"""A follower's entries have no holes, whatever happens to the stream, the follower, or the recorder."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import zmq

from monitor.record.clock import SystemClock
from monitor.record.disk import DiskCalls
from monitor.record.entries import Entry, EntryKind, pack_map
from monitor.record.writer import RecordWriter
from monitor.recorder import client as client_module
from monitor.recorder import process as process_module
from monitor.recorder.wire import Batch, pack_status, unpack_batch
from tests.recorder.conftest import OPENING, Follower, House, Inside


class HandMade:
    """A recorder's side of the stream, made by hand so that the test says what gets through."""

    def __init__(self, house: House) -> None:
        self.house = house
        self.writer = RecordWriter.create(house.record, OPENING)
        self.boot, self.first = 7, 1
        self.out = house.context.socket(zmq.PUB)
        self.out.linger = 0
        self.out.bind(f"ipc://{house.sockets}/entries")

    def publish(self, *entries: Entry) -> None:
        batch = Batch(self.boot, self.first)
        for entry in entries:
            batch.add(entry)
        self.out.send(batch.take())

    def say(self, **more: object) -> None:
        fields = {"boot": self.boot, "pid": 1, "first": self.first, "number": self.writer.last, "synced": 0}
        self.out.send(pack_status(fields | {"feeds": []} | more))

    def met(self, follower: Follower) -> None:
        """Until the follower has heard the stream."""
        ours = self.boot

        def step() -> bool:
            self.say()
            follower.follow()
            return follower.client.status().boot == ours

        self.house.wait_until(step, "the state at the follower")


@pytest.fixture
def by_hand(house: House) -> Iterator[HandMade]:
    made = HandMade(house)
    yield made
    made.writer.close("test")


def numbers(follower: Follower) -> list[int]:
    return [entry.number for entry in follower.entries]


def test_a_hole_in_the_stream_is_filled_from_the_record(house: House, by_hand: HandMade) -> None:
    follower = house.follow()
    by_hand.met(follower)
    entries = [by_hand.writer.append(EntryKind.TICK, b"") for _ in range(10)]
    by_hand.publish(*entries[:3])
    by_hand.publish(*entries[7:])
    follower.until(lambda: len(follower.entries) == 11, "all entries")
    assert numbers(follower) == list(range(1, 12))
    assert follower.client.left_out == 0


def test_the_lost_end_of_a_stream_is_noticed_by_the_recorders_state(house: House, by_hand: HandMade) -> None:
    follower = house.follow()
    by_hand.met(follower)
    for _ in range(5):
        by_hand.writer.append(EntryKind.TICK, b"")

    def step() -> bool:
        by_hand.say()
        return len(follower.entries) == 6

    follower.until(step, "the entries that were never published")
    assert numbers(follower) == list(range(1, 7))


def test_entries_published_twice_are_handed_over_once(house: House, by_hand: HandMade) -> None:
    follower = house.follow()
    by_hand.met(follower)
    entries = [by_hand.writer.append(EntryKind.TICK, b"") for _ in range(4)]
    by_hand.publish(*entries)
    by_hand.publish(*entries)
    last = by_hand.writer.append(EntryKind.MESSAGE, b"")
    by_hand.publish(entries[-1], last)
    follower.until(lambda: last in follower.entries, "the last entry")
    assert numbers(follower) == list(range(1, 7))


def test_a_damaged_entry_is_left_out_and_counted_and_the_rest_follows(house: House, by_hand: HandMade) -> None:
    for number in range(20):
        by_hand.writer.append(EntryKind.OPERATOR, pack_map({"key": f"needle-{number:02}", "type": "note"}))
    part = house.record / "part-0001.twr"
    raw = part.read_bytes()
    part.write_bytes(raw.replace(b"needle-07", b"Needle-07"))
    follower = house.follow()
    follower.until(lambda: follower.entries and numbers(follower)[-1] == 21, "the last entry")
    assert numbers(follower) == [number for number in range(1, 22) if number != 9]
    assert follower.client.left_out == 1


def test_entries_that_no_disk_took_and_a_dead_recorder_lost_begin_a_new_generation(
    house: House, by_hand: HandMade
) -> None:
    follower = house.follow()
    by_hand.met(follower)
    only_in_memory = [Entry(EntryKind.MESSAGE, number, number, number, b"lost") for number in (2, 3, 4)]
    by_hand.publish(*only_in_memory)
    follower.until(lambda: only_in_memory[-1] in follower.entries, "entries that are in no file")
    assert follower.client.generation == 1
    begun = by_hand.writer.append(EntryKind.PART, pack_map({"why": "started again"}))
    by_hand.boot, by_hand.first = 8, begun.number
    by_hand.publish(begun)
    follower.entries.clear()
    follower.until(lambda: begun in follower.entries, "the new recorder's first entry")
    assert follower.client.generation == 2
    assert numbers(follower) == [1, 2]
    assert follower.entries[1].payload == begun.payload


def test_a_recorder_that_lost_nothing_goes_on_in_the_same_generation(house: House, by_hand: HandMade) -> None:
    follower = house.follow()
    by_hand.met(follower)
    begun = by_hand.writer.append(EntryKind.PART, pack_map({"why": "started again"}))
    by_hand.boot, by_hand.first = 8, begun.number
    by_hand.publish(begun)
    after = by_hand.writer.append(EntryKind.TICK, b"")
    by_hand.publish(after)
    follower.until(lambda: after in follower.entries, "the new recorder's entries")
    by_hand.met(follower)
    assert follower.client.generation == 1
    assert numbers(follower) == [1, 2, 3]


def test_it_waits_for_a_record_that_is_not_there_yet(house: House) -> None:
    follower = house.follow()
    assert follower.client.entries(0.05) == []
    assert not follower.client.status().alive
    writer = RecordWriter.create(house.record, OPENING)
    writer.close("done")
    assert follower.client.entries(0.05) == []
    follower.client._read_file()
    follower.until(lambda: len(follower.entries) == 2, "the record")


def test_batches_are_bounded_and_a_large_record_is_handed_over_in_several(house: House, by_hand: HandMade) -> None:
    for _ in range(10_000):
        by_hand.writer.append(EntryKind.TICK, b"")
    follower = house.follow()
    sizes: list[int] = []
    while sum(sizes) < 10_001:
        sizes.append(len(follower.client.entries(5.0)))
        assert 0 < sizes[-1] <= client_module.MOST_ENTRIES
    assert len(sizes) > 2


def test_a_follower_that_falls_behind_a_short_queue_still_gets_every_entry(
    house: House, inside: Inside, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(process_module, "BATCHES_QUEUED", 2)
    monkeypatch.setattr(client_module, "BATCHES_WAITING", 2)
    feed, endpoint = house.publisher()
    recorder = inside(house.plan(endpoint))
    slow, quick = house.follow(), house.follow()
    house.subscribed(feed, quick)
    slow.until(lambda: slow.messages, "the stream at the slow one")
    for number in range(400):
        feed.send_multipart([b"frame", b"%d" % number + b"x" * 20_000])
        quick.follow()
    quick.until(lambda: quick.messages[-1][1].startswith(b"399x"), "the last message at the quick one")
    slow.until(lambda: slow.messages[-1][1].startswith(b"399x"), "the last message at the slow one")
    recorder.stop("done")
    slow.until(lambda: EntryKind.CLOSE in slow.kinds, "the close entry at the slow one")
    quick.until(lambda: EntryKind.CLOSE in quick.kinds, "the close entry at the quick one")
    for follower in (slow, quick):
        assert follower.entries == house.read()
        assert follower.client.left_out == 0


class SetClock(SystemClock):
    """The machine's clocks, with a wall clock that somebody sets."""

    def __init__(self) -> None:
        super().__init__()
        self.set_by_s = 0.0

    def wall_ns(self) -> int:
        return super().wall_ns() + int(self.set_by_s * 1e9)


def test_a_wall_clock_that_is_set_is_entered_and_changes_no_order(house: House, inside: Inside) -> None:
    clock = SetClock()
    feed, endpoint = house.publisher()
    inside(house.plan(endpoint), clock=clock)
    follower = house.follow()
    house.subscribed(feed, follower)

    def steps() -> list[dict[str, Any]]:
        return [fields for fields in follower.intake if fields["event"] == "clock-step"]

    clock.set_by_s += 0.03
    feed.send_multipart([b"frame", b"a slow correction"])
    follower.until(lambda: [b"frame", b"a slow correction"] in follower.messages, "a message")
    assert steps() == []
    clock.set_by_s += 3600
    follower.until(lambda: len(steps()) == 1, "the step forward")
    clock.set_by_s -= 7200
    follower.until(lambda: len(steps()) == 2, "the step back")
    assert [round(fields["step_s"]) for fields in steps()] == [3600, -7200]
    assert steps()[1]["sentence"].startswith("the machine's wall clock was set back by 7200")
    assert numbers(follower) == list(range(1, len(follower.entries) + 1))
    times = [entry.monotonic_ns for entry in follower.entries]
    assert times == sorted(times)


class FailingDisk(DiskCalls):
    """A disk that fails its writes and syncs below one directory from when it is told to."""

    def __init__(self, directory: Path) -> None:
        self.directory = str(directory)
        self.failing = False
        self.bad: set[int] = set()

    def open(self, path: Path, flags: int, mode: int = 0o600) -> int:
        descriptor = super().open(path, flags, mode)
        if str(path).startswith(self.directory):
            self.bad.add(descriptor)
        return descriptor

    def close(self, descriptor: int) -> None:
        self.bad.discard(descriptor)
        super().close(descriptor)

    def write(self, descriptor: int, data: bytes) -> int:
        if self.failing and descriptor in self.bad:
            raise OSError(28, "No space left on device")
        return super().write(descriptor, data)


def test_a_full_disk_is_said_and_recording_goes_on_in_the_second_place(house: House, inside: Inside) -> None:
    second = house.room / "second"
    second.mkdir()
    disk = FailingDisk(house.record)
    feed, endpoint = house.publisher()
    inside(replace(house.plan(endpoint), second=str(second)), disk=disk)
    follower = house.follow(writer=True)
    wire = house.context.socket(zmq.SUB)
    wire.subscribe(b"E")
    wire.connect(f"ipc://{house.sockets}/entries")
    house.subscribed(feed, follower)
    house.wait_until(lambda: feed.send_multipart([b"frame", b""]) or wire.poll(10), "the stream")
    disk.failing = True
    feed.send_multipart([b"frame", b"while the disk is full"])
    follower.until(lambda: [b"frame", b"while the disk is full"] in follower.messages, "the message")
    key = follower.client.send({"type": "note", "by": "operator", "text": "still saved"})
    follower.until(lambda: key in follower.saved, "the acknowledgement from the second place")
    follower.until(lambda: follower.client.status().trouble, "the sentence about the disk")
    assert EntryKind.PART in follower.kinds
    published: list[int] = []
    while wire.poll(200) and (not published or published[-1] < follower.entries[-1].number):
        published += [entry.number for entry in unpack_batch(wire.recv())[2]]
    assert published == list(range(published[0], published[0] + len(published))), "the new part's entry among them"
    assert follower.client.left_out == 0
    late = house.follow()
    late.until(lambda: len(late.entries) >= len(follower.entries), "a late follower")
    assert late.entries[: len(follower.entries)] == follower.entries


def test_the_state_tells_what_a_screen_needs(house: House, inside: Inside) -> None:
    feed, endpoint = house.publisher()
    inside(house.plan(endpoint))
    follower = house.follow()
    house.subscribed(feed, follower)

    def known() -> bool:
        feed.send_multipart([b"frame", b"x" * 1000])
        status = follower.client.status()
        return status.minutes_left is not None and status.synced > 1 and status.messages > 10

    follower.until(known, "minutes left, synced and messages")
    status = follower.client.status()
    assert status.alive
    assert status.minutes_left is not None
    assert status.minutes_left > 1
    assert status.trouble is None
    assert status.closed is None
    assert status.age_s is not None
    assert status.age_s < 5
    assert status.number >= status.synced
    (link,) = status.feeds
    assert (link.endpoint, link.state, link.sentence) == (endpoint, "live", f"messages come from {endpoint}")
    assert status.pid > 0

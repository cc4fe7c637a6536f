"""An operator's entry is acknowledged when it is on the disk, and entered once however often it is sent."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import zmq

from monitor.record.entries import EntryKind, pack_operator
from monitor.recorder.client import UNSAVED_MOST, EntryRefused
from monitor.recorder.inbox import KEYS_KEPT, KeyMemory
from tests.recorder.conftest import HeldDisk, House, Inside, note


def test_no_acknowledgement_before_the_sync_and_the_feed_goes_on_meanwhile(
    house: House, inside: Inside, held_disk: HeldDisk
) -> None:
    disk = held_disk
    feed, endpoint = house.publisher()
    inside(house.plan(endpoint), disk=disk)
    follower = house.follow(writer=True)
    house.subscribed(feed, follower)
    disk.free.clear()
    key = follower.client.send(note())
    follower.until(lambda: follower.operator, "the entry, handed on")
    assert disk.waiting.wait(10)
    for number in range(200):
        feed.send_multipart([b"frame", b"%d" % number])
    follower.until(lambda: [b"frame", b"199"] in follower.messages, "messages while the disk is held")
    assert follower.client.unsaved == 1
    assert follower.saved == []
    disk.free.set()
    follower.until(lambda: follower.saved == [key], "the acknowledgement")
    assert follower.client.unsaved == 0
    entered = follower.operator[0]
    assert (entered["type"], entered["text"], entered["by"], entered["key"]) == ("note", "a note", "operator", key)
    assert entered["wall"] > 1.7e9
    number = next(entry.number for entry in follower.entries if entry.kind == EntryKind.OPERATOR)
    follower.until(lambda: follower.client.status().synced >= number, "the synced number")


def test_a_key_sent_twice_is_entered_once_and_acknowledged_each_time(house: House, inside: Inside) -> None:
    _, endpoint = house.publisher()
    inside(house.plan(endpoint))
    one, other = house.follow(writer=True), house.follow(writer=True)
    one.client.send(note(key="k1"))
    one.until(lambda: one.saved == ["k1"], "the first acknowledgement")
    other.client.send(note(key="k1"))
    other.until(lambda: other.saved == ["k1"], "the second acknowledgement")
    one.client.send(note("another", key="k2"))
    one.until(lambda: len(one.operator) == 2, "the next entry")
    assert [fields["key"] for fields in one.operator] == ["k1", "k2"]


def test_a_key_waiting_for_the_disk_is_entered_once_and_both_askers_are_answered(
    house: House, inside: Inside, held_disk: HeldDisk
) -> None:
    disk = held_disk
    _, endpoint = house.publisher()
    inside(house.plan(endpoint), disk=disk)
    one, other = house.follow(writer=True), house.follow(writer=True)
    one.until(lambda: one.client.status().alive, "the recorder")
    disk.free.clear()
    one.client.send(note(key="k1"))
    one.until(lambda: one.operator, "the entry")
    other.client.send(note(key="k1"))
    other.until(lambda: other.operator and other.client.unsaved == 1, "the second send")
    sent_again = 0
    while sent_again < 30:
        other.follow()
        sent_again += 1
    disk.free.set()
    one.until(lambda: one.saved == ["k1"], "the first asker's acknowledgement")
    other.until(lambda: other.saved == ["k1"], "the second asker's acknowledgement")
    assert len(one.operator) == 1


def test_what_is_no_operators_entry_is_not_entered_and_does_no_harm(house: House, inside: Inside) -> None:
    _, endpoint = house.publisher()
    inside(house.plan(endpoint))
    stranger = house.context.socket(zmq.DEALER)
    stranger.linger = 0
    stranger.connect(f"ipc://{house.sockets}/inbox")
    for frames in (
        [b"O", b"\xc1 no msgpack"],
        [b"O", pack_operator({"type": "note", "text": "no key"})],
        [b"O", pack_operator({"type": "note", "key": "k" * 65})],
        [b"O", pack_operator({"type": "note", "key": "long", "text": "x" * 262144})],
        [b"?"],
        [b"O"] + [b""] * 50,
    ):
        stranger.send_multipart(frames)
    follower = house.follow(writer=True)
    key = follower.client.send(note())
    follower.until(lambda: follower.saved == [key] and follower.operator, "a good entry after them")
    assert [fields["key"] for fields in follower.operator] == [key]


def test_a_client_refuses_what_cannot_be_entered(house: House) -> None:
    reading = house.follow()
    with pytest.raises(EntryRefused, match="read-only"):
        reading.client.send(note())
    writing = house.follow(writer=True)
    with pytest.raises(EntryRefused, match="may have 256 KiB; this one has"):
        writing.client.send(note("x" * 262144))
    for _ in range(UNSAVED_MOST):
        writing.client.send(note())
    with pytest.raises(EntryRefused, match="wait to be saved already"):
        writing.client.send(note())
    assert writing.client.unsaved == UNSAVED_MOST


def test_a_note_of_odd_characters_is_stored_exactly(house: House, inside: Inside) -> None:
    _, endpoint = house.publisher()
    inside(house.plan(endpoint))
    follower = house.follow(writer=True)
    text = "a\x00b\x1b[2J\u202e right to left \n é \U0001f697 " + "x" * 200_000
    follower.client.send(note(text))
    follower.until(lambda: follower.operator, "the note")
    assert follower.operator[0]["text"] == text


def test_end_closes_the_record_and_the_answer_has_the_closing_digest(house: House) -> None:
    _, endpoint = house.publisher()
    recorder = house.start(house.plan(endpoint))
    follower = house.follow(writer=True)
    key = follower.client.send({"type": "end", "by": "operator", "why": "run complete"})
    follower.until(lambda: follower.saved == [key], "the acknowledgement")
    follower.until(lambda: EntryKind.CLOSE in follower.kinds, "the close entry")
    follower.until(lambda: follower.client.status().closed, "the closing digest")
    assert recorder.wait(10) == 0
    status = follower.client.status()
    assert not status.alive
    reading = house.reading()
    assert reading.state == "closed"
    assert status.closed == reading.digest
    assert status.number == status.synced == follower.entries[-1].number
    (closed,) = house.maps_in(follower.entries, EntryKind.CLOSE)
    assert closed["why"] == "run complete"
    assert not (house.record / "recorder.json").exists()


def test_keys_are_forgotten_oldest_first() -> None:
    keys = KeyMemory()
    for number in range(KEYS_KEPT + 10):
        keys.put(f"k{number}", number)
    assert keys.number_of("k9") is None
    assert keys.number_of("k10") == 10
    assert keys.number_of(f"k{KEYS_KEPT + 9}") == KEYS_KEPT + 9


def test_nothing_is_entered_before_the_keys_of_a_resumed_record_are_known(
    house: House, inside: Inside, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, endpoint = house.publisher()
    recorder = house.start(house.plan(endpoint))
    follower = house.follow(writer=True)
    follower.client.send(note(key="k1"))
    follower.until(lambda: follower.saved == ["k1"], "the first recorder's acknowledgement")
    os.kill(recorder.pid, signal.SIGKILL)
    recorder.wait(10)
    follower.until(lambda: not follower.client.status().alive, "the first recorder's end")
    held = threading.Event()
    read = KeyMemory._read

    def slowly(self: KeyMemory, record: Path, before: int, then: Callable[[], None]) -> None:
        assert held.wait(20)
        read(self, record, before, then)

    monkeypatch.setattr(KeyMemory, "_read", slowly)
    inside(replace(house.plan(endpoint), resume=True, opening=None))
    follower.client.send(note(key="k1"))
    follower.until(lambda: follower.client.status().alive, "the second recorder")
    beats = follower.client.status().number + 3
    follower.until(lambda: follower.client.status().number >= beats, "some ticks of the second recorder")
    assert follower.client.unsaved == 1
    held.set()
    follower.until(lambda: follower.saved == ["k1", "k1"], "the acknowledgement of the known key")
    assert len(follower.operator) == 1

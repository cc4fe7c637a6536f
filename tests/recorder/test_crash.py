"""`kill -9` at any instant: what was acknowledged is there, what was not is sent again and entered once."""

from __future__ import annotations

import os
import random
import resource
import signal
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.record.entries import EntryKind
from monitor.recorder.plan import RecorderPlan
from tests.recorder.conftest import Follower, House, note

LOAD = """
import sys, time, zmq
socket = zmq.Context().socket(zmq.PUB)
socket.linger = 0
socket.sndhwm = 200_000  # of the usual 1,000 some are dropped where a loaded machine lets nobody read for three seconds
port = socket.bind_to_random_port("tcp://127.0.0.1")
open(sys.argv[1], "w").write(str(port))
print("ready", flush=True)
number = 0
while True:
    socket.send_multipart([b"frame", number.to_bytes(8, "little") + b"x" * 800])
    number += 1
    time.sleep(0.002)
"""

FLOOD = """
import os, sys, time, zmq
socket = zmq.Context().socket(zmq.XPUB)
socket.setsockopt(zmq.XPUB_NODROP, 1)
socket.linger = 0
port = socket.bind_to_random_port("tcp://127.0.0.1")
open(sys.argv[1], "w").write(str(port))
print("ready", flush=True)
while not os.path.exists(sys.argv[2]):
    socket.send_multipart([b"hello", b"joining"])
    time.sleep(0.01)
begun, number = time.monotonic(), 0
while True:
    socket.send_multipart([b"frame", b"x" * 2000])
    number += 1
    if number % 40 == 0:
        time.sleep(max(0.0, begun + number / 4000 - time.monotonic()))
"""

DIES_ENDING = """
import os, signal, sys
from monitor.recorder.plan import plan_from_json
from monitor.recorder.process import Recorder
recorder = Recorder(plan_from_json(sys.argv[1]))
recorder._writer.finish = lambda why: os.kill(os.getpid(), signal.SIGKILL)
print("ready", flush=True)
recorder.run()
"""

FOLLOWER = """
import sys
from pathlib import Path
from monitor.recorder.client import RecorderClient
client = RecorderClient(Path(sys.argv[1]), Path(sys.argv[2]), False)
client.entries(5.0)
print("ready", flush=True)
while True:
    client.entries(0.1)
"""


@pytest.fixture
def loaded(house: House, tmp_path: Path) -> RecorderPlan:
    """A publisher at 500 messages a second, and the plan of a recorder for it."""
    port = tmp_path / "port"
    house.python(LOAD, str(port))
    return house.plan(f"tcp://127.0.0.1:{port.read_text()}")


def kill_rounds(house: House, plan: RecorderPlan, rounds: int, seed: int) -> tuple[Follower, list[str]]:
    """Kills the recorder at random instants while notes are sent; returns the follower and all keys sent."""
    chance = random.Random(seed)
    recorder = house.start(plan)
    follower = house.follow(writer=True)
    follower.until_messages(1)
    keys: list[str] = []
    for number in range(rounds):
        target = len(follower.entries) + chance.randrange(1, 60)
        while len(follower.entries) < target:
            if chance.random() < 0.3:
                keys.append(follower.client.send(note(f"round {number}, note {len(keys)}")))
            follower.follow()
        last_words = note(f"round {number}, just before the kill")
        keys += [follower.client.send(last_words) for _ in range(chance.randrange(1, 4))]
        os.kill(recorder.pid, signal.SIGKILL)
        assert recorder.wait(10) == -signal.SIGKILL
        recorder = house.again(recorder.plan)
    follower.until(lambda: follower.client.unsaved == 0, "all notes acknowledged")
    recorder.terminate()
    recorder.wait(10)
    follower.until(lambda: EntryKind.CLOSE in follower.kinds, "the close entry")
    return follower, keys


def check_nothing_lost(house: House, follower: Follower, keys: list[str], rounds: int) -> None:
    entries = house.read()
    assert [entry.number for entry in entries] == list(range(1, len(entries) + 1))
    assert follower.entries == entries, "the follower has seen exactly what is in the record"
    assert follower.client.left_out == 0
    assert follower.client.generation == 1
    assert sorted(fields["key"] for fields in house.maps_in(entries, EntryKind.OPERATOR)) == sorted(keys)
    assert sorted(follower.saved) == sorted(keys)
    assert follower.kinds.count(EntryKind.PART) == rounds
    sent = [int.from_bytes(frames[1][:8], "little") for frames in house.messages_in(entries)]
    assert sent == sorted(set(sent)), "in order, none twice"


def test_killed_recorders_lose_no_acknowledged_note_and_enter_none_twice(house: House, loaded: RecorderPlan) -> None:
    rounds = 6
    follower, keys = kill_rounds(house, loaded, rounds, seed=20260301)
    check_nothing_lost(house, follower, keys, rounds)


@pytest.mark.slow(seconds=30)
@pytest.mark.parametrize("seed", [7, 11])
def test_killed_recorders_in_two_hundred_rounds(house: House, loaded: RecorderPlan, seed: int) -> None:
    rounds = 100
    follower, keys = kill_rounds(house, loaded, rounds, seed)
    check_nothing_lost(house, follower, keys, rounds)


def test_a_follower_that_never_heard_of_the_recorder_that_closed_has_its_entries_from_the_record(
    house: House, loaded: RecorderPlan
) -> None:
    """The second recorder ends before the follower's sockets have found it again: here they never can."""
    recorder = house.start(loaded)
    follower = house.follow()
    follower.until_messages(5)
    os.kill(recorder.pid, signal.SIGKILL)
    assert recorder.wait(10) == -signal.SIGKILL
    elsewhere = house.room / "e"
    elsewhere.mkdir(mode=0o700)
    closing = house.again(replace(recorder.plan, sockets=str(elsewhere)))
    closing.terminate()
    closing.wait(10)
    follower.until(lambda: EntryKind.CLOSE in follower.kinds, "the close entry")
    assert follower.entries == house.read()
    follower.until(lambda: follower.client.status().closed is not None, "the proof that it is on the disk")


def test_a_killed_follower_costs_nothing_and_the_next_one_reads_from_the_start(
    house: House, loaded: RecorderPlan
) -> None:
    recorder = house.start(loaded)
    doomed = house.python(FOLLOWER, str(house.sockets), str(house.record))
    watching = house.follow()
    watching.until_messages(20)
    doomed.kill()
    doomed.wait()
    watching.until_messages(100)
    late = house.follow()
    late.until(lambda: len(late.entries) >= len(watching.entries), "the late one to catch up")
    assert late.entries[: len(watching.entries)] == watching.entries
    assert recorder.exit_status is None


def test_a_stopped_follower_does_not_hold_up_the_recorder(house: House, loaded: RecorderPlan) -> None:
    house.start(loaded)
    doomed = house.python(FOLLOWER, str(house.sockets), str(house.record))
    os.kill(doomed.pid, signal.SIGSTOP)
    watching = house.follow()
    watching.until_messages(800)
    sent = [int.from_bytes(frames[1][:8], "little") for frames in watching.messages]
    assert sent == list(range(sent[0], sent[0] + len(sent)))


def test_recording_goes_on_before_a_dead_recorder_is_noticed_by_its_lock(house: House, loaded: RecorderPlan) -> None:
    recorder = house.start(loaded)
    follower = house.follow(writer=True)
    follower.until_messages(1)
    follower.until(lambda: follower.client.status().alive, "the recorder's state")
    os.kill(recorder.pid, signal.SIGKILL)
    recorder.wait(10)
    follower.until(lambda: not follower.client.status().alive, "that it is dead")
    key = follower.client.send(note("while no recorder is there"))
    follower.follow()
    assert follower.client.unsaved == 1
    house.again(recorder.plan)
    follower.until(lambda: key in follower.saved, "the note's acknowledgement")
    follower.until(lambda: follower.operator, "the note in the stream")
    (entered,) = follower.operator
    assert entered["text"] == "while no recorder is there"
    (part,) = house.maps_in(follower.entries, EntryKind.PART)
    assert "started again" in part["why"]


def test_a_recorder_that_dies_between_the_end_of_the_run_and_its_close_entry(
    house: House, loaded: RecorderPlan
) -> None:
    dying = house.python(DIES_ENDING, loaded.as_json())
    follower = house.follow(writer=True)
    follower.until_messages(1)
    key = follower.client.send({"type": "end", "by": "operator", "why": "run complete"})
    follower.until(lambda: dying.poll() is not None, "its death")
    assert dying.poll() == -signal.SIGKILL
    assert house.reading().state == "open"
    again = house.again(loaded)
    follower.until(lambda: EntryKind.CLOSE in follower.kinds, "the close entry, by the next recorder")
    assert again.wait(10) == 0
    follower.until(lambda: follower.client.unsaved == 0, "the acknowledgement")
    assert follower.saved == [key]
    assert [fields["type"] for fields in follower.operator] == ["end"]
    assert house.reading().state == "closed"


def test_a_file_that_may_grow_no_more_is_said_and_all_of_it_is_recorded_once_it_may(
    house: House, loaded: RecorderPlan
) -> None:
    recorder = house.start(loaded)
    follower = house.follow()
    follower.until_messages(50)
    size = (house.record / "part-0001.twr").stat().st_size
    no_limit = resource.prlimit(recorder.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(recorder.pid, resource.RLIMIT_FSIZE, (size + 1000, no_limit[1]))
    follower.until(lambda: follower.client.status().trouble, "the sentence about the disk")
    seen = len(follower.messages)
    follower.until_messages(seen + 100)
    assert follower.client.left_out == 0
    resource.prlimit(recorder.pid, resource.RLIMIT_FSIZE, no_limit)
    here = follower.entries[-1].number
    follower.until(lambda: follower.client.status().synced > here, "writing again")
    recorder.terminate()
    recorder.wait(10)
    follower.until(lambda: EntryKind.CLOSE in follower.kinds, "the close entry")
    assert follower.entries == house.read()
    sent = [int.from_bytes(frames[1][:8], "little") for frames in follower.messages]
    assert sent == list(range(sent[0], sent[0] + len(sent)))


@pytest.mark.slow(seconds=25)
def test_memory_and_descriptors_stay_flat_over_a_day_of_messages(house: House, tmp_path: Path) -> None:
    """At 4,000 a second. The writer's memory of the last minute is full (64 MiB) after some 32,000 of them."""
    port, go = tmp_path / "port", tmp_path / "go"
    house.python(FLOOD, str(port), str(go))
    recorder = house.start(house.plan(f"tcp://127.0.0.1:{port.read_text()}"))
    follower = house.follow()
    follower.until_messages(1)
    go.touch()

    def held() -> tuple[int, int]:
        pages = int((Path("/proc") / str(recorder.pid) / "statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE"), len(os.listdir(f"/proc/{recorder.pid}/fd"))

    def taken(count: int) -> bool:
        follower.entries.clear()
        return follower.client.status().messages >= count

    seen = []
    for count in (45_000, 72_500, 100_000):
        follower.until(partial(taken, count), f"{count} messages", 120)
        seen.append(held())
    assert len({descriptors for _, descriptors in seen}) == 1
    # what grows with the messages grows in both stretches; what waits for a busy processor is there in one
    assert min(later - earlier for (earlier, _), (later, _) in pairwise(seen)) < 2 << 20, seen
    follower.until(lambda: follower.client.status().synced >= 100_000, "the sync")
    assert follower.client.left_out == 0

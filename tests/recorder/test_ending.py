"""The end of a run while no disk takes it: nothing is called saved or closed that is on no disk."""

from __future__ import annotations

import os
import resource
import signal
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.record.disk import DiskCalls
from monitor.record.entries import EntryKind
from monitor.record.verify import verify_record
from monitor.recorder.client import EntryRefused
from monitor.recorder.plan import RecorderTiming
from tests.recorder.conftest import Follower, House, Inside, note

QUICK = RecorderTiming(ending_retry_s=0.2, signal_s=5.0)

DIES_CLOSED = """
import os, signal, sys
from monitor.recorder.plan import plan_from_json
from monitor.recorder.process import Recorder
recorder = Recorder(plan_from_json(sys.argv[1]))
recorder._writer.release = lambda: os.kill(os.getpid(), signal.SIGKILL)
print("ready", flush=True)
recorder.run()
"""


class FullDisks(DiskCalls):
    """While `full`, nothing is written in these directories, however a file there was opened."""

    def __init__(self, *directories: Path) -> None:
        self.directories, self.full = directories, False

    def write(self, descriptor: int, data: bytes) -> int:
        place = Path(os.readlink(f"/proc/self/fd/{descriptor}"))
        if self.full and any(place.is_relative_to(one) for one in self.directories):
            raise OSError(28, "No space left on device")
        return super().write(descriptor, data)


Full = tuple[Follower, FullDisks, list[str]]


@pytest.fixture
def full(house: House, inside: Inside) -> Full:
    """A run with a second place, both of whose disks are full; its follower, and the disks."""
    second = house.room / "second"
    second.mkdir()
    disk = FullDisks(house.records, second)
    feed, endpoint = house.publisher()
    inside(replace(house.plan(endpoint), second=str(second), timing=QUICK), disk=disk)
    follower = house.follow(writer=True)
    house.subscribed(feed, follower)
    saved = follower.client.send(note("before"))
    follower.until(lambda: saved in follower.saved, "the first note's acknowledgement")
    disk.full = True
    keys = [follower.client.send(note(f"note {number}")) for number in range(30)]
    keys.append(follower.client.send({"type": "end", "by": "operator", "why": "run complete"}))
    follower.until(lambda: EntryKind.CLOSE in follower.kinds, "the close entry, which is on no disk")
    follower.until(lambda: follower.client.status().ending, "that the run cannot be closed")
    return follower, disk, keys


def test_nothing_is_called_saved_or_closed_while_both_disks_are_full(house: House, full: Full) -> None:
    follower, disk, keys = full
    status = follower.client.status()
    assert (status.closed, status.left, status.alive) == (None, 0, True)
    assert status.unsynced >= len(keys) + 1
    assert "NOT RECORDING" in (status.trouble or "")
    assert len(follower.saved) == 1
    assert [one["text"] for one in follower.client.unsaved_entries()[:30]] == [f"note {number}" for number in range(30)]
    assert house.reading().state == "open"
    disk.full = False
    follower.until(lambda: follower.client.status().closed, "the end, once there is space")
    follower.until(lambda: set(keys) <= set(follower.saved), "the acknowledgements")
    assert verify_record(house.record, follower.client.status().closed).ok
    assert follower.entries == house.read()


def test_a_place_that_the_operator_names_takes_the_end(house: House, full: Full) -> None:
    follower, _, keys = full
    third = house.room / "stick"
    (house.room / "file").write_text("")
    follower.client.name_place(house.room / "not" / "a path\0")
    follower.client.name_place(house.room / "file")
    follower.until(lambda: follower.client.status().place_said, "why that place cannot be used")
    third.mkdir()
    follower.client.name_place(third)
    follower.until(lambda: follower.client.status().closed, "the end on the stick")
    follower.until(lambda: set(keys) <= set(follower.saved), "the acknowledgements")
    assert (third / house.record.name / "part-0002.twr").is_file()
    # the record's own disk could not note the stick: the operator tells it when there is space again
    from monitor.record.recovery import take_place

    house.wait_until(lambda: not house.sockets.exists(), "the recorder's end")
    take_place(house.record, third)
    assert verify_record(house.record, follower.client.status().closed).ok
    assert follower.entries == house.read()


def test_what_comes_after_the_close_entry_stays_unsaved_and_ends_nothing(house: House, full: Full) -> None:
    follower, disk, keys = full
    late = follower.client.send(note("too late"))
    disk.full = False
    follower.until(lambda: follower.client.status().closed, "the end")
    follower.until(lambda: set(keys) <= set(follower.saved), "the acknowledgements")
    assert late not in follower.saved
    assert [one["text"] for one in follower.client.unsaved_entries()] == ["too late"]


def test_only_the_operators_screen_names_a_place(house: House, full: Full) -> None:
    looker = house.follow()
    with pytest.raises(EntryRefused, match="read-only"):
        looker.client.name_place(house.room)
    full[1].full = False


@pytest.mark.parametrize("by", ["the operator", "a signal"])
def test_what_is_left_on_no_disk_is_in_the_exit_status_and_in_the_last_word(house: House, by: str) -> None:
    feed, endpoint = house.publisher()
    recorder = house.start(replace(house.plan(endpoint), timing=QUICK))
    follower = house.follow(writer=True)
    house.subscribed(feed, follower)
    size = (house.record / "part-0001.twr").stat().st_size
    resource.prlimit(recorder.pid, resource.RLIMIT_FSIZE, (size, -1))
    key = follower.client.send(note("on no disk"))
    end = follower.client.send({"type": "end", "by": "operator", "why": ""})
    follower.until(lambda: follower.client.status().ending, "that the run cannot be closed")
    if by == "a signal":
        os.kill(recorder.pid, signal.SIGTERM)
    else:
        follower.client.leave_unsaved()
    assert recorder.wait(10) == 74
    follower.until(lambda: follower.client.status().left, "the last word")
    status = follower.client.status()
    assert (status.closed, status.alive) == (None, False)
    assert {key, end}.isdisjoint(follower.saved)
    assert house.reading().state == "open"


def test_a_recorder_that_dies_closed_and_silent_leaves_a_record_that_says_so_itself(house: House) -> None:
    feed, endpoint = house.publisher()
    dying = house.python(DIES_CLOSED, house.plan(endpoint).as_json())
    follower = house.follow(writer=True)
    house.subscribed(feed, follower)
    key = follower.client.send({"type": "end", "by": "operator", "why": "run complete"})
    follower.until(lambda: dying.poll() == -signal.SIGKILL, "its death")
    follower.until(lambda: follower.client.status().closed, "the proof, read from the disk")
    assert follower.client.status().closed == house.reading().digest
    follower.until(lambda: follower.saved == [key], "the acknowledgement")

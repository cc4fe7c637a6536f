"""The writer: what it promises while the disk is well."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.record.bytes.framing import MAX_PAYLOAD, EntryTooLong
from monitor.record.chain import Ring
from monitor.record.disk import RecordBusy, RecordNotWritable, is_being_written
from monitor.record.entries import EntryKind, Opening, unpack_map
from monitor.record.reader import RecordReading
from monitor.record.recovery import recover_record
from monitor.record.verify import verify_record
from monitor.record.writer import RecordWriter, Writing
from tests.record.conftest import FailingDisk, Fill, HandClock, Record
from tests.waiting import until_synced, wait_for

TOP = Path(__file__).parents[2]


def test_each_entry_is_in_the_file_when_append_returns(
    path: Path, opening: Opening, clock: HandClock, fill: Fill
) -> None:
    writer = fill(RecordWriter.create(path, opening, Writing(clock=clock)), 3)
    entries, files = Record(path).read()
    assert [entry.number for entry in entries] == [1, 2, 3, 4]
    assert files.state == "open"
    assert files.damage == []
    assert writer.last == 4


def test_entries_are_synced_by_themselves_and_told(path: Path, opening: Opening, fill: Fill) -> None:
    told: list[int] = []
    writer = fill(RecordWriter.create(path, opening, Writing(on_synced=told.append)), 5)
    wait_for(lambda: writer.synced == 6)
    wait_for(lambda: told[-1:] == [6])
    assert told == sorted(told)


def test_a_listener_that_raises_does_not_end_the_syncing_and_is_said(path: Path, opening: Opening, fill: Fill) -> None:
    def broken(number: int) -> None:
        raise RuntimeError("not ours")

    writer = fill(RecordWriter.create(path, opening, Writing(on_synced=broken)), 1)
    wait_for(lambda: writer.trouble is not None)
    assert "not ours" in str(writer.trouble)
    fill(writer, 1)
    until_synced(writer)


def test_a_slow_sync_does_not_delay_an_append(path: Path, opening: Opening, clock: HandClock, fill: Fill) -> None:
    """The sync thread is held inside a sync of the disk while 1,000 entries are appended."""
    inside, go_on = threading.Event(), threading.Event()
    disk = FailingDisk()

    class Slow(FailingDisk):
        def datasync(self, descriptor: int) -> None:
            if threading.current_thread().name == "record-sync":
                inside.set()
                assert go_on.wait(30)
            super().datasync(descriptor)

    disk = Slow()
    writer = fill(RecordWriter.create(path, opening, Writing(clock=clock, disk=disk)), 1)
    writer.sync_soon()
    assert inside.wait(30)
    fill(writer, 1000)
    assert writer.synced == 1
    go_on.set()
    until_synced(writer)


def test_numbers_times_and_chain_follow_injected_clocks_that_step(
    path: Path, opening: Opening, clock: HandClock, fill: Fill
) -> None:
    """The wall clock jumps an hour back and two ahead; order and durations come from the other clock."""
    writer = fill(RecordWriter.create(path, opening, Writing(clock=clock)), 2)
    clock.wall -= 3600 * 10**9
    fill(writer, 2)
    clock.wall += 7200 * 10**9
    fill(writer, 1)
    entries, _ = Record(path).read()
    assert [entry.number for entry in entries] == [1, 2, 3, 4, 5, 6]
    monotonic = [entry.monotonic_ns for entry in entries]
    assert {after - before for before, after in pairwise(monotonic[1:])} == {clock.step}
    wall = [entry.wall_ns for entry in entries]
    assert wall[3] < wall[2]
    assert wall[5] - wall[4] == clock.step + 7200 * 10**9


def test_a_payload_over_the_limit_is_refused_in_words_and_nothing_is_written(
    path: Path, opening: Opening, fill: Fill
) -> None:
    writer = fill(RecordWriter.create(path, opening), 1)
    with pytest.raises(EntryTooLong, match="1048577 bytes is longer than the record takes"):
        writer.append(EntryKind.OPERATOR, bytes(MAX_PAYLOAD + 1))
    writer.append(EntryKind.OPERATOR, bytes(MAX_PAYLOAD))
    entries, files = Record(path).read()
    assert [len(entry.payload) for entry in entries[2:]] == [MAX_PAYLOAD]
    assert files.damage == []


def test_a_second_writer_is_refused_and_told_who_holds_it(path: Path, opening: Opening, fill: Fill) -> None:
    code = (
        "import sys; from pathlib import Path; from monitor.record.entries import Opening; "
        "from monitor.record.writer import RecordWriter, Writing; "
        "RecordWriter.create(Path(sys.argv[1]), Opening('Q01', None, 's', '', '', (), {})); "
        "print('open', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={"PYTHONPATH": str(TOP)},
    ) as holder:
        try:
            assert holder.stdout is not None
            assert holder.stdout.readline() == b"open\n"
            assert is_being_written(path)
            with pytest.raises(RecordBusy, match=rf"is being written by process {holder.pid}"):
                RecordWriter.resume(path, why="again")
            with pytest.raises(RecordBusy):
                recover_record(path)
        finally:
            holder.kill()
    assert not is_being_written(path)
    fill(RecordWriter.resume(path, why="again"), 1)


def test_an_existing_directory_is_never_written_into(path: Path, opening: Opening) -> None:
    path.mkdir()
    with pytest.raises(RecordNotWritable, match="exists already"):
        RecordWriter.create(path, opening)


def test_a_closed_run_is_not_gone_on_with(small: Path) -> None:
    with pytest.raises(RecordNotWritable, match="is closed"):
        RecordWriter.resume(small, why="again")


def test_going_on_begins_a_new_part_that_names_the_last_good_entry_and_the_torn_tail(small: Path, fill: Fill) -> None:
    record = Record(small)
    pieces = record.pieces()
    record.write([*pieces[:7], pieces[7][:50]])  # entries 1–5 whole, 6 torn
    before = record.part(1).read_bytes()
    writer = RecordWriter.resume(small, why="the recorder was started again")
    fill(writer, 2)
    assert record.part(1).read_bytes() == before
    entries, files = record.read()
    assert [entry.number for entry in entries] == [1, 2, 3, 4, 5, 6, 7, 8]
    told = unpack_map(entries[5].payload)
    assert entries[5].kind == EntryKind.PART
    assert told["why"] == "the recorder was started again"
    assert told["torn"] == {"part": 1, "offset": sum(map(len, pieces[:7])), "bytes": 50}
    header = files.sources[1].header
    assert header is not None
    assert header.before == pieces[6][-36:-4]
    assert files.damage == []
    writer.close("")
    assert verify_record(small).ok


def test_the_ring_keeps_a_minute_and_what_is_not_on_disk_and_never_more_than_its_bytes() -> None:
    from monitor.record.entries import Entry

    ring = Ring(0, bytes(32), keep_ns=1000, keep_bytes=100_000)
    for number in range(1, 51):
        ring.push(Entry(EntryKind.MESSAGE, number, number * 100, 0, b"x" * 24), bytes([number]) * 32, synced=20)
    assert ring.first == 21  # on disk and older than 1,000 ns: gone; not on disk: kept however old
    assert ring.before == bytes([20]) * 32
    assert [entry.number for entry in ring.after(47)] == [48, 49, 50]
    small = Ring(0, bytes(32), keep_ns=1000, keep_bytes=1000)  # 100 bytes an entry
    for number in range(1, 51):
        small.push(Entry(EntryKind.MESSAGE, number, number * 100, 0, b"x" * 24), bytes(32), synced=0)
    assert (small.first, len(small)) == (41, 10)


FORGED_CHILD = """
import resource, sys
from pathlib import Path
from monitor.record.reader import RecordFiles
resource.setrlimit(resource.RLIMIT_AS, (400 << 20, 400 << 20))
files = RecordFiles(Path(sys.argv[1]))
print(sum(len(block) for block in files.blocks()), len(files.damage))
"""


def test_two_bytes_swapped_in_a_length_allocate_nothing_and_cost_one_entry(small: Path) -> None:
    """Lengths of up to 4 GiB are read in a process that may take 400 MiB in all."""
    record = Record(small)
    pieces = record.pieces()
    forged = bytearray(pieces[5])
    forged[8], forged[11] = forged[11], forged[8]
    record.write([*pieces[:5], bytes(forged), *pieces[6:]])
    done = subprocess.run(
        [sys.executable, "-c", FORGED_CHILD, str(small)],
        capture_output=True,
        text=True,
        timeout=120,
        env={"PYTHONPATH": str(TOP)},
        check=False,
    )
    assert done.stdout.split() == ["8", "1"], done.stderr


def test_nothing_stays_open_after_closing(path: Path, opening: Opening) -> None:
    before = set(os.listdir("/proc/self/fd"))
    threads = threading.active_count()
    RecordWriter.create(path, opening).close("")
    list(RecordReading(path).blocks())
    assert set(os.listdir("/proc/self/fd")) == before
    assert threading.active_count() == threads

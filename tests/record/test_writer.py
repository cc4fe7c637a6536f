"""The writer: what it promises while the disk is well, and what it does when it is not."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.record.disk import RecordBusy, RecordNotWritable, is_being_written
from monitor.record.entries import EntryKind, unpack_map
from monitor.record.framing import MAX_PAYLOAD, EntryTooLong
from monitor.record.parts import find_parts, new_record_directory
from monitor.record.reader import RecordReading
from monitor.record.recovery import recover_record
from monitor.record.ring import Ring
from monitor.record.verify import verify_record
from monitor.record.writer import RecordWriter

TOP = Path(__file__).parents[2]


def until(condition: Callable[[], bool], deadline_s: float = 20.0) -> None:
    """Returns when a condition holds, and fails when it does not in time."""
    tick = threading.Event()
    for _ in range(int(deadline_s / 0.005)):
        if condition():
            return
        tick.wait(0.005)
    pytest.fail("the condition did not come to hold in time")


@pytest.fixture
def path(tmp_path: Path, clock) -> Path:
    (tmp_path / "first").mkdir()
    return new_record_directory(tmp_path / "first", "Q01", clock)


@pytest.fixture
def second(tmp_path: Path) -> Path:
    place = tmp_path / "second"
    place.mkdir()
    return place


def test_each_entry_is_in_the_file_when_append_returns(path, opening, clock, fill, look) -> None:
    writer = fill(RecordWriter.create(path, opening, clock=clock), 3)
    entries, files = look(path).read()
    assert [entry.number for entry in entries] == [1, 2, 3, 4]
    assert files.state == "open"
    assert files.damage == []
    assert writer.last == 4


def test_entries_are_synced_by_themselves_and_told(path, opening, fill) -> None:
    told: list[int] = []
    writer = fill(RecordWriter.create(path, opening, on_synced=told.append), 5)
    until(lambda: writer.synced == 6)
    until(lambda: told[-1:] == [6])
    assert told == sorted(told)


def test_a_listener_that_raises_does_not_end_the_syncing_and_is_said(path, opening, fill) -> None:
    def broken(number: int) -> None:
        raise RuntimeError("not ours")

    writer = fill(RecordWriter.create(path, opening, on_synced=broken), 1)
    until(lambda: writer.trouble is not None)
    assert "not ours" in str(writer.trouble)
    fill(writer, 1)
    until(lambda: writer.synced == writer.last)


def test_a_slow_sync_does_not_delay_an_append(path, opening, failing_disk, clock, fill) -> None:
    """The sync thread is held inside a sync of the disk while 1,000 entries are appended."""
    inside, go_on = threading.Event(), threading.Event()
    disk = failing_disk()

    class Slow(failing_disk):
        def datasync(self, descriptor: int) -> None:
            if threading.current_thread().name == "record-sync":
                inside.set()
                assert go_on.wait(30)
            super().datasync(descriptor)

    disk = Slow()
    writer = fill(RecordWriter.create(path, opening, clock=clock, disk=disk), 1)
    writer.sync_soon()
    assert inside.wait(30)
    fill(writer, 1000)
    assert writer.synced == 1
    go_on.set()
    until(lambda: writer.synced == writer.last)


def test_numbers_times_and_chain_follow_injected_clocks_that_step(path, opening, clock, fill, look) -> None:
    """The wall clock jumps an hour back and two ahead; order and durations come from the other clock."""
    writer = fill(RecordWriter.create(path, opening, clock=clock), 2)
    clock.wall -= 3600 * 10**9
    fill(writer, 2)
    clock.wall += 7200 * 10**9
    fill(writer, 1)
    entries, _ = look(path).read()
    assert [entry.number for entry in entries] == [1, 2, 3, 4, 5, 6]
    monotonic = [entry.monotonic_ns for entry in entries]
    assert {after - before for before, after in pairwise(monotonic[1:])} == {clock.step}
    wall = [entry.wall_ns for entry in entries]
    assert wall[3] < wall[2]
    assert wall[5] - wall[4] == clock.step + 7200 * 10**9


def test_a_payload_over_the_limit_is_refused_in_words_and_nothing_is_written(path, opening, fill, look) -> None:
    writer = fill(RecordWriter.create(path, opening), 1)
    with pytest.raises(EntryTooLong, match="1048577 bytes is longer than the record takes"):
        writer.append(EntryKind.OPERATOR, bytes(MAX_PAYLOAD + 1))
    writer.append(EntryKind.OPERATOR, bytes(MAX_PAYLOAD))
    entries, files = look(path).read()
    assert [len(entry.payload) for entry in entries[2:]] == [MAX_PAYLOAD]
    assert files.damage == []


def test_a_second_writer_is_refused_and_told_who_holds_it(path, opening, fill) -> None:
    code = (
        "import sys; from pathlib import Path; from monitor.record.entries import Opening; "
        "from monitor.record.writer import RecordWriter; "
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


def test_an_existing_directory_is_never_written_into(path, opening) -> None:
    path.mkdir()
    with pytest.raises(RecordNotWritable, match="exists already"):
        RecordWriter.create(path, opening)


def test_a_closed_run_is_not_gone_on_with(small) -> None:
    with pytest.raises(RecordNotWritable, match="is closed"):
        RecordWriter.resume(small, why="again")


def test_going_on_begins_a_new_part_that_names_the_last_good_entry_and_the_torn_tail(small, look, fill) -> None:
    record = look(small)
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
    assert files.sources[1].header.before == pieces[6][-36:-4]
    assert files.damage == []
    writer.close("")
    assert verify_record(small).ok


def fail_once(error: int, wanted: str):
    """Fails the next call of one name."""
    left = [wanted]

    def fails(name: str, count: int) -> OSError | None:
        if name in left:
            left.clear()
            return OSError(error, os.strerror(error))
        return None

    return fails


def fail_from(first: int, error: int, names: tuple[str, ...] = (), last: int = 10**9):
    def fails(name: str, count: int) -> OSError | None:
        if first <= count <= last and (not names or name in names):
            return OSError(error, os.strerror(error))
        return None

    return fails


@pytest.mark.parametrize("error", [errno.EIO, errno.ENOSPC])
@pytest.mark.parametrize("with_second", [True, False])
def test_one_failing_call_loses_nothing_whichever_call_it_is(
    tmp_path, opening, clock, failing_disk, message, look, error: int, with_second: bool
) -> None:
    """For every n: the n-th call to the system fails once, until no call is left that could fail."""
    fired = True
    n = 0
    while fired:
        n += 1
        path, second = tmp_path / f"Q01-{n}.run", tmp_path / f"second-{n}"
        second.mkdir()
        disk = failing_disk(fails=fail_from(n, error, last=n))
        try:
            writer = RecordWriter.create(path, opening, second=second if with_second else None, clock=clock, disk=disk)
        except RecordNotWritable:
            assert disk.failed
            continue
        for number in range(2, 6):
            writer.append(EntryKind.MESSAGE, message(number))
        until(lambda writer=writer: writer.synced == writer.last)
        writer.close("the drive ended")
        fired = bool(disk.failed)
        assert writer.synced == writer.last
        assert disk.synced_again == []
        entries, files = look(path).read()
        kept = [entry.payload for entry in entries if entry.kind == EntryKind.MESSAGE]
        assert kept == [message(number) for number in range(2, 6)], (n, disk.failed)
        assert files.damage == [], (n, disk.failed)
        assert files.state == "closed"
        assert verify_record(path).ok
    assert n > 10


def test_after_a_failed_sync_that_part_is_left_and_the_last_minute_stands_in_the_next(
    path, opening, clock, failing_disk, fill, look
) -> None:
    """Its pages may be gone although they can still be read now: here they are overwritten with zeros."""
    disk = failing_disk()
    writer = fill(RecordWriter.create(path, opening, clock=clock, disk=disk), 3)
    until(lambda: writer.synced == writer.last)
    disk.fails = fail_once(errno.EIO, "datasync")
    fill(writer, 2)  # the sync of these fails
    writer.sync_soon()
    until(lambda: len(find_parts(path)) == 2 and writer.synced == writer.last)
    assert writer.trouble is None
    writer.close("")
    assert disk.failed == ["datasync"]
    assert disk.synced_again == []
    record = look(path)
    whole, _ = record.read()
    pieces = record.pieces(1)
    record.write([*pieces[:4], bytes(sum(map(len, pieces[4:])))])
    entries, files = record.read()
    assert entries == whole
    assert files.damage == []
    record.write([*pieces[:4], bytes(len(pieces[4])), *pieces[5:]])  # a hole in the middle: filled from the copies
    entries, files = record.read()
    assert entries == whole
    assert [damage.lost for damage in files.damage] == [0]
    assert any(entry.kind == EntryKind.PART for entry in entries)


def test_a_failed_write_goes_on_on_the_second_disk_and_says_so(
    path, second, opening, clock, failing_disk, fill, look
) -> None:
    disk = failing_disk()
    writer = fill(RecordWriter.create(path, opening, second=second, clock=clock, disk=disk), 3)
    disk.fails = fail_once(errno.ENOSPC, "write")
    fill(writer, 3)
    assert writer.place == second / path.name
    assert writer.trouble == (
        f"The record goes on in {second / path.name}, because of {path}: a write failed (No space left on device)."
    )
    handed_on = writer.entries_after(4)
    assert [(entry.number, entry.kind) for entry in handed_on] == [
        (5, EntryKind.MESSAGE),
        (6, EntryKind.PART),
        (7, EntryKind.MESSAGE),
        (8, EntryKind.MESSAGE),
    ]
    writer.close("")
    entries, files = look(path).read()
    assert [entry.number for entry in entries] == list(range(1, 10))
    assert files.damage == []
    alone, files = look(second / path.name).read()  # the first disk is gone for good
    assert [entry.number for entry in alone] == list(range(1, 10))
    assert RecordReading(second / path.name).opening == opening


def test_a_short_write_is_a_torn_tail_and_the_entry_stands_in_the_next_part(
    path, opening, clock, failing_disk, fill, look
) -> None:
    class Short(failing_disk):
        short_at = 0

        def write(self, descriptor: int, data: bytes) -> int:
            if len(self.calls) + 1 == self.short_at:
                data = data[: len(data) // 2]
            return super().write(descriptor, data)

    disk = Short()
    writer = fill(RecordWriter.create(path, opening, clock=clock, disk=disk), 2)
    until(lambda: writer.synced == writer.last)
    disk.short_at = len(disk.calls) + 1
    fill(writer, 2)
    writer.close("")
    entries, files = look(path).read()
    assert [entry.number for entry in entries] == [1, 2, 3, 4, 5, 6, 7]
    assert files.damage == []
    assert [part for part, _ in files.torn] == [1]
    assert verify_record(path).ok


def test_where_no_disk_takes_it_entries_stay_in_memory_and_are_written_later(
    path, second, opening, clock, failing_disk, fill, look
) -> None:
    disk = failing_disk()
    writer = fill(RecordWriter.create(path, opening, second=second, clock=clock, disk=disk), 2)
    until(lambda: writer.synced == writer.last)
    disk.fails = fail_from(1, errno.EROFS, ("write", "open", "datasync"))
    fill(writer, 4)
    assert writer.place is None
    assert writer.trouble is not None
    assert writer.trouble.startswith("NOT RECORDING: ")
    assert writer.synced == 3
    assert [entry.number for entry in writer.entries_after(3)] == [4, 5, 6, 7]
    disk.fails = lambda name, count: None
    clock.monotonic += 120 * 10**9  # past every pause between tries
    until(lambda: writer.synced == writer.last)
    writer.close("")
    entries, files = look(path).read()
    assert [entry.number for entry in entries] == list(range(1, 10))
    assert files.damage == []
    begun = next(unpack_map(entry.payload) for entry in entries if entry.kind == EntryKind.PART)
    assert begun["why"].startswith("writing works again after ")
    assert begun["lost"] == 0


def test_a_disk_that_takes_writes_and_fails_each_sync_is_not_filled_with_copies(
    path, opening, clock, failing_disk, fill
) -> None:
    """A new part is tried again after 2 s, then 4, 8 … and not at each sync."""
    disk = failing_disk()
    clock.step = 0
    writer = fill(RecordWriter.create(path, opening, clock=clock, disk=disk), 2)
    until(lambda: writer.synced == writer.last)
    disk.fails = fail_from(1, errno.EIO, ("datasync",))
    for seconds, parts in ((0, 2), (1.9, 2), (0.2, 3), (3.9, 3), (0.2, 4), (7.9, 4), (0.2, 5)):
        clock.monotonic += int(seconds * 1e9)
        fill(writer, 1)
        writer.sync_soon()
        until(lambda parts=parts: len(disk.failed) == parts and str(writer.trouble).startswith("NOT RECORDING"))
        assert len(find_parts(path)) == parts
    assert disk.synced_again == []
    disk.fails = lambda name, count: None
    clock.monotonic += 60 * 10**9
    until(lambda: writer.synced == writer.last)
    assert writer.trouble is None


def test_names_of_parts_are_on_disk_before_anything_is_called_synced(path, opening, clock, failing_disk, fill) -> None:
    disk = failing_disk()
    writer = RecordWriter.create(path, opening, clock=clock, disk=disk)
    assert disk.calls == [
        "make_directory",
        "open",
        "write",  # the header
        "write",  # the opening and its copy
        "sync_directory",  # the part's name
        "datasync",
        "sync_directory",  # the record's name
    ]
    disk.fails = fail_once(errno.EIO, "write")
    begun = len(disk.calls)
    fill(writer, 1)
    until(lambda: writer.synced == writer.last)
    after = [name for name in disk.calls[begun:] if name != "close"]
    assert after == ["write", "open", "write", "write", "sync_directory", "write", "datasync"]


def test_what_memory_cannot_hold_while_no_disk_works_is_told_as_lost(
    path, opening, clock, failing_disk, fill, look, monkeypatch
) -> None:
    monkeypatch.setattr(Ring.__init__, "__defaults__", (60_000_000_000, 2000))
    disk = failing_disk()
    writer = fill(RecordWriter.create(path, opening, clock=clock, disk=disk), 2)
    until(lambda: writer.synced == writer.last)
    disk.fails = fail_from(1, errno.EIO, ("write", "open", "datasync"))
    fill(writer, 100)
    disk.fails = lambda name, count: None
    clock.monotonic += 120 * 10**9
    until(lambda: writer.synced == writer.last)
    writer.close("")
    entries, files = look(path).read()
    begun = next(unpack_map(entry.payload) for entry in entries if entry.kind == EntryKind.PART)
    assert begun["lost"] > 50
    assert [damage.lost for damage in files.damage] == [begun["lost"]]
    assert entries[-1].number == len(entries) + begun["lost"]


def test_closing_on_a_dead_disk_raises_nothing_and_says_what_is_not_on_it(
    path, opening, clock, failing_disk, fill
) -> None:
    disk = failing_disk()
    writer = fill(RecordWriter.create(path, opening, clock=clock, disk=disk), 2)
    disk.fails = fail_from(1, errno.EIO)
    digest = writer.close("")
    assert len(digest) == 64
    assert writer.synced < writer.last
    assert writer.trouble is not None
    assert "NOT RECORDING" in writer.trouble


def test_the_ring_keeps_a_minute_and_what_is_not_on_disk_and_never_more_than_its_bytes(message) -> None:
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


FILE_SIZE_CHILD = """
import resource, sys
from pathlib import Path
from monitor.record.entries import EntryKind, Opening
from monitor.record.writer import RecordWriter
path, second = Path(sys.argv[1]), Path(sys.argv[2])
writer = RecordWriter.create(path, Opening('Q01', None, 's', '', '', (), {}), second=second)
hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, hard))
while writer.place == path:
    writer.append(EntryKind.MESSAGE, bytes(1000))
assert writer.place is None, writer.place   # the copies of the last minute do not fit into a file of that size
print(writer.trouble, flush=True)
resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
for _ in range(10):
    writer.append(EntryKind.MESSAGE, bytes(1000))
writer.close('')
print(writer.synced == writer.last, writer.last, flush=True)
"""


def test_a_limit_on_the_size_of_a_file_loses_nothing(path, second, look) -> None:
    """The system takes part of a write, then refuses (EFBIG): as a full disk does, without being root."""
    done = subprocess.run(
        [sys.executable, "-c", FILE_SIZE_CHILD, str(path), str(second)],
        capture_output=True,
        text=True,
        timeout=60,
        env={"PYTHONPATH": str(TOP)},
        check=False,
    )
    assert done.returncode == 0, done.stderr
    trouble, result = done.stdout.splitlines()
    assert trouble.startswith("NOT RECORDING: ")
    synced, last = result.split()
    assert synced == "True"
    entries, files = look(path).read()
    assert [entry.number for entry in entries] == list(range(1, int(last) + 1))
    assert files.damage == []
    assert files.torn[0][0] == 1


@pytest.fixture
def tiny_disk(tmp_path: Path):
    """A file system of 1 MiB, where this machine lets us mount one."""
    place = tmp_path / "tiny"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)], capture_output=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip("mounting a small file system is not permitted here; the file size limit stands in for it")
    yield place
    subprocess.run(["umount", "--lazy", str(place)], check=True)


def test_a_full_disk_moves_the_run_to_the_second_one_and_loses_nothing(tiny_disk, second, opening, look) -> None:
    path = tiny_disk / "Q01-20250615T145320Z-00ee.run"
    writer = RecordWriter.create(path, opening, second=second)
    while writer.place == path:
        writer.append(EntryKind.MESSAGE, bytes(1000))
    assert writer.place == second / path.name
    assert writer.trouble is not None
    assert "No space left on device" in writer.trouble or "the disk took only" in writer.trouble
    for _ in range(100):
        writer.append(EntryKind.MESSAGE, bytes(1000))
    writer.close("")
    assert writer.synced == writer.last
    entries, files = look(path).read()
    assert [entry.number for entry in entries] == list(range(1, writer.last + 1))
    assert files.damage == []
    assert verify_record(path).ok


def test_a_read_only_disk_is_refused_at_the_start_with_its_path(tiny_disk, opening) -> None:
    subprocess.run(["mount", "-o", "remount,ro", str(tiny_disk)], check=True)
    with pytest.raises(RecordNotWritable, match=r"No record can be begun in .*tiny.*: Read-only file system"):
        RecordWriter.create(tiny_disk / "Q01.run", opening)


FORGED_CHILD = """
import resource, sys
from pathlib import Path
from monitor.record.reader import RecordFiles
resource.setrlimit(resource.RLIMIT_AS, (400 << 20, 400 << 20))
files = RecordFiles(Path(sys.argv[1]))
print(sum(len(block) for block in files.blocks()), len(files.damage))
"""


def test_two_bytes_swapped_in_a_length_allocate_nothing_and_cost_one_entry(small, look) -> None:
    """Lengths of up to 4 GiB are read in a process that may take 400 MiB in all."""
    record = look(small)
    pieces = record.pieces()
    forged = bytearray(pieces[5])
    forged[8], forged[11] = forged[11], forged[8]
    record.write([*pieces[:5], bytes(forged), *pieces[6:]])
    done = subprocess.run(
        [sys.executable, "-c", FORGED_CHILD, str(small)],
        capture_output=True,
        text=True,
        timeout=60,
        env={"PYTHONPATH": str(TOP)},
        check=False,
    )
    assert done.stdout.split() == ["8", "1"], done.stderr


def test_nothing_stays_open_after_closing(path, opening) -> None:
    before = set(os.listdir("/proc/self/fd"))
    threads = threading.active_count()
    RecordWriter.create(path, opening).close("")
    list(RecordReading(path).blocks())
    assert set(os.listdir("/proc/self/fd")) == before
    assert threading.active_count() == threads

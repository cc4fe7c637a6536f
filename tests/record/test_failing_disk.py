"""The writer on a disk that fails, is full, or takes nothing: nothing is lost, and it is said."""

from __future__ import annotations

import errno
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.record.chain import Ring
from monitor.record.disk import RecordNotWritable
from monitor.record.entries import EntryKind, Opening, unpack_map
from monitor.record.places import find_parts
from monitor.record.reader import RecordReading
from monitor.record.verify import verify_record
from monitor.record.writer import RecordWriter, Writing
from tests.record.conftest import FailingDisk, Fill, HandClock, Record, fail_from, fail_once, payload
from tests.waiting import until_synced, wait_for

TOP = Path(__file__).parents[2]


@pytest.mark.parametrize("error", [errno.EIO, errno.ENOSPC])
@pytest.mark.parametrize("with_second", [True, False])
def test_one_failing_call_loses_nothing_whichever_call_it_is(
    tmp_path: Path, opening: Opening, clock: HandClock, error: int, with_second: bool
) -> None:
    """For every n: the n-th call to the system fails once, until no call is left that could fail."""
    fired = True
    n = 0
    while fired:
        n += 1
        path, second = tmp_path / f"Q01-{n}.run", tmp_path / f"second-{n}"
        second.mkdir()
        disk = FailingDisk(fails=fail_from(n, error, last=n))
        try:
            writer = RecordWriter.create(
                path, opening, Writing(second=second if with_second else None, clock=clock, disk=disk)
            )
        except RecordNotWritable:
            assert disk.failed
            continue
        for number in range(2, 6):
            writer.append(EntryKind.MESSAGE, payload(number))
        until_synced(writer)
        writer.close("the drive ended")
        fired = bool(disk.failed)
        assert writer.synced == writer.last
        assert disk.synced_again == []
        entries, files = Record(path).read()
        kept = [entry.payload for entry in entries if entry.kind == EntryKind.MESSAGE]
        assert kept == [payload(number) for number in range(2, 6)], (n, disk.failed)
        assert files.damage == [], (n, disk.failed)
        assert files.state == "closed"
        assert verify_record(path).ok
    assert n > 10


def test_after_a_failed_sync_that_part_is_left_and_the_last_minute_stands_in_the_next(
    path: Path, opening: Opening, clock: HandClock, fill: Fill
) -> None:
    """Its pages may be gone although they can still be read now: here they are overwritten with zeros."""
    disk = FailingDisk()
    writer = fill(RecordWriter.create(path, opening, Writing(clock=clock, disk=disk)), 3)
    until_synced(writer)
    disk.fails = fail_once(errno.EIO, "datasync")
    fill(writer, 2)  # the sync of these fails
    writer.sync_soon()
    wait_for(lambda: len(find_parts(path)) == 2 and writer.synced == writer.last)
    assert writer.trouble is None
    writer.close("")
    assert disk.failed == ["datasync"]
    assert disk.synced_again == []
    record = Record(path)
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
    path: Path, second: Path, opening: Opening, clock: HandClock, fill: Fill
) -> None:
    disk = FailingDisk()
    writer = fill(RecordWriter.create(path, opening, Writing(second=second, clock=clock, disk=disk)), 3)
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
    entries, files = Record(path).read()
    assert [entry.number for entry in entries] == list(range(1, 10))
    assert files.damage == []
    alone, files = Record(second / path.name).read()  # the first disk is gone for good
    assert [entry.number for entry in alone] == list(range(1, 10))
    assert RecordReading(second / path.name).opening == opening


def test_a_short_write_is_a_torn_tail_and_the_entry_stands_in_the_next_part(
    path: Path, opening: Opening, clock: HandClock, fill: Fill
) -> None:
    class Short(FailingDisk):
        short_at = 0

        def write(self, descriptor: int, data: bytes) -> int:
            if len(self.calls) + 1 == self.short_at:
                data = data[: len(data) // 2]
            return super().write(descriptor, data)

    disk = Short()
    writer = fill(RecordWriter.create(path, opening, Writing(clock=clock, disk=disk)), 2)
    until_synced(writer)
    disk.short_at = len(disk.calls) + 1
    fill(writer, 2)
    writer.close("")
    entries, files = Record(path).read()
    assert [entry.number for entry in entries] == [1, 2, 3, 4, 5, 6, 7]
    assert files.damage == []
    assert [part for part, _ in files.torn] == [1]
    assert verify_record(path).ok


def test_where_no_disk_takes_it_entries_stay_in_memory_and_are_written_later(
    path: Path, second: Path, opening: Opening, clock: HandClock, fill: Fill
) -> None:
    disk = FailingDisk()
    writer = fill(RecordWriter.create(path, opening, Writing(second=second, clock=clock, disk=disk)), 2)
    until_synced(writer)
    disk.fails = fail_from(1, errno.EROFS, ("write", "open", "datasync"))
    fill(writer, 4)
    assert writer.place is None
    assert writer.trouble is not None
    assert writer.trouble.startswith("NOT RECORDING: ")
    assert writer.synced == 3
    assert [entry.number for entry in writer.entries_after(3)] == [4, 5, 6, 7]
    disk.fails = lambda name, count: None
    clock.monotonic += 120 * 10**9  # past every pause between tries
    until_synced(writer)
    writer.close("")
    entries, files = Record(path).read()
    assert [entry.number for entry in entries] == list(range(1, 10))
    assert files.damage == []
    begun = next(unpack_map(entry.payload) for entry in entries if entry.kind == EntryKind.PART)
    assert begun["why"].startswith("writing works again after ")
    assert begun["lost"] == 0


def test_a_disk_that_takes_writes_and_fails_each_sync_is_not_filled_with_copies(
    path: Path, opening: Opening, clock: HandClock, fill: Fill
) -> None:
    """A new part is tried again after 2 s, then 4, 8 … and not at each sync."""
    disk = FailingDisk()
    clock.step = 0
    writer = fill(RecordWriter.create(path, opening, Writing(clock=clock, disk=disk)), 2)
    until_synced(writer)
    disk.fails = fail_from(1, errno.EIO, ("datasync",))

    def tried(parts: int) -> None:
        wait_for(lambda: len(disk.failed) == parts and str(writer.trouble).startswith("NOT RECORDING"))
        assert len(find_parts(path)) == parts

    for seconds, parts in ((0, 2), (1.9, 2), (0.2, 3), (3.9, 3), (0.2, 4), (7.9, 4), (0.2, 5)):
        clock.monotonic += int(seconds * 1e9)
        fill(writer, 1)
        writer.sync_soon()
        tried(parts)
    assert disk.synced_again == []
    disk.fails = lambda name, count: None
    clock.monotonic += 60 * 10**9
    until_synced(writer)
    assert writer.trouble is None


def test_names_of_parts_are_on_disk_before_anything_is_called_synced(
    path: Path, opening: Opening, clock: HandClock, fill: Fill
) -> None:
    disk = FailingDisk()
    writer = RecordWriter.create(path, opening, Writing(clock=clock, disk=disk))
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
    until_synced(writer)
    after = [name for name in disk.calls[begun:] if name != "close"]
    assert after == ["write", "open", "write", "write", "sync_directory", "write", "datasync"]


def test_what_memory_cannot_hold_while_no_disk_works_is_told_as_lost(
    path: Path, opening: Opening, clock: HandClock, fill: Fill, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Ring.__init__, "__defaults__", (60_000_000_000, 2000))
    disk = FailingDisk()
    writer = fill(RecordWriter.create(path, opening, Writing(clock=clock, disk=disk)), 2)
    until_synced(writer)
    disk.fails = fail_from(1, errno.EIO, ("write", "open", "datasync"))
    fill(writer, 100)
    disk.fails = lambda name, count: None
    clock.monotonic += 120 * 10**9
    until_synced(writer)
    writer.close("")
    entries, files = Record(path).read()
    begun = next(unpack_map(entry.payload) for entry in entries if entry.kind == EntryKind.PART)
    assert begun["lost"] > 50
    assert [damage.lost for damage in files.damage] == [begun["lost"]]
    assert entries[-1].number == len(entries) + begun["lost"]


def test_closing_on_a_dead_disk_raises_nothing_and_says_what_is_not_on_it(
    path: Path, opening: Opening, clock: HandClock, fill: Fill
) -> None:
    disk = FailingDisk()
    writer = fill(RecordWriter.create(path, opening, Writing(clock=clock, disk=disk)), 2)
    disk.fails = fail_from(1, errno.EIO)
    digest = writer.close("")
    assert len(digest) == 64
    assert writer.synced < writer.last
    assert writer.trouble is not None
    assert "NOT RECORDING" in writer.trouble


FILE_SIZE_CHILD = """
import resource, sys
from pathlib import Path
from monitor.record.entries import EntryKind, Opening
from monitor.record.writer import RecordWriter, Writing
path, second = Path(sys.argv[1]), Path(sys.argv[2])
writer = RecordWriter.create(path, Opening('Q01', None, 's', '', '', (), {}), Writing(second=second))
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


def test_a_limit_on_the_size_of_a_file_loses_nothing(path: Path, second: Path) -> None:
    """The system takes part of a write, then refuses (EFBIG): as a full disk does, without being root."""
    done = subprocess.run(
        [sys.executable, "-c", FILE_SIZE_CHILD, str(path), str(second)],
        capture_output=True,
        text=True,
        timeout=120,
        env={"PYTHONPATH": str(TOP)},
        check=False,
    )
    assert done.returncode == 0, done.stderr
    trouble, result = done.stdout.splitlines()
    assert trouble.startswith("NOT RECORDING: ")
    synced, last = result.split()
    assert synced == "True"
    entries, files = Record(path).read()
    assert [entry.number for entry in entries] == list(range(1, int(last) + 1))
    assert files.damage == []
    assert files.torn[0][0] == 1


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
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


def test_a_full_disk_moves_the_run_to_the_second_one_and_loses_nothing(
    tiny_disk: Path, second: Path, opening: Opening
) -> None:
    path = tiny_disk / "Q01-20250615T145320Z-00ee.run"
    writer = RecordWriter.create(path, opening, Writing(second=second))
    while writer.place == path:
        writer.append(EntryKind.MESSAGE, bytes(1000))
    assert writer.place == second / path.name
    assert writer.trouble is not None
    assert "No space left on device" in writer.trouble or "the disk took only" in writer.trouble
    for _ in range(100):
        writer.append(EntryKind.MESSAGE, bytes(1000))
    writer.close("")
    assert writer.synced == writer.last
    entries, files = Record(path).read()
    assert [entry.number for entry in entries] == list(range(1, writer.last + 1))
    assert files.damage == []
    assert verify_record(path).ok


def test_a_read_only_disk_is_refused_at_the_start_with_its_path(tiny_disk: Path, opening: Opening) -> None:
    subprocess.run(["mount", "-o", "remount,ro", str(tiny_disk)], check=True)
    with pytest.raises(RecordNotWritable, match=r"No record can be begun in .*tiny.*: Read-only file system"):
        RecordWriter.create(tiny_disk / "Q01.run", opening)

"""Sealing, and sealed records."""

from __future__ import annotations

import errno
import math
import os
import random
import shutil
import zlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from zlib import crc32

import msgpack
import pytest

from monitor.errors import RecordUnreadable
from monitor.record import sealing
from monitor.record.bytes.packing import pack_entries
from monitor.record.disk import DISK, RecordBusy, RecordNotWritable, lock_record
from monitor.record.entries import Entry, EntryKind, Opening, pack_frames
from monitor.record.places import SEALED_NAME, find_parts
from monitor.record.reader import RecordFiles, RecordReading
from monitor.record.recovery import recover_record
from monitor.record.sealed.blocks import ENTRIES
from monitor.record.sealed.reading import SealedFile
from monitor.record.sealing import seal_record
from monitor.record.verify import verify_record
from monitor.record.withdrawing import withdraw_record
from monitor.record.writer import RecordWriter, Writing
from tests.record.conftest import FailingDisk, HandClock, Record, entries_of, fail_from, fail_once, payload


def telemetry(count: int, seed: int = 7) -> Iterator[bytes]:
    """Invented frames at 60 Hz: own car and three others, smooth and never still, numbers as 64-bit floats."""
    dice = random.Random(seed)
    position, speed, accel, offset, drift = 0.0, 22.2, 0.0, 0.05, 0.0
    others = [[40.0 * (place + 1), 21.0 + dice.random(), 0.0] for place in range(3)]
    step = 1 / 60
    for seq in range(1, count + 1):
        accel += (-0.5 * accel + 0.4 * dice.gauss(0, 1)) * step
        speed += accel * step
        position += speed * step
        drift += (-0.9 * drift - 0.2 * offset + 0.1 * dice.gauss(0, 1)) * step
        offset += drift * step
        for other in others:
            other[2] += (-0.5 * other[2] + 0.3 * dice.gauss(0, 1)) * step
            other[1] += other[2] * step
            other[0] += other[1] * step
        own = {
            "x": position,
            "y": offset + 0.3 * math.sin(position / 90),
            "heading": math.atan2(drift, speed),
            "speed": speed,
            "accel": accel,
            "length": 4.6,
            "width": 1.8,
            "yaw_rate": drift / 9.0,
            "lane_offset": offset,
            "steering_angle": drift * 1.7 + offset / 30,
            "accelerator": 0.2 + accel / 10,
            "brake": max(0.0, -accel / 8),
        }
        columns = {
            "id": [1, 2, 3],
            "x": [other[0] for other in others],
            "y": [0.3 * math.sin(other[0] / 90) for other in others],
            "heading": [0.1 / 30 * math.cos(other[0] / 90) for other in others],
            "speed": [other[1] for other in others],
            "accel": [other[2] for other in others],
            "length": [5.0, 4.4, 4.4],
            "width": [2.0, 1.8, 1.8],
        }
        frame = {"v": 1, "run": "Q01-a", "seq": seq, "t": seq * step, "own": own, "others": columns}
        frame |= {"signals": {"eyes_on_road": seq % 900 < 700, "platform_x": accel / 50}, "markers": seq // 600}
        yield pack_frames([b"frame", msgpack.packb(frame)])


@pytest.fixture(scope="module")
def drive_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A closed record of 100 s of telemetry with ticks and notes, in two parts, the first with a torn tail."""
    from monitor.record.entries import Opening

    class Clocks:
        def __init__(self) -> None:
            self.now, self.dice = 10**12, random.Random(5)

        def monotonic_ns(self) -> int:
            self.now += 16_666_667 + int(self.dice.gauss(0, 60_000))
            return self.now

        def wall_ns(self) -> int:
            return 1_750_000_000 * 10**9 + self.now + int(self.dice.gauss(0, 300))

    path = tmp_path_factory.mktemp("drive") / "Q01-20250615T145320Z-0d0d.run"
    clock = Clocks()
    writer = RecordWriter.create(
        path, Opening("Q01", "chime", "dusk-road", "x" * 3000, "", (), {}), Writing(clock=clock)
    )
    frames = list(telemetry(6000))
    for at, frame in enumerate(frames[:3000]):
        writer.append(EntryKind.MESSAGE, frame)
        if at % 300 == 0:
            writer.append(EntryKind.OPERATOR, msgpack.packb({"type": "note", "text": f"note {at}"}))
            writer.append(EntryKind.TICK, b"")
    os.close(writer._lock_descriptor)
    writer._lock_descriptor = -1
    with (path / "part-0001.twr").open("ab") as part:
        part.write((path / "part-0001.twr").read_bytes()[-500:-200])
    part_bytes = (path / "part-0001.twr").read_bytes()
    (path / "part-0001.twr").write_bytes(part_bytes[:-300] + b"\xc1\x9eTW" + bytes(3))
    writer = RecordWriter.resume(path, why="the recorder was started again", how=Writing(clock=clock))
    for frame in frames[3000:]:
        writer.append(EntryKind.MESSAGE, frame)
    writer.close("the drive ended")
    return path


@pytest.fixture
def drive(drive_template: Path, tmp_path: Path) -> Path:
    path = tmp_path / drive_template.name
    shutil.copytree(drive_template, path)
    return path


@pytest.fixture(scope="module")
def sealed_template(drive_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sealed") / drive_template.name
    shutil.copytree(drive_template, path)
    seal_record(path)
    return path


@pytest.fixture
def sealed_drive(sealed_template: Path, tmp_path: Path) -> Path:
    """The same record, sealed."""
    path = tmp_path / sealed_template.name
    shutil.copytree(sealed_template, path)
    return path


@pytest.fixture(scope="module")
def drive_entries(drive_template: Path) -> list[Entry]:
    return entries_of(drive_template)


def test_a_sealed_record_gives_the_same_entries_and_the_same_parts_byte_for_byte(drive: Path) -> None:
    before, parts = entries_of(drive), {number: file.read_bytes() for number, file in find_parts(drive)}
    digest = RecordReading(drive).digest
    torn = verify_record(drive).notes
    sealed = seal_record(drive)
    assert sorted(file.name for file in drive.iterdir()) == [SEALED_NAME]
    reading = RecordReading(drive)
    assert entries_of(drive) == before
    assert (reading.state, reading.digest, sealed.digest) == ("sealed", digest, digest)
    file = SealedFile(drive / SEALED_NAME)
    assert {number: b"".join(file.original(number)) for number in file.parts} == parts
    assert verify_record(drive, digest).ok
    assert verify_record(drive).notes == torn
    assert seal_record(drive) == sealed


def test_a_sealed_drive_takes_at_most_45_percent(drive: Path) -> None:
    sealed = seal_record(drive)
    assert sealed.raw_bytes > 3_000_000
    assert sealed.share <= 0.45


def test_a_range_is_read_without_reading_the_whole(drive: Path) -> None:
    """The bytes asked from the system for the last 100 entries, against the size of the file."""
    last = RecordReading(drive).last_number
    seal_record(drive)

    class Counting(FailingDisk):
        read = 0

        def pread(self, descriptor: int, size: int, offset: int) -> bytes:
            found = super().pread(descriptor, size, offset)
            self.read += len(found)
            return found

    disk = Counting()
    reading = RecordReading(drive, disk)
    opened, disk.read = disk.read, 0
    for after in (last - 100, last // 2, 10):
        disk.read = 0
        first = next(reading.blocks(after=after))
        assert first[0].number == after + 1
        assert disk.read < (drive / SEALED_NAME).stat().st_size * 0.35
    assert opened < (drive / SEALED_NAME).stat().st_size


@pytest.mark.parametrize("after", [0, 1, 2, 500, 3021, 3022, 3023, 5000, 6022, 6023, 6024])
def test_a_sealed_record_read_from_any_number_on(sealed_template: Path, drive_entries: list[Entry], after: int) -> None:
    reading = RecordReading(sealed_template)
    numbers = [entry.number for block in reading.blocks(after=after, size=100) for entry in block]
    assert numbers == list(range(after + 1, drive_entries[-1].number + 1))


@pytest.mark.slow
def test_a_flipped_bit_in_any_byte_of_a_sealed_record_is_told_and_mended(small: Path) -> None:
    seal_record(small)
    before = entries_of(small)
    file = small / SEALED_NAME
    raw = file.read_bytes()
    for at in range(len(raw)):
        flipped = bytearray(raw)
        flipped[at] ^= 1 << (at * 5 % 8)
        file.write_bytes(flipped)
        files = RecordFiles(small)
        assert [entry for block in files.blocks() for entry in block] == before, at
        assert files.damage != [], at
        assert sum(damage.lost or 0 for damage in files.damage) == 0, at


def test_two_flipped_bits_of_one_block_cost_that_block_and_are_told(drive: Path) -> None:
    seal_record(drive)
    before = entries_of(drive)
    sealed = SealedFile(drive / SEALED_NAME)
    at, block = [found for found in sealed.parts[1] if found[1].holds == ENTRIES][2]
    raw = bytearray((drive / SEALED_NAME).read_bytes())
    assert block.stripes > 2
    for stripe in (0, 2):
        raw[at + 92 + stripe * block.stripe_length + 5] ^= 8
    (drive / SEALED_NAME).write_bytes(raw)
    result = verify_record(drive)
    assert result.lost == block.entries
    assert "damaged beyond what its parity can mend" in " ".join(result.sentences())
    lost = set(range(block.first_number, block.first_number + block.entries))
    assert entries_of(drive) == [entry for entry in before if entry.number not in lost]


@pytest.mark.parametrize("cut", [1, 20, 31, 32, 33, 200, 2000])
def test_an_index_that_is_cut_off_is_built_again_from_the_blocks(
    sealed_drive: Path, drive_entries: list[Entry], cut: int
) -> None:
    file = sealed_drive / SEALED_NAME
    file.write_bytes(file.read_bytes()[:-cut])
    result = verify_record(sealed_drive)
    assert "the index is damaged and was built again" in " ".join(result.sentences())
    assert entries_of(sealed_drive) == drive_entries


def test_the_index_of_another_record_is_not_believed(drive: Path, small: Path) -> None:
    before = entries_of(drive)
    seal_record(drive)
    seal_record(small)
    mine, other = (drive / SEALED_NAME).read_bytes(), (small / SEALED_NAME).read_bytes()
    index_of_other = other[int.from_bytes(other[-32:-24], "little") :]
    (drive / SEALED_NAME).write_bytes(mine[: int.from_bytes(mine[-32:-24], "little")] + index_of_other)
    assert entries_of(drive) == before
    assert not verify_record(drive).ok


def test_a_payload_changed_inside_a_sealed_block_with_all_checksums_put_right_breaks_the_chain(small: Path) -> None:
    seal_record(small)
    file = small / SEALED_NAME
    sealed = SealedFile(file)
    at, block = [found for found in sealed.parts[1] if found[1].holds == ENTRIES][-1]
    raw = file.read_bytes()
    plain = zlib.decompress(raw[at + 92 : at + 92 + block.packed_length])
    assert b"fog" in plain
    packed = zlib.compress(plain.replace(b"fog", b"sun"), 6)
    changed = replace(block, packed_length=len(packed), packed_crc=crc32(packed), parity_crc=crc32(packed), stripes=1)
    from monitor.record.sealed.blocks import tail_bytes

    body = changed.pack() + packed + crc32(packed).to_bytes(4, "little") + packed
    index = [found if found[0] != at else (at, changed) for found in sealed.parts[1]]
    file.write_bytes(raw[:at] + body + tail_bytes(index, at + len(body)))
    result = verify_record(small)
    assert not result.ok
    assert "do not lead to the closing digest" in " ".join(result.sentences())


def test_a_record_with_damage_keeps_its_damage_when_sealed(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    damaged = bytearray(pieces[5])
    damaged[60] ^= 4
    raw = b"".join([*pieces[:5], bytes(damaged), *pieces[6:]])
    record.part().write_bytes(raw)
    seal_record(small)
    assert b"".join(SealedFile(small / SEALED_NAME).original(1)) == raw
    result = verify_record(small)
    assert (result.entries, result.lost, result.ok) == (8, 1, False)


def test_an_unclosed_record_is_not_sealed(small: Path) -> None:
    record = Record(small)
    record.write(record.pieces()[:-1])
    with pytest.raises(RecordNotWritable, match="is not closed"):
        seal_record(small)
    recover_record(small)
    assert seal_record(small).entries == 10  # eight, the new part's, the close entry


def test_a_record_that_is_being_written_is_neither_sealed_nor_withdrawn(small: Path) -> None:
    lock = lock_record(DISK, small)
    try:
        with pytest.raises(RecordBusy):
            seal_record(small)
        with pytest.raises(RecordBusy):
            withdraw_record(small, "lead")
    finally:
        os.close(lock)


def test_any_failing_call_while_sealing_leaves_the_record_as_it_was(small: Path, tmp_path: Path) -> None:
    before = entries_of(small)
    n, fired = 0, True
    while fired:
        n += 1
        path = tmp_path / f"try-{n}" / small.name
        shutil.copytree(small, path)
        disk = FailingDisk(fails=fail_from(n, errno.EIO, last=n))
        try:
            seal_record(path, disk)
        except (RecordNotWritable, RecordUnreadable):
            assert disk.failed
        fired = bool(disk.failed)
        assert entries_of(path) == before, (n, disk.failed)
        seal_record(path)
        assert entries_of(path) == before
        assert [file.name for file in path.iterdir()] == [SEALED_NAME]
    assert n > 12


def test_bytes_that_do_not_read_back_the_same_keep_the_parts(small: Path) -> None:
    """A disk that flips a bit of what is written: the proof finds it."""

    class Flipping(FailingDisk):
        def write(self, descriptor: int, data: bytes) -> int:
            if len(data) > 300:
                data = data[:150] + bytes([data[150] ^ 1]) + data[151:]
            return super().write(descriptor, data)

    before = entries_of(small)
    with pytest.raises((RecordNotWritable, RecordUnreadable)):
        seal_record(small, Flipping())
    assert [file.name for file in small.iterdir()] == ["part-0001.twr"]
    assert entries_of(small) == before


def test_a_packing_that_changed_anything_would_keep_the_parts(small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The proof compares bytes and does not rely on the packing that it checks."""
    right = pack_entries

    def wrong(entries: list[Entry]) -> tuple[bytes, int]:
        last = entries[-1]
        return right([*entries[:-1], last._replace(payload=last.payload[:-1] + b"?")])

    monkeypatch.setattr(sealing, "pack_entries", wrong)
    with pytest.raises(RecordNotWritable, match="part 1 differs near byte"):
        seal_record(small)
    assert [file.name for file in small.iterdir()] == ["part-0001.twr"]


def test_the_sealed_file_and_its_name_are_on_disk_before_the_first_part_is_removed(small: Path) -> None:
    disk = FailingDisk()
    seal_record(small, disk)
    order = [name for name in disk.calls if name in ("datasync", "rename", "sync_directory", "unlink")]
    assert order == ["datasync", "rename", "sync_directory", "unlink", "sync_directory"]


def test_parts_on_the_second_disk_are_sealed_with_the_others(
    tmp_path: Path, opening: Opening, clock: HandClock
) -> None:
    path, second = tmp_path / "Q01-20250615T145320Z-0f0f.run", tmp_path / "second"
    second.mkdir()
    disk = FailingDisk()
    writer = RecordWriter.create(path, opening, Writing(second=second, clock=clock, disk=disk))
    writer.append(EntryKind.MESSAGE, payload(2))
    disk.fails = fail_once(errno.ENOSPC, "write")
    writer.append(EntryKind.MESSAGE, payload(3))
    writer.close("")
    before = entries_of(path)
    assert (second / path.name / "part-0002.twr").exists()
    seal_record(path)
    assert entries_of(path) == before
    assert find_parts(path) == []


def test_a_record_that_is_sealed_under_a_reader_says_to_open_it_again(drive: Path) -> None:
    blocks = RecordReading(drive).blocks(size=10)
    next(blocks)
    seal_record(drive)
    with pytest.raises(RecordUnreadable, match="if it was sealed meanwhile, open it again"):
        list(blocks)

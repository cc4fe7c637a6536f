"""Reading while somebody writes, from any number on, and without loading what need not be."""

from __future__ import annotations

import os
import subprocess
import sys
import zlib
from collections.abc import Iterable
from pathlib import Path

import pytest

from monitor.errors import RecordUnreadable
from monitor.record.bytes.parts import part_name
from monitor.record.entries import Entry, EntryKind, Opening
from monitor.record.places import list_records
from monitor.record.reader import RecordReading
from monitor.record.writer import RecordWriter, Writing
from tests.record.conftest import FailingDisk, Fill, HandClock, Record

TOP = Path(__file__).parents[2]


def numbers(blocks: Iterable[list[Entry]]) -> list[int]:
    return [entry.number for block in blocks for entry in block]


def test_a_reader_goes_on_where_it_was_also_into_a_new_part(
    tmp_path: Path, opening: Opening, clock: HandClock, fill: Fill
) -> None:
    path = tmp_path / "Q01-20250615T145320Z-0001.run"
    writer = fill(RecordWriter.create(path, opening, Writing(clock=clock)), 3)
    reading = RecordReading(path)
    assert numbers(reading.blocks()) == [1, 2, 3, 4]
    assert numbers(reading.blocks(after=4)) == []
    fill(writer, 2)
    assert numbers(reading.blocks(after=4)) == [5, 6]
    os.close(writer._lock_descriptor)  # as if its process had died
    fill(RecordWriter.resume(path, why="again", how=Writing(clock=clock)), 1)
    assert numbers(reading.blocks(after=6)) == [7, 8]
    assert (reading.damage, reading.state) == ([], "open")
    writer._lock_descriptor = -1


def test_an_entry_written_by_halves_is_not_yet_there_and_no_damage(small: Path) -> None:
    record = Record(small)
    raw = record.part().read_bytes()
    pieces = record.pieces()
    start = sum(map(len, pieces[:6]))
    reading = None
    for cut in range(start, start + len(pieces[6])):
        record.part().write_bytes(raw[:cut])
        if reading is None:
            reading = RecordReading(small)
            assert numbers(reading.blocks()) == [1, 2, 3, 4]
        else:
            assert numbers(reading.blocks(after=4)) == []
        assert reading.damage == []
    record.part().write_bytes(raw)
    assert reading is not None
    assert numbers(reading.blocks(after=4)) == [5, 6, 7, 8, 9]
    assert (reading.damage, reading.state) == ([], "closed")


def test_damage_seen_at_the_live_end_is_told_once_when_more_has_come(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    damaged = bytearray(pieces[5])
    damaged[60] ^= 4
    record.write([*pieces[:5], bytes(damaged)])
    reading = RecordReading(small)
    assert numbers(reading.blocks()) == [1, 2, 3]
    assert [damage.lost for damage in reading.damage] == [None]
    record.write([*pieces[:5], bytes(damaged), *pieces[6:]])
    assert numbers(reading.blocks(after=3)) == [5, 6, 7, 8, 9]
    assert [damage.lost for damage in reading.damage] == [1]


@pytest.mark.parametrize("looks", [1, 2, 3, 4])
@pytest.mark.parametrize("step", [1, 61, 150])
def test_a_part_that_grows_between_any_two_reads_shows_no_damage(small: Path, step: int, looks: int) -> None:
    """Each time that its end has been looked at so often, the part is a few bytes longer."""

    class Growing(FailingDisk):
        visible = 420
        left = looks

        def pread(self, descriptor: int, size: int, offset: int) -> bytes:
            found = super().pread(descriptor, max(0, min(size, self.visible - offset)), offset)
            self.left -= not found
            if self.left == 0:
                self.visible += step
                self.left = looks
            return found

    reading = RecordReading(small, Growing())
    seen: list[int] = []
    for _ in range(2000):
        seen += numbers(reading.blocks(after=len(seen)))
        assert reading.damage == []
    assert seen == list(range(1, 10))


def test_a_change_just_after_the_number_read_from_is_told(small: Path) -> None:
    """The entry before it is not given and its digest is checked all the same."""
    record = Record(small)
    pieces = record.pieces()
    other = pieces[6][:40] + bytes([pieces[6][40] ^ 1]) + pieces[6][41:-4]
    crc = zlib.crc32(other[40:]).to_bytes(4, "little")
    record.write([*pieces[:6], other + crc, *pieces[7:]])
    reading = RecordReading(small)
    assert numbers(reading.blocks(after=4)) == [5, 6, 7, 8, 9]
    assert "entry 5 does not follow from entry 4" in reading.damage[0].what


@pytest.fixture(scope="module")
def long_record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """30,000 entries in three parts, 12 MB."""
    from monitor.record.entries import Opening

    path = tmp_path_factory.mktemp("long") / "Q02-20250615T145320Z-0002.run"
    writer = RecordWriter.create(path, Opening("Q02", None, "s", "", "", (), {}))
    for part in range(3):
        for _ in range(10_000):
            writer.append(EntryKind.MESSAGE, writer.last.to_bytes(4, "little") * 80)
        if part < 2:
            os.close(writer._lock_descriptor)
            writer._lock_descriptor = -1
            writer = RecordWriter.resume(path, why="again")
    writer.close("")
    return path


@pytest.mark.parametrize("after", [0, 1, 2, 9_999, 10_001, 10_002, 17_001, 20_003, 29_000, 30_003, 30_004, 40_000])
def test_reading_from_any_number_on_gives_what_reading_from_the_start_gives(long_record: Path, after: int) -> None:
    reading = RecordReading(long_record)
    last = reading.last_number
    assert last == 30_004  # opening, 30,000 messages, two new parts, the close entry
    assert numbers(reading.blocks(after=after)) == list(range(after + 1, last + 1))
    assert reading.damage == []


def test_blocks_keep_to_their_size(long_record: Path) -> None:
    sizes = [len(block) for block in RecordReading(long_record).blocks(size=100)]
    assert max(sizes) == 100
    assert sum(sizes) == 30_004


def test_a_reader_of_a_writer_at_full_speed_sees_each_entry_once(tmp_path: Path, opening: Opening) -> None:
    """Another process appends 20,000 entries while this one reads on and on."""
    path = tmp_path / "Q03-20250615T145320Z-0003.run"
    code = (
        "import sys; from pathlib import Path; from monitor.record.entries import *; "
        "from monitor.record.writer import RecordWriter, Writing; "
        "w = RecordWriter.create(Path(sys.argv[1]), Opening('Q03', None, 's', '', '', (), {})); "
        "print('open', flush=True); "
        "[w.append(EntryKind.MESSAGE, bytes(i % 977)) for i in range(20000)]; w.close('')"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, env={"PYTHONPATH": str(TOP)}
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == b"open\n"
        reading = RecordReading(path)
        seen: list[int] = []
        rounds = 0
        while reading.state == "open" and rounds < 100_000:
            rounds += 1
            seen += numbers(reading.blocks(after=len(seen)))
            assert reading.damage == []
        assert child.wait(60) == 0
    assert seen == list(range(1, 20_003))


def test_a_page_that_the_disk_does_not_give_back_is_told_and_the_rest_is_read(small: Path) -> None:
    """An input error at one page of the file, as from a bad sector."""
    record = Record(small)
    pieces = record.pieces()
    padded = [*pieces[:5], bytes(8192), *pieces[5:]]  # so that pages 1 holds no entry
    record.write(padded)

    class BadPage(FailingDisk):
        def pread(self, descriptor: int, size: int, offset: int) -> bytes:
            if offset < 8192 and offset + size > 4096:
                raise OSError(5, "Input/output error")
            return super().pread(descriptor, size, offset)

    reading = RecordReading(small, BadPage())
    assert numbers(reading.blocks()) == list(range(1, 10))
    told = " ".join(damage.what for damage in reading.damage)
    assert "byte 4096: the disk does not give back this page" in told


def test_a_path_that_is_no_record_is_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(RecordUnreadable, match="holds no run record"):
        RecordReading(tmp_path)
    with pytest.raises(RecordUnreadable, match="holds no run record"):
        RecordReading(tmp_path / "missing")


def test_a_record_without_its_opening_says_how_to_see_what_is_left(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    record.write([pieces[0], *pieces[3:]])
    with pytest.raises(RecordUnreadable, match="no opening entry can be read"):
        RecordReading(small)


def test_a_newer_format_is_refused_and_an_unknown_compatible_flag_is_read_over(small: Path) -> None:
    from dataclasses import replace

    record = Record(small)
    pieces = record.pieces()
    header = record.read()[1].sources[0].header
    assert header is not None
    record.write([replace(header, compatible=1 << 7).pack(), *pieces[1:]])
    assert len(record.read()[0]) == 9
    for newer in (replace(header, version=2), replace(header, incompatible=4)):
        record.write([newer.pack(), *pieces[1:]])
        with pytest.raises(RecordUnreadable, match="written by a newer version"):
            RecordReading(small)


def test_records_of_a_directory_are_listed_by_name(
    tmp_path: Path, clock: HandClock, opening: Opening, small: Path
) -> None:
    (tmp_path / "not-a-record").mkdir()
    emptied = tmp_path / "emptied.run"
    emptied.mkdir()
    (tmp_path / "file.run").write_text("")
    other = tmp_path / "A01-20250615T145320Z-0000.run"
    RecordWriter.create(other, opening).close("")
    assert list_records(tmp_path) == [other, *sorted([emptied, small])]
    with pytest.raises(RecordUnreadable):
        list_records(tmp_path / "nowhere")


def test_a_missing_part_is_told_with_what_it_cost(long_record: Path, tmp_path: Path) -> None:
    import shutil

    copy = tmp_path / long_record.name
    shutil.copytree(long_record, copy)
    (copy / part_name(2)).unlink()
    reading = RecordReading(copy)
    assert len(numbers(reading.blocks())) == 30_004 - 10_001
    assert [(damage.part, damage.lost) for damage in reading.damage] == [(2, 10_001)]


def test_writing_and_reading_load_neither_numpy_nor_a_screen_nor_a_socket() -> None:
    code = (
        "import sys, monitor.record.writer, monitor.record.reader, monitor.record.recovery; "
        "print([name for name in ('numpy', 'textual', 'rich', 'zmq') if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env={"PYTHONPATH": str(TOP)}, check=True
    )
    assert done.stdout.strip() == "[]"

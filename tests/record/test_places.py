"""Places on other disks: stamped with the record's id, recognised when absent, foreign, copied, moved or doubled."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.record.disk import RecordNotWritable
from monitor.record.entries import EntryKind, Opening
from monitor.record.places import SECOND_NAME, STAMP_NAME, find_parts, look_at_places, read_stamp
from monitor.record.reader import RecordReading
from monitor.record.recovery import recover_record, take_place
from monitor.record.sealing import seal_record
from monitor.record.verify import verify_record
from monitor.record.writer import RecordWriter, Writing
from tests.record.conftest import FailingDisk, HandClock, payload, write_elsewhere


def standing(path: Path) -> list[str]:
    return [place.standing for place in look_at_places(path)]


def numbers(path: Path) -> list[int]:
    return [entry.number for block in RecordReading(path).blocks() for entry in block]


def test_a_second_place_is_stamped_when_the_run_begins_and_gone_when_it_was_not_needed(
    path: Path, second: Path, opening: Opening
) -> None:
    writer = RecordWriter.create(path, opening, Writing(second=second))
    stamp = read_stamp(second / path.name)
    assert stamp is not None
    assert (stamp.home, stamp.parts) == (path, {})
    assert standing(path) == ["own", "second"]
    writer.close("")
    assert list(second.iterdir()) == []
    assert standing(path) == ["own"]
    assert verify_record(path).ok


def test_a_second_place_that_cannot_be_used_is_said_before_the_run(
    path: Path, tmp_path: Path, opening: Opening
) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordNotWritable, match=r"The second place .* cannot be used: Not a directory"):
        RecordWriter.create(path, opening, Writing(second=tmp_path / "file"))


def test_the_stamp_has_the_id_of_the_record_and_of_each_part(elsewhere: tuple[Path, Path]) -> None:
    path, place = elsewhere
    stamp = read_stamp(place)
    assert stamp is not None
    header = RecordReading(path).sources[1].header
    assert header is not None
    assert (stamp.record_id, stamp.parts) == (header.record_id, {2: header.part_id.hex()})
    assert verify_record(path).ok
    (place / "part-0002.twr").unlink()
    assert f"Part 2 was begun in {place} and is not there." in verify_record(path).faults


@pytest.mark.parametrize("act", [recover_record, seal_record])
def test_nothing_is_done_through_a_place_that_is_not_there(
    tmp_path: Path, clock: HandClock, opening: Opening, act: Callable[[Path], object]
) -> None:
    path, place = write_elsewhere(tmp_path, clock, opening, close=act is seal_record)
    whole = numbers(path)
    os.rename(place.parent, tmp_path / "unmounted")
    assert standing(path) == ["own", "unreachable"]
    assert not verify_record(path).ok
    with pytest.raises(RecordNotWritable, match=r"cannot be reached|is not closed"):
        act(path)
    place.mkdir(parents=True)  # the mount point, and somebody made a directory in it
    assert standing(path) == ["own", "unreachable"]
    with pytest.raises(RecordNotWritable, match=r"lost its stamp|is not closed"):
        act(path)
    shutil.rmtree(place.parent)
    os.rename(tmp_path / "unmounted", place.parent)
    assert numbers(path) == whole
    act(path)
    assert numbers(path)[: len(whole)] == whole
    assert verify_record(path).ok


def test_a_run_recovered_without_its_place_is_told_when_the_place_comes_back(
    tmp_path: Path, clock: HandClock, opening: Opening
) -> None:
    path, place = write_elsewhere(tmp_path, clock, opening, close=False)
    os.rename(place.parent, tmp_path / "unmounted")
    recover_record(path, without_places=True)
    os.rename(tmp_path / "unmounted", place.parent)
    assert [number for number, _ in find_parts(path)] == [1, 2, 2]
    result = verify_record(path)
    assert not result.ok
    assert any("Of part 2 there are two that differ" in fault for fault in result.faults)
    assert result.damage
    recover_record(path)
    with pytest.raises(RecordNotWritable, match="of part 2 there are two that differ"):
        seal_record(path)
    assert [number for number, _ in find_parts(path)] == [1, 2, 2, 3]


def test_sealing_a_copy_takes_the_originals_part_in_and_leaves_it_where_it_is(
    elsewhere: tuple[Path, Path], tmp_path: Path
) -> None:
    path, place = elsewhere
    whole, before = numbers(path), {file.name: file.read_bytes() for file in place.iterdir()}
    copy = tmp_path / "copies" / path.name
    shutil.copytree(path, copy)
    assert standing(copy) == ["own", "copied"]
    seal_record(copy)
    assert {file.name: file.read_bytes() for file in place.iterdir()} == before
    assert numbers(copy) == numbers(path) == whole
    assert verify_record(copy).ok
    assert verify_record(path).ok
    with pytest.raises(RecordNotWritable, match="of which this is a copy"):
        take_place(copy, place.parent)


def test_a_record_that_was_moved_takes_its_place_along(elsewhere: tuple[Path, Path], tmp_path: Path) -> None:
    path, place = elsewhere
    moved = tmp_path / "archive" / path.name
    shutil.copytree(path, moved)
    shutil.rmtree(path)
    assert standing(moved) == ["own", "second"]
    seal_record(moved)
    assert not place.exists()
    assert sorted(file.name for file in moved.iterdir()) == ["record.sealed", SECOND_NAME]


def test_where_the_original_cannot_be_reached_the_operator_says_whose_the_place_is(
    elsewhere: tuple[Path, Path], tmp_path: Path
) -> None:
    path, place = elsewhere
    moved = tmp_path / "archive" / path.name
    shutil.copytree(path, moved)
    shutil.rmtree(path.parent)  # the whole disk is gone
    assert standing(moved) == ["own", "unclear"]
    assert numbers(moved) == list(range(1, 11))
    assert take_place(moved, place.parent) == place
    assert standing(moved) == ["own", "second"]
    seal_record(moved)
    assert not place.exists()


def test_a_place_of_another_record_is_neither_read_nor_changed(
    small: Path, opening: Opening, clock: HandClock, tmp_path: Path
) -> None:
    other = tmp_path / "second" / small.name
    RecordWriter.create(other, opening, Writing(clock=clock)).close("")
    (small / SECOND_NAME).write_text(f"{other}\n")
    assert standing(small) == ["own", "foreign"]
    assert numbers(small) == list(range(1, 10))
    assert not verify_record(small).ok
    with pytest.raises(RecordNotWritable, match="Nothing shows that the parts"):
        seal_record(small)
    with pytest.raises(RecordNotWritable, match=r"Nothing in .* shows that it belongs"):
        take_place(small, tmp_path / "second")
    assert verify_record(other).ok


def test_a_place_of_an_older_program_is_known_by_the_ids_in_its_parts(elsewhere: tuple[Path, Path]) -> None:
    path, place = elsewhere
    (place / STAMP_NAME).unlink()
    (path / SECOND_NAME).write_text(f"{place}\n")
    assert standing(path) == ["own", "second"]
    seal_record(path)
    assert not place.exists()


@pytest.mark.parametrize("junk", [b"", b"\0" * 3000, b"{}\n[1]\n", b'{"record": "zz"}', b"x" * 100_000])
def test_a_spoilt_stamp_is_made_up_for_by_the_parts(elsewhere: tuple[Path, Path], junk: bytes) -> None:
    path, place = elsewhere
    (place / STAMP_NAME).write_bytes(junk)
    assert standing(path) == ["own", "second"]
    assert verify_record(path).ok


def test_the_other_place_is_synced_with_the_directory_above_it(path: Path, second: Path, opening: Opening) -> None:
    synced: list[Path] = []

    class Listing(FailingDisk):
        def sync_directory(self, place: Path) -> None:
            synced.append(place)
            super().sync_directory(place)

    RecordWriter.create(path, opening, Writing(second=second, disk=Listing())).close("")
    assert {second, second / path.name} <= set(synced)


def test_a_place_named_by_the_operator_takes_the_end(path: Path, second: Path, opening: Opening) -> None:
    disk = FailingDisk()
    writer = RecordWriter.create(path, opening, Writing(disk=disk))
    writer.append(EntryKind.MESSAGE, payload(2))
    full: set[Path] = {path}

    def fails(name: str, count: int) -> OSError | None:
        place = writer.place or path
        return OSError(28, "No space left on device") if name in ("write", "datasync") and place in full else None

    disk.fails = fails
    for number in range(3, 9):
        writer.append(EntryKind.MESSAGE, payload(number))
    assert not writer.finish("the end")
    assert len(writer.unsynced()) == writer.last - writer.synced > 0
    assert RecordReading(path).state == "open"
    disk.fails = lambda name, count: None
    with pytest.raises(RecordNotWritable, match="is where the record is"):
        writer.go_on_in(path.parent)
    writer.go_on_in(second)
    assert writer.finish("")
    writer.release()
    assert numbers(path) == list(range(1, 10))
    assert verify_record(path, writer.digest).ok

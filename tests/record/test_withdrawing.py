"""Withdrawal: the data are gone wherever they were, a tombstone and a receipt stay, nobody else's files are touched."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from monitor.errors import RecordUnreadable, WitnessError
from monitor.record.entries import EntryKind, Opening, pack_operator
from monitor.record.places import SECOND_NAME, list_records
from monitor.record.reader import RecordReading
from monitor.record.sealing import seal_record
from monitor.record.tombstone import ADVERSE_NAME, RecordWithdrawn, read_tombstone
from monitor.record.verify import verify_record
from monitor.record.withdrawing import Scope, withdraw_record
from monitor.record.writer import RecordWriter, Writing
from tests.record.conftest import HandClock, Record, payload


def files_in(*places: Path) -> list[str]:
    """All that lies in there, by name; directories too."""
    return sorted(str(file.relative_to(place)) for place in places if place.exists() for file in place.rglob("*"))


def test_a_withdrawn_record_leaves_a_tombstone_without_data_and_is_refused(
    small: Path, tmp_path: Path, clock: HandClock
) -> None:
    (small / "cache").mkdir()
    (small / "cache" / "columns.npy").write_bytes(b"0123")
    digest = RecordReading(small).digest
    receipt = withdraw_record(small, "study lead", clock=clock)
    assert receipt.finished
    tombstone = read_tombstone(small)
    assert tombstone == receipt.tombstone
    assert tombstone.pop("record") is not None
    assert tombstone == {
        "withdrawn_at": "2025-06-15T15:06:40+00:00",
        "by": "study lead",
        "digest": digest,
        "entries": 9,
        "missing_parts": [],
        "study": "dusk-road",
        "group": "chime",
        "scope": "all",
        "pending": [],
    }
    assert files_in(small) == ["tombstone.json"]
    assert list_records(tmp_path) == [small]
    assert withdraw_record(small, "someone else").tombstone == receipt.tombstone
    for act in (RecordReading, verify_record, seal_record, lambda path: RecordWriter.resume(path, why="")):
        with pytest.raises(RecordWithdrawn, match=r"consent was withdrawn on 2025-06-15T.*cannot be read"):
            act(small)


def test_it_reaches_the_second_place_and_nothing_that_is_not_the_records(
    elsewhere: tuple[Path, Path], tmp_path: Path
) -> None:
    path, place = elsewhere
    (place / "part-0009.twr").write_bytes(b"left over")
    (place / "somebody-elses.txt").write_bytes(b"kept")
    (tmp_path / "linked.txt").write_bytes(b"kept")
    (path / "link").symlink_to(tmp_path / "linked.txt")
    receipt = withdraw_record(path, "lead", "all")
    assert files_in(path) == ["tombstone.json"]
    assert files_in(place) == ["somebody-elses.txt"]
    assert (tmp_path / "linked.txt").read_bytes() == b"kept"
    said = "\n".join(receipt.sentences())
    assert f"{place / 'somebody-elses.txt'} is not the record's, and stays." in said
    assert f"{path / 'link'} was a link" in said


def test_a_part_that_is_a_link_is_erased_where_it_lies(small: Path, tmp_path: Path) -> None:
    target = tmp_path / "moved-to-a-larger-disk.twr"
    os.rename(small / "part-0001.twr", target)
    (small / "part-0001.twr").symlink_to(target)
    assert RecordReading(small).state == "closed"
    assert withdraw_record(small, "lead").finished
    assert not target.exists()
    assert files_in(small) == ["tombstone.json"]


def test_a_file_with_another_name_elsewhere_keeps_its_content_there_unless_it_is_the_record(
    small: Path, tmp_path: Path
) -> None:
    (tmp_path / "protocol.txt").write_bytes(b"of the facility")
    os.link(tmp_path / "protocol.txt", small / "protocol.txt")
    os.link(small / "part-0001.twr", tmp_path / "snapshot.twr")
    withdraw_record(small, "lead")
    assert (tmp_path / "protocol.txt").read_bytes() == b"of the facility"
    assert not (tmp_path / "snapshot.twr").read_bytes().strip(b"\0")


def test_an_absent_place_is_pending_until_it_is_there(elsewhere: tuple[Path, Path], tmp_path: Path) -> None:
    path, place = elsewhere
    os.rename(place.parent, tmp_path / "unmounted")
    receipt = withdraw_record(path, "lead")
    assert not receipt.finished
    assert receipt.tombstone["pending"] == [str(place)]
    assert files_in(path) == [SECOND_NAME, "tombstone.json"]
    with pytest.raises(RecordWithdrawn, match="erasing it is not finished"):
        RecordReading(path)
    os.rename(tmp_path / "unmounted", place.parent)
    receipt = withdraw_record(path, "lead")
    assert receipt.finished
    assert files_in(path) == ["tombstone.json"]
    assert not place.exists()


def test_a_copy_erases_itself_and_not_the_originals_second_part(elsewhere: tuple[Path, Path], tmp_path: Path) -> None:
    path, place = elsewhere
    before = {file.name: file.read_bytes() for file in place.iterdir()}
    copy = tmp_path / "copies" / path.name
    shutil.copytree(path, copy)
    receipt = withdraw_record(copy, "lead")
    assert files_in(copy) == ["tombstone.json"]
    assert {file.name: file.read_bytes() for file in place.iterdir()} == before
    assert verify_record(path).ok
    assert f"{place}: not ours" in "\n".join(receipt.sentences())


def test_a_place_of_another_record_is_not_touched(
    small: Path, opening: Opening, clock: HandClock, tmp_path: Path
) -> None:
    other = tmp_path / "second" / small.name
    RecordWriter.create(other, opening, Writing(clock=clock)).close("")
    (small / SECOND_NAME).write_text(f"{other}\n")
    withdraw_record(small, "lead")
    assert files_in(small) == ["tombstone.json"]
    assert verify_record(other).ok


def test_a_part_of_another_record_that_lies_in_it_is_told_and_stays(
    small: Path, opening: Opening, clock: HandClock, tmp_path: Path
) -> None:
    other = tmp_path / "Q02-20250615T145320Z-0002.run"
    RecordWriter.create(other, opening, Writing(clock=clock)).close("")
    shutil.copy(other / "part-0001.twr", small / "part-0007.twr")
    receipt = withdraw_record(small, "lead", "all")
    assert not receipt.finished
    assert "is a part of another record" in receipt.left[1]
    assert files_in(small) == ["part-0007.twr", "tombstone.json"]


@pytest.mark.parametrize("scope", ["all", "analysed"])
def test_what_becomes_of_adverse_events_is_asked_and_never_decided(
    tmp_path: Path, opening: Opening, clock: HandClock, scope: Scope
) -> None:
    path = tmp_path / "Q01-20250615T145320Z-0aaa.run"
    writer = RecordWriter.create(path, opening, Writing(clock=clock))
    writer.append(EntryKind.MESSAGE, payload(2))
    unwell = {"type": "mark", "key": "k1", "by": "op", "code": "unwell", "text": "", "at": 12.5, "wall": 5.0}
    writer.append(EntryKind.OPERATOR, pack_operator(unwell))
    writer.append(EntryKind.OPERATOR, pack_operator({"type": "note", "key": "k2", "by": "op", "text": "fog"}))
    writer.close("")
    with pytest.raises(WitnessError, match=r"holds 1 adverse event.*--scope all.*--scope analysed.*Nothing was erased"):
        withdraw_record(path, "lead")
    assert verify_record(path).ok
    receipt = withdraw_record(path, "lead", scope)
    assert receipt.finished
    kept = [ADVERSE_NAME] if scope == "analysed" else []
    assert files_in(path) == [*kept, "tombstone.json"]
    if kept:
        del unwell["key"]
        assert json.loads((path / ADVERSE_NAME).read_text()) == [unwell]
        assert receipt.kept == 1
        assert withdraw_record(path, "lead").finished
        assert withdraw_record(path, "lead", "all").kept == 0
        assert files_in(path) == ["tombstone.json"]


def test_a_damaged_record_can_be_withdrawn_when_it_is_said_what_becomes_of_adverse_events(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    record.write([pieces[0], bytes(len(pieces[1])), bytes(len(pieces[2])), *pieces[3:]])
    with pytest.raises(RecordUnreadable):
        RecordReading(small)
    with pytest.raises(WitnessError, match="may hold adverse events"):
        withdraw_record(small, "lead")
    receipt = withdraw_record(small, "lead", "all")
    assert receipt.finished
    assert files_in(small) == ["tombstone.json"]


def test_other_records_of_the_participant_and_copies_are_listed(
    small: Path, opening: Opening, clock: HandClock, tmp_path: Path
) -> None:
    again, copy = tmp_path / "Q01-20250616T145320Z-00bb.run", tmp_path / "copied.run"
    RecordWriter.create(again, opening, Writing(clock=clock)).close("")
    shutil.copytree(small, copy)
    nobody = tmp_path / "unreadable.run"
    nobody.mkdir()
    (nobody / "part-0001.twr").write_bytes(b"?")
    gone, loop = tmp_path / "Q01-20250617T145320Z-00bb.run", tmp_path / "zz.run"
    gone.symlink_to("/no-disk/Q01-20250617T145320Z-00bb.run")
    loop.symlink_to("zz.run")
    said = withdraw_record(small, "lead").others
    assert said == (
        f"{again} is another record of this participant; withdraw it, too, where that is meant.",
        f"{gone} is another record of this participant; withdraw it, too, where that is meant.",
        f"{copy} is a copy of this record; withdraw it, too.",
        f"{nobody} cannot be read and may be this participant's; look at it.",
        f"{loop} cannot be read and may be this participant's; look at it.",
    )


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"[1]", b'{"by": "x"}', b"[" * 50_000])
def test_a_tombstone_that_says_nothing_is_never_called_a_withdrawal(small: Path, content: bytes) -> None:
    (small / "tombstone.json").write_bytes(content)
    with pytest.raises(RecordUnreadable, match=r"tombstone\.json is none that this program wrote") as raised:
        RecordReading(small)
    assert not isinstance(raised.value, RecordWithdrawn)
    assert withdraw_record(small, "lead").finished
    assert files_in(small) == ["tombstone.json"]


def test_what_is_no_record_is_not_withdrawn(tmp_path: Path) -> None:
    with pytest.raises(RecordUnreadable):
        withdraw_record(tmp_path, "lead")
    with pytest.raises(RecordUnreadable):
        withdraw_record(tmp_path / "missing", "lead")
    assert list(tmp_path.iterdir()) == []


def test_a_record_withdrawn_while_it_is_read_is_not_taken_for_a_short_one(small: Path) -> None:
    blocks = RecordReading(small).blocks(size=2)
    next(blocks)
    withdraw_record(small, "lead")
    with pytest.raises(RecordUnreadable):
        list(blocks)

"""Withdrawal: the data are gone, a tombstone stays."""

from __future__ import annotations

import pytest

from monitor.errors import RecordUnreadable
from monitor.record.parts import list_records, read_tombstone
from monitor.record.reader import RecordReading, RecordWithdrawn
from monitor.record.sealing import seal_record, withdraw_record
from monitor.record.verify import verify_record
from monitor.record.writer import RecordWriter


def test_a_withdrawn_record_leaves_a_tombstone_without_data_and_is_refused(small, tmp_path, clock) -> None:
    (small / "cache").mkdir()
    (small / "cache" / "columns.npy").write_bytes(b"0123")
    digest = RecordReading(small).digest
    tombstone = withdraw_record(small, "study lead", clock)
    assert tombstone == {
        "withdrawn_at": "2025-06-15T15:06:40+00:00",
        "by": "study lead",
        "digest": digest,
        "entries": 9,
        "missing_parts": [],
        "study": "dusk-road",
        "group": "chime",
    }
    assert [file.name for file in small.rglob("*") if file.is_file()] == ["tombstone.json"]
    assert read_tombstone(small) == tombstone
    assert list_records(tmp_path) == [small]
    assert withdraw_record(small, "someone else") == tombstone
    for act in (RecordReading, verify_record, seal_record, lambda path: RecordWriter.resume(path, why="")):
        with pytest.raises(RecordWithdrawn, match=r"consent was withdrawn on 2025-06-15T.*cannot be read"):
            act(small)


def test_withdrawing_reaches_the_second_place_and_nothing_that_is_not_the_records(tmp_path, opening, clock) -> None:
    path, second = tmp_path / "Q01-20250615T145320Z-0aaa.run", tmp_path / "second"
    writer = RecordWriter.create(path, opening, second=second, clock=clock)
    writer.close("")
    (second / path.name).mkdir(parents=True)
    (second / path.name / "part-0002.twr").write_bytes(b"left over")
    (second / path.name / "somebody-elses.txt").write_bytes(b"kept")
    (tmp_path / "linked.txt").write_bytes(b"kept")
    (path / "link").symlink_to(tmp_path / "linked.txt")
    withdraw_record(path, "lead")
    left = {file.name: file.read_bytes() for file in tmp_path.rglob("*") if file.is_file()}
    assert left.keys() == {"tombstone.json", "somebody-elses.txt", "linked.txt"}
    assert left["linked.txt"] == left["somebody-elses.txt"] == b"kept"


def test_what_is_no_record_is_not_withdrawn(tmp_path) -> None:
    with pytest.raises(RecordUnreadable):
        withdraw_record(tmp_path, "lead")
    with pytest.raises(RecordUnreadable):
        withdraw_record(tmp_path / "missing", "lead")
    assert list(tmp_path.iterdir()) == []

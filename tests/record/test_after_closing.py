"""Recovery of unclosed runs, and what is added after closing."""

from __future__ import annotations

import errno
import json
from pathlib import Path

import pytest

from monitor.errors import RecordUnreadable, WitnessError
from monitor.record.addendum import addendum_of, append_addendum, read_addendum, split_code
from monitor.record.disk import DISK, RecordBusy, RecordNotWritable, lock_record
from monitor.record.entries import EntryKind, Opening, unpack_map
from monitor.record.places import find_parts
from monitor.record.reader import RecordReading
from monitor.record.recovery import recover_record
from monitor.record.sealing import seal_record
from monitor.record.verify import verify_record
from tests.record.conftest import FailingDisk, HandClock, Record, fail_from


def ruling(key: str, verdict: str = "valid") -> dict[str, object]:
    return {
        "type": "ruling",
        "key": key,
        "by": "Q-lead",
        "trial": "1/gate-brake/1",
        "verdict": verdict,
        "words": "seen",
    }


def test_recovering_closes_by_an_entry_of_its_own_and_alters_nothing(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    record.write([*pieces[:8], pieces[8][:30]])
    before = record.part(1).read_bytes()
    done = recover_record(small)
    assert record.part(1).read_bytes() == before
    assert (done.was, done.entries) == ("open", 8)
    assert done.torn == (f"part 1, byte {sum(map(len, pieces[:8]))}: 30 bytes",)
    entries, files = record.read()
    assert [entry.kind for entry in entries[-2:]] == [EntryKind.PART, EntryKind.CLOSE]
    closing = unpack_map(entries[-1].payload)
    assert (closing["entries"], closing["recovered"]) == (8, True)
    assert (files.state, files.digest, files.damage) == ("recovered", done.digest, [])
    result = verify_record(small, done.digest)
    assert result.ok
    assert any("left unclosed and was closed afterwards" in note for note in result.notes)
    assert any("never acknowledged" in note for note in result.notes)


def test_recovering_a_closed_or_sealed_run_does_nothing(small: Path) -> None:
    digest = RecordReading(small).digest
    assert recover_record(small).was == "closed"
    seal_record(small)
    assert recover_record(small).was == "sealed"
    assert RecordReading(small).digest == digest


def test_a_record_of_which_nothing_is_whole_is_not_recovered(small: Path) -> None:
    record = Record(small)
    record.write([record.pieces()[0]])
    with pytest.raises(RecordUnreadable, match="no whole entry"):
        recover_record(small)


def test_a_run_closed_but_for_its_last_bytes_is_not_closed_and_recovers(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    for keep in range(len(pieces[-1])):
        record.write([*pieces[:-1], pieces[-1][:keep]])
        assert RecordReading(small).state == "open"
    recover_record(small)
    assert verify_record(small).ok


@pytest.mark.parametrize("sealed", [False, True])
def test_rulings_after_closing_are_chained_to_the_closing_digest(small: Path, clock: HandClock, sealed: bool) -> None:
    if sealed:
        seal_record(small)
    digest = RecordReading(small).digest
    first = append_addendum(small, ruling("a"), clock)
    second = append_addendum(small, ruling("b", "invalid"), clock)
    assert [fields["key"] for fields in read_addendum(small)] == ["a", "b"]
    assert read_addendum(small)[1] == ruling("b", "invalid")
    assert len({digest, first, second}) == 3
    assert append_addendum(small, ruling("b"), clock) == second  # entered once
    assert len(read_addendum(small)) == 2
    reading = RecordReading(small)
    assert [entry.number for block in reading.blocks() for entry in block] == list(range(1, 10))
    assert reading.digest == digest
    result = verify_record(small, digest)
    assert (result.ok, result.addendum) == (True, 2)
    if not sealed:
        seal_record(small)
        assert [fields["key"] for fields in read_addendum(small)] == ["a", "b"]


def test_a_changed_addendum_is_told(small: Path, clock: HandClock) -> None:
    append_addendum(small, ruling("a"), clock)
    append_addendum(small, ruling("b"), clock)
    (_, file) = find_parts(small, "addendum")[0]
    raw = bytearray(file.read_bytes())
    raw[250] ^= 1
    file.write_bytes(raw)
    result = verify_record(small)
    assert not result.ok
    assert result.faults[0].startswith("Addendum: Part 1, byte 164, ")
    assert [fields["key"] for fields in read_addendum(small)] == ["b"]


@pytest.mark.parametrize("sealed", [False, True])
def test_a_code_of_rulings_shows_what_was_taken_away_since_it_was_noted(
    small: Path, clock: HandClock, sealed: bool
) -> None:
    codes = []
    for key in "abc":
        append_addendum(small, ruling(key), clock)
        codes.append(addendum_of(small).code)
    if sealed:
        seal_record(small)
    file = small / "addendum-0001.twr"
    whole = file.read_bytes()
    assert [str(code).split("-")[0] for code in codes] == ["1", "2", "3"]
    result = verify_record(small)
    assert (result.rulings, result.code) == (3, codes[-1])
    assert f"After closing: 3 rulings; the code that covers all of it is {codes[-1]}" in result.sentences()
    assert result.cannot_show is not None
    assert all(verify_record(small, code).ok for code in codes), "those noted earlier, too"
    assert verify_record(small, codes[-1]).cannot_show is None
    second = len(whole) - len(whole[164:]) // 3 * 2  # three entries of one length after the header
    for kept in (whole[:second], whole[: len(whole) - 5], b""):
        file.write_bytes(kept)
        assert not verify_record(small, codes[-1]).ok
    file.write_bytes(whole[: len(whole) - 5])
    assert any("it was cut: compare with the code" in fault for fault in verify_record(small).faults)
    file.unlink()
    (fault,) = verify_record(small, codes[1]).faults
    assert fault == f"Entries made after closing when {codes[1]} was noted: 2; there now: 0."
    with pytest.raises(WitnessError, match="is no code of rulings"):
        split_code("3-xyz")


def test_rulings_that_were_exchanged_have_another_code(small: Path, tmp_path: Path, clock: HandClock) -> None:
    append_addendum(small, ruling("a"), clock)
    noted = addendum_of(small).code
    (small / "addendum-0001.twr").unlink()
    append_addendum(small, ruling("a", "invalid"), clock)
    (fault,) = verify_record(small, noted).faults
    assert fault.startswith(f"{noted} was noted, and the code of the first 1 is 1-")


def test_an_addendum_of_another_record_does_not_follow(
    small: Path, tmp_path: Path, clock: HandClock, opening: Opening
) -> None:
    from monitor.record.writer import RecordWriter

    other = tmp_path / "Q09-20250615T145320Z-0009.run"
    RecordWriter.create(other, opening).close("")
    append_addendum(other, ruling("a"), clock)
    (other / "addendum-0001.twr").rename(small / "addendum-0001.twr")
    result = verify_record(small)
    assert "does not follow" in " ".join(result.faults)


def test_after_a_torn_addendum_the_next_entry_begins_a_new_file(small: Path, clock: HandClock) -> None:
    append_addendum(small, ruling("a"), clock)
    append_addendum(small, ruling("b"), clock)
    file = small / "addendum-0001.twr"
    torn = file.read_bytes()[:-10]
    file.write_bytes(torn)
    append_addendum(small, ruling("b"), clock)
    assert file.read_bytes() == torn
    assert [number for number, _ in find_parts(small, "addendum")] == [1, 2]
    assert [fields["key"] for fields in read_addendum(small)] == ["a", "b"]
    assert verify_record(small).ok


def test_any_failing_call_while_adding_is_said_and_the_same_can_be_added_again(small: Path, clock: HandClock) -> None:
    n, fired, added = 0, True, 0
    while fired:
        n += 1
        disk = FailingDisk(fails=fail_from(n, errno.EIO, last=n))
        key = f"k{n}"
        try:
            append_addendum(small, ruling(key), clock, disk)
        except (RecordNotWritable, RecordUnreadable) as error:
            said = str(error)
            assert "Input/output error" in said or "cannot be read" in said
        fired = bool(disk.failed)
        append_addendum(small, ruling(key), clock)
        added += 1
        keys = [fields["key"] for fields in read_addendum(small)]
        assert keys == [f"k{number}" for number in range(1, added + 1)]
    assert n > 5
    assert verify_record(small).ok


def test_nothing_is_added_to_a_run_that_is_not_closed_or_is_being_written(small: Path, clock: HandClock) -> None:
    lock = lock_record(DISK, small)
    with pytest.raises(RecordBusy):
        append_addendum(small, ruling("a"), clock)
    DISK.close(lock)
    record = Record(small)
    record.write(record.pieces()[:-1])
    with pytest.raises(RecordNotWritable, match="is not closed"):
        append_addendum(small, ruling("a"), clock)
    assert read_addendum(small) == []


def test_what_verify_finds_is_plain_json(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    record.write([*pieces[:5], pieces[5][:-9], *pieces[6:]])
    told = json.loads(json.dumps(verify_record(small).as_json()))
    assert told["ok"] is False
    assert told["state"] == "closed"
    assert (told["entries"], told["lost"], told["parts"]) == (8, 1, 1)
    assert set(told["damage"][0]) == {"part", "offset", "length", "what", "lost", "seconds"}
    assert told["digest"] == RecordReading(small).digest

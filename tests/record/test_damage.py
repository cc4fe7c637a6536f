"""Every cut, every flipped bit, every kind of quiet change."""

from __future__ import annotations

import struct
from pathlib import Path
from zlib import crc32

import pytest

from monitor.record.bytes.framing import HEADER, HEADER_BYTES, MARKER, MAX_PAYLOAD, chain_digest
from monitor.record.bytes.parts import PART_HEADER_BYTES
from monitor.record.entries import Opening
from monitor.record.verify import Verification, verify_record
from tests.record.conftest import HandClock, Record, payload


def test_a_whole_record_reads_back_with_nothing_wrong(small: Path) -> None:
    entries, files = Record(small).read()
    assert [entry.number for entry in entries] == list(range(1, 10))
    assert [entry.payload for entry in entries[1:7]] == [payload(number) for number in range(2, 8)]
    assert (files.damage, files.torn, files.state) == ([], [], "closed")
    assert verify_record(small).ok


def test_a_cut_at_any_byte_gives_back_every_whole_entry_and_is_never_called_damage(small: Path) -> None:
    record = Record(small)
    raw, pieces = record.part().read_bytes(), record.pieces()
    ends, at = [], 0
    for piece in pieces:
        at += len(piece)
        ends.append(at)
    whole_numbers = [0, 1, 1, 2, 3, 4, 5, 6, 7, 8, 9]  # after the header, the opening, its copy, entry 2 …
    for cut in range(len(raw)):
        record.part().write_bytes(raw[:cut])
        entries, files = record.read()
        passed = sum(end <= cut for end in ends)
        expected = whole_numbers[passed - 1] if passed else 0
        assert [entry.number for entry in entries] == list(range(1, expected + 1)), cut
        assert files.damage == [], cut
        assert files.state == "open", cut
        assert bool(files.torn) == (cut not in ends), cut


@pytest.mark.slow
@pytest.mark.parametrize("bit", range(8))
def test_any_flipped_bit_is_told_with_its_place_and_costs_one_entry_at_most(small: Path, bit: int) -> None:
    record = Record(small)
    raw = record.part().read_bytes()
    original, _ = record.read()
    for at in range(len(raw)):
        flipped = bytearray(raw)
        flipped[at] ^= 1 << bit
        record.part().write_bytes(flipped)
        entries, files = record.read()
        missing = [entry for entry in original if entry not in entries]
        assert len(missing) <= 1, at
        assert [entry for entry in entries if entry not in original] == [], at
        assert any(damage.offset <= at < damage.offset + damage.length for damage in files.damage), at
        told = sum(damage.lost or 0 for damage in files.damage)
        close_lost = [entry.number for entry in missing] == [9]  # nothing follows, so that its loss is not a number
        assert told == len(missing) or close_lost, at
        if at < PART_HEADER_BYTES:
            assert missing == [], at


def test_verify_says_what_where_and_how_much(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    offset = sum(map(len, pieces[:5]))
    damaged = bytearray(pieces[5])
    damaged[HEADER_BYTES + 4] ^= 1
    record.write([*pieces[:5], bytes(damaged), *pieces[6:]])
    result = verify_record(small)
    assert not result.ok
    assert result.lost == 1
    sentence = f"Part 1, byte {offset}, {len(pieces[5])} bytes: entry 4 does not match its checksum; 1 entry lost."
    assert sentence in result.sentences()
    found = result.as_json()["damage"][0]
    assert (found["part"], found["offset"], found["lost"]) == (1, offset, 1)
    assert found["seconds"] == pytest.approx(0.02)  # entries 3 and 5, 10 ms apart from 4


def refit(piece: bytes, number: int | None = None, payload: bytes | None = None, digest: bytes | None = None) -> bytes:
    """An entry changed by someone who knows the format and puts its checksums right."""
    _marker, _crc, _length, flags, kind, old, monotonic, wall = HEADER.unpack_from(piece)
    payload = piece[HEADER_BYTES:-36] if payload is None else payload
    digest = piece[-36:-4] if digest is None else digest
    fields = struct.pack("<IHHQQq", len(payload), flags, kind, old if number is None else number, monotonic, wall)
    head = MARKER + struct.pack("<I", crc32(fields)) + fields
    return head + payload + digest + struct.pack("<I", crc32(payload + digest))


def numbers_told(result: Verification) -> str:
    return " ".join(damage.what for damage in result.damage)


def test_an_edited_entry_breaks_the_chain_at_its_number(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    record.write([*pieces[:5], refit(pieces[5], payload=b"quietly changed"), *pieces[6:]])
    result = verify_record(small)
    assert not result.ok
    assert "entry 4 does not follow from entry 3" in numbers_told(result)


def test_an_edited_entry_with_its_own_digest_put_right_breaks_the_chain_at_the_next(small: Path) -> None:
    record = Record(small)
    entries, _ = record.read()
    pieces = record.pieces()
    before = pieces[4][-36:-4]
    changed = type(entries[3])(entries[3].kind, 4, entries[3].monotonic_ns, entries[3].wall_ns, b"quietly changed")
    forged = refit(pieces[5], payload=b"quietly changed", digest=chain_digest(before, changed))
    record.write([*pieces[:5], forged, *pieces[6:]])
    assert "entry 5 does not follow from entry 4" in numbers_told(verify_record(small))


def test_a_removed_entry_is_told_by_its_number(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    record.write([*pieces[:5], *pieces[6:]])
    result = verify_record(small)
    assert "entry 4 is missing here" in numbers_told(result)
    assert result.lost == 1


def test_a_removed_entry_with_the_others_renumbered_breaks_the_chain(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    later = [refit(piece, number=at) for at, piece in enumerate(pieces[6:], start=4)]
    record.write([*pieces[:5], *later])
    result = verify_record(small)
    assert "entry 4 does not follow from entry 3" in numbers_told(result)
    assert any("states 9 entries" in fault for fault in result.faults)


def test_swapped_entries_are_told(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    record.write([*pieces[:5], pieces[6], pieces[5], *pieces[7:]])
    told = numbers_told(verify_record(small))
    assert "entry 4 stands a second time or out of place" in told
    entries, _ = record.read()
    assert [entry.number for entry in entries] == [1, 2, 3, 5, 6, 7, 8, 9]


def test_swapped_and_renumbered_entries_break_the_chain(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    record.write([*pieces[:5], refit(pieces[6], number=4), refit(pieces[5], number=5), *pieces[7:]])
    told = numbers_told(verify_record(small))
    assert "entry 4 does not follow" in told
    assert "entry 5 does not follow" in told
    assert "entry 6 does not follow" in told


def test_a_duplicated_entry_is_given_once_and_told(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    record.write([*pieces[:6], pieces[5], *pieces[6:]])
    result = verify_record(small)
    assert "entry 4 stands a second time" in numbers_told(result)
    assert (result.entries, result.lost) == (9, 0)


def test_an_inserted_entry_breaks_the_chain(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    inserted = refit(pieces[5], number=5, payload=b"never happened")
    later = [refit(piece, number=at) for at, piece in enumerate(pieces[6:], start=6)]
    record.write([*pieces[:6], inserted, *later])
    told = numbers_told(verify_record(small))
    assert "entry 5 does not follow from entry 4" in told
    assert "entry 6 does not follow from entry 5" in told


def test_a_tail_cut_at_an_entry_boundary_is_never_complete_and_differs_from_the_noted_digest(small: Path) -> None:
    noted = verify_record(small).digest
    assert verify_record(small, noted[:12]).ok
    record = Record(small)
    record.write(record.pieces()[:-1])
    result = verify_record(small, noted)
    assert not result.ok
    assert result.state == "open"
    assert any("no close entry" in fault for fault in result.faults)
    assert any("was noted" in fault for fault in result.faults)


def test_an_entry_after_the_close_entry_is_told(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    record.write([*pieces, refit(pieces[5], number=10)])
    assert "stands after the close entry 9" in numbers_told(verify_record(small))


def test_a_part_of_another_record_is_told(small: Path, tmp_path: Path, clock: HandClock, opening: Opening) -> None:
    from monitor.record.writer import RecordWriter, Writing

    other = tmp_path / "Q02-20250615T145320Z-00bb.run"
    RecordWriter.create(other, opening, Writing(clock=clock)).close("")
    Record(other).part().rename(Record(small).part(2))
    told = numbers_told(verify_record(small))
    assert "part 2, byte 0: the part belongs to another record" in told.lower()


@pytest.mark.parametrize("length", [MAX_PAYLOAD + 1, 0x7FFFFFFF, 0xFFFFFFFF])
def test_a_forged_length_with_a_right_checksum_costs_one_entry(small: Path, length: int) -> None:
    record = Record(small)
    pieces = record.pieces()
    fields = struct.pack("<I", length) + pieces[5][12:HEADER_BYTES]
    forged = MARKER + struct.pack("<I", crc32(fields)) + fields + pieces[5][HEADER_BYTES:]
    record.write([*pieces[:5], forged, *pieces[6:]])
    entries, files = record.read()
    assert [entry.number for entry in entries] == [1, 2, 3, 5, 6, 7, 8, 9]
    assert [damage.lost for damage in files.damage] == [1]


def test_garbage_between_entries_is_passed_over(small: Path) -> None:
    record = Record(small)
    pieces = record.pieces()
    garbage = bytes(range(256)) * 20_000  # 5 MB, more than is held in memory at once
    record.write([*pieces[:5], garbage, *pieces[5:]])
    entries, files = record.read()
    assert [entry.number for entry in entries] == list(range(1, 10))
    assert [(damage.length, damage.lost) for damage in files.damage] == [(len(garbage), 0)]


def test_an_entry_inside_a_payload_is_not_taken_for_one_after_damage(
    tmp_path: Path, clock: HandClock, opening: Opening
) -> None:
    """A feed could send us bytes of a record; they must not come alive where the entry around them is damaged."""
    from monitor.record.bytes.framing import entry_bytes
    from monitor.record.entries import Entry, EntryKind
    from monitor.record.writer import RecordWriter, Writing

    path = tmp_path / "Q03-20250615T145320Z-00cc.run"
    writer = RecordWriter.create(path, opening, Writing(clock=clock))
    planted = entry_bytes(Entry(EntryKind.MESSAGE, 1_000_000, 1, 1, b"planted"), bytes(32))
    for _ in range(3):
        writer.append(EntryKind.MESSAGE, b"before" + planted + b"after")
    writer.close("")
    record = Record(path)
    pieces = record.pieces()
    damaged = bytearray(pieces[4])
    damaged[5] ^= 1
    record.write([*pieces[:4], bytes(damaged), *pieces[5:]])
    entries, files = record.read()
    assert [entry.number for entry in entries] == [1, 2, 4, 5]
    assert [damage.lost for damage in files.damage] == [1]


def test_zeros_at_the_end_are_a_torn_tail(small: Path) -> None:
    """What a power cut leaves where a file's length was on disk before its content."""
    record = Record(small)
    record.write([*record.pieces()[:-1], bytes(4096)])
    entries, files = record.read()
    assert len(entries) == 8
    assert files.damage == []
    assert [tail.length for _part, tail in files.torn] == [4096]


def test_a_lost_first_sector_costs_the_opening_and_no_other_entry(small: Path) -> None:
    record = Record(small)
    raw = record.part().read_bytes()
    pieces = record.pieces()
    spoilt = sum(map(len, pieces[:3]))  # the header and both copies of the opening
    record.part().write_bytes(bytes(spoilt) + raw[spoilt:])
    result = verify_record(small)
    assert (result.entries, result.lost) == (8, 1)

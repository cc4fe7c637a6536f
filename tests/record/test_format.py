"""The format, byte by byte, against its documentation and against files that must be readable for ever."""

from __future__ import annotations

import hashlib
import shutil
import struct
import zlib
from pathlib import Path

import pytest

from monitor.record.addendum import read_addendum
from monitor.record.bytes.framing import chain_digest, entry_bytes
from monitor.record.entries import Entry, EntryKind, unpack_frames, unpack_map
from monitor.record.places import new_record_directory
from monitor.record.reader import RecordReading
from monitor.record.sealed.reading import SealedFile
from monitor.record.verify import verify_record
from tests.record.conftest import HandClock, Record

GOLDEN = Path(__file__).parent / "golden"


def test_an_entry_is_laid_out_as_documented() -> None:
    """Built here from the documentation alone, with nothing of the program's but the result to compare."""
    before, payload = bytes(range(32)), b"payload"
    fields = (
        (7).to_bytes(4, "little")
        + (0).to_bytes(2, "little")
        + (3).to_bytes(2, "little")
        + (258).to_bytes(8, "little")
        + (5_000_000_001).to_bytes(8, "little")
        + (-3).to_bytes(8, "little", signed=True)
    )
    digest = hashlib.sha256(before + fields[6:] + payload).digest()
    expected = (
        b"\xc1\x9e\x54\x57"
        + zlib.crc32(fields).to_bytes(4, "little")
        + fields
        + payload
        + digest
        + zlib.crc32(payload + digest).to_bytes(4, "little")
    )
    entry = Entry(EntryKind.OPERATOR, 258, 5_000_000_001, -3, payload)
    assert chain_digest(before, entry) == digest
    assert entry_bytes(entry, digest) == expected
    assert len(expected) == 76 + 7


def test_a_part_reads_with_nothing_but_the_documentation(small: Path) -> None:
    """A second reader of a few lines, as another language would have it."""
    raw = Record(small).part().read_bytes()
    assert raw[:8] == b"\xf4TWRUN\r\n"
    version, length, compatible, incompatible, part = struct.unpack_from("<HHIII", raw, 8)
    assert (version, length, compatible, incompatible, part) == (1, 164, 0, 0, 1)
    assert struct.unpack_from("<I", raw, 160)[0] == zlib.crc32(raw[:160])
    assert struct.unpack_from("<Q", raw, 88)[0] == 1
    digest, at, numbers = raw[96:128], 164, []
    while at < len(raw):
        size, flags, kind, number = struct.unpack_from("<IHHQ", raw, at + 8)
        stored = raw[at + 40 + size : at + 72 + size]
        if flags == 0:
            digest = hashlib.sha256(digest + raw[at + 14 : at + 40 + size]).digest()
            assert digest == stored
            numbers.append((kind, number))
        at += 76 + size
    assert numbers == [(1, 1), (2, 2), (2, 3), (2, 4), (2, 5), (2, 6), (2, 7), (3, 8), (7, 9)]
    assert RecordReading(small).digest == digest.hex()


@pytest.fixture(params=["parts", "sealed"])
def golden(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A record of format 1 as it was written when the format was fixed: never written anew, only added to."""
    path = tmp_path / "Q01-20250615T145320Z-0001.run"
    shutil.copytree(GOLDEN / f"format-1-{request.param}.run", path)
    return path


def test_golden_files_of_format_1_read_as_they_did(golden: Path) -> None:
    reading = RecordReading(golden)
    entries = [entry for block in reading.blocks() for entry in block]
    assert reading.digest == (GOLDEN / "format-1.digest").read_text().strip()
    assert (reading.opening.participant, reading.opening.group, reading.opening.study_name) == (
        "Q01",
        "chime",
        "dusk-road",
    )
    assert [entry.number for entry in entries] == list(range(1, len(entries) + 1))
    kinds = [entry.kind for entry in entries]
    assert kinds.count(EntryKind.MESSAGE) == 40
    assert kinds.count(EntryKind.PART) == 2
    assert (kinds[0], kinds[-1]) == (EntryKind.OPENING, EntryKind.CLOSE)
    frames = [unpack_frames(entry.payload) for entry in entries if entry.kind == EntryKind.MESSAGE]
    assert [frame[0] for frame in frames] == [b"frame"] * 40
    assert [unpack_map(frame[1])["seq"] for frame in frames] == list(range(1, 41))
    notes = [unpack_map(entry.payload) for entry in entries if entry.kind == EntryKind.OPERATOR]
    assert [note["text"] for note in notes] == ["fog on the bridge", "Größe, 高さ"]
    everything = hashlib.sha256(b"".join(entry.payload for entry in entries)).hexdigest()
    assert everything == (GOLDEN / "format-1.payloads.sha256").read_text().strip()
    result = verify_record(golden)
    assert result.ok, result.sentences()
    assert len(result.notes) == 1  # the torn tail of part 1
    assert [fields["verdict"] for fields in read_addendum(golden)] == ["invalid"]


def test_the_golden_sealed_file_holds_the_golden_parts() -> None:
    sealed = SealedFile(GOLDEN / "format-1-sealed.run" / "record.sealed")
    for number in sealed.parts:
        part = (GOLDEN / "format-1-parts.run" / f"part-{number:04d}.twr").read_bytes()
        assert b"".join(sealed.original(number)) == part


def test_a_record_is_named_after_participant_time_and_four_digits(tmp_path: Path, clock: HandClock) -> None:
    name = new_record_directory(tmp_path, "Q01", clock).name
    assert name.startswith("Q01-20250615T150640Z-")
    assert len(name) == len("Q01-20250615T150640Z-0000.run")
    assert new_record_directory(tmp_path, "../Q 01/..", clock).name.startswith("Q-01-2025")
    assert new_record_directory(tmp_path, "", clock).name.startswith("unnamed-2025")

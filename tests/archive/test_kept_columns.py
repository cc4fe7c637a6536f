"""Columns kept beside a record change nothing but the time that judging it again takes."""

from __future__ import annotations

import hmac
import json
import os
import shutil
from collections.abc import Iterator
from functools import reduce
from pathlib import Path
from random import Random
from typing import Any

import msgpack
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.archive import cache_seal, record_pass
from monitor.archive.cache_checking import CHANGED, check_caches
from monitor.archive.kept import writing
from monitor.archive.kept.layout import CACHE_NAME, MAGIC, ColumnsUnfit, Seals, pack_block, tail_of
from monitor.archive.kept.reading import KeptColumns
from monitor.archive.program import columns_fit
from monitor.archive.review import Reviewed, review_record
from monitor.errors import RecordUnreadable
from monitor.judging.case.blocks import KeptRun, MeasuredBlock, join_measured_blocks
from monitor.judging.document import session_json
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind
from monitor.record.reader import RecordReading
from monitor.record.sealing import seal_record
from monitor.record.writer import RecordWriter
from monitor.study.loading import parse_study
from tests.judging.hand import STUDY, HandDrive, entries_of, opening_of, study_of
from tests.judging.test_blocks import DRIVES, EVERYTHING, OPERATOR, disordered

FIXTURES = Path(__file__).resolve().parents[2] / "replay_fixtures"


@pytest.fixture(autouse=True)
def _short_records_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(record_pass, "KEPT_FROM", 0)
    monkeypatch.setattr(writing, "LEAVE_FREE", 0)


def told(reviewed: Reviewed) -> str:
    session = session_json(reviewed.session, "r")
    return json.dumps([session, reviewed.damage, reviewed.state, reviewed.digest], sort_keys=True)


def read_by_columns(path: Path) -> str:
    """What a review of the record tells that takes its columns, and not its entries."""
    reading = RecordReading.blocks
    asked: list[int] = []

    def noted(self: RecordReading, after: int = 0, size: int = 2048) -> Iterator[list[Entry]]:
        asked.append(after)
        return reading(self, after, size)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(RecordReading, "blocks", noted)
        found = told(review_record(path, keep=True))
    assert 0 not in asked, "its entries were read from the first one on"
    return found


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The clean fixture before it was sealed."""
    reading = RecordReading(FIXTURES / "clean.run")
    path = tmp_path_factory.mktemp("made") / "clean.run"
    writer = RecordWriter.create(path, reading.opening)
    for entries in reading.blocks():
        for entry in entries:
            if entry.kind not in (EntryKind.OPENING, EntryKind.CLOSE):
                writer.append(entry.kind, entry.payload)
    writer.close("the test begins")
    return path


@pytest.fixture(scope="module")
def reviewed_once(made: Path) -> tuple[Path, str]:
    """A record with its columns kept, and what the review told that kept them; the fixtures below copy it, times and
    all, since a review takes 140 ms."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(record_pass, "KEPT_FROM", 0)
        patched.setattr(writing, "LEAVE_FREE", 0)
        path = Path(shutil.copytree(made, made.parent / "kept" / made.name))
        return path, told(review_record(path, keep=True))


@pytest.fixture
def record(made: Path, tmp_path: Path) -> Path:
    """A record of which nothing is kept."""
    return Path(shutil.copytree(made, tmp_path / made.name))


@pytest.fixture
def kept(reviewed_once: tuple[Path, str], tmp_path: Path) -> Path:
    """The same with its columns, which fit."""
    path = Path(shutil.copytree(reviewed_once[0], tmp_path / reviewed_once[0].name))
    KeptColumns(path, RecordReading(path).digest)
    return path


@pytest.fixture
def right(reviewed_once: tuple[Path, str]) -> str:
    """What every review of it has to tell."""
    return reviewed_once[1]


@pytest.mark.parametrize("name", sorted(path.stem for path in FIXTURES.glob("*.run")))
def test_a_fixture_gives_the_same_by_its_entries_and_by_its_columns(tmp_path: Path, name: str) -> None:
    path = Path(shutil.copytree(FIXTURES / f"{name}.run", tmp_path / "r.run"))
    by_entries = told(review_record(path))
    assert not (path / CACHE_NAME).exists()
    assert told(review_record(path, keep=True)) == by_entries
    assert (path / CACHE_NAME).exists()
    assert read_by_columns(path) == by_entries


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(name=st.sampled_from(sorted(DRIVES)), shuffled=st.randoms(use_true_random=False), disorder=st.integers(0, 3))
@pytest.mark.slow
def test_any_feed_gives_the_same_by_its_columns(
    tmp_path_factory: pytest.TempPathFactory, name: str, shuffled: Random, disorder: int
) -> None:
    study = study_of(EVERYTHING)
    path = tmp_path_factory.mktemp("kept") / "r.run"
    writer = RecordWriter.create(path, opening_of(study))
    for entry in disordered(list(entries_of(*DRIVES[name], operator=OPERATOR)), shuffled, disorder):
        if entry.kind not in (EntryKind.OPENING, EntryKind.CLOSE):
            writer.append(entry.kind, entry.payload)
    writer.close("the test is over")
    by_entries = told(review_record(path))
    assert told(review_record(path, keep=True)) == by_entries
    assert KeptColumns(path, RecordReading(path).digest) is not None
    assert told(review_record(path, keep=True)) == by_entries
    other = study_of(STUDY.replace("at_most = 1.9", "at_most = 1.4"))
    assert told(review_record(path, other, keep=True)) == told(review_record(path, other))


def test_another_study_is_judged_by_the_same_columns(kept: Path) -> None:
    text = RecordReading(kept).opening.study_text
    narrow = parse_study(text.replace("at_most = 1.9", "at_most = 1.4"), "narrow")
    changed = review_record(kept, narrow, keep=True)
    assert [one.verdict for one in changed.session.trials()] == ["invalid", "valid"]
    assert told(changed) == told(review_record(kept, narrow))


@pytest.mark.parametrize("part", [0.0, 0.02, 0.3, 0.7, 0.999])
def test_whatever_is_wrong_with_the_cache_the_record_decides(kept: Path, right: str, part: float) -> None:
    cache = kept / CACHE_NAME
    whole = cache.read_bytes()
    at = int(part * (len(whole) - 1))
    for wrong in (whole[:at], whole[:at] + bytes([whole[at] ^ 0x10]) + whole[at + 1 :]):
        cache.write_bytes(wrong)
        assert told(review_record(kept, keep=True)) == right
        assert cache.read_bytes() == whole  # made again


@pytest.mark.parametrize("other", [os.urandom(4096), b"made of nothing but words"], ids=["random", "words"])
def test_what_is_no_cache_at_all_is_made_again(kept: Path, right: str, other: bytes) -> None:
    whole = (kept / CACHE_NAME).read_bytes()
    (kept / CACHE_NAME).write_bytes(other)
    assert told(review_record(kept, keep=True)) == right
    assert (kept / CACHE_NAME).read_bytes() == whole


def parts_of(record: Path) -> tuple[dict[str, Any], list[bytes]]:
    """The tail of a record's cache and its chunks."""
    with (record / CACHE_NAME).open("rb") as file:
        packed, _ = tail_of(file)
        tail: dict[str, Any] = msgpack.unpackb(packed)
        file.seek(len(MAGIC))
        return tail, [file.read(length) for length, _ in tail["chunks"]]


def write_cache(record: Path, tail: dict[str, Any], chunks: list[bytes]) -> None:
    """A cache of these chunks, with seals where `tail` has none."""
    fits = columns_fit(record, RecordReading(record).digest)
    seals = Seals(fits)
    whole = {"fits": fits, "damage": [], "state": "closed", "digest": "", **tail}
    whole.setdefault("chunks", [[len(chunk), seals.next(chunk)] for chunk in chunks])
    packed = msgpack.packb(whole)
    body = MAGIC + b"".join(chunks)
    (record / CACHE_NAME).write_bytes(body + packed + seals.foot(len(body), packed))


def changed_and_put_right(record: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    """Writes the cache anew with each number of its columns changed, in the form in which this program reads it, with
    seals by another key; gives how many chunks there were."""
    tail, chunks = parts_of(record)
    changed = []
    for packed in chunks:
        chunk = msgpack.unpackb(packed)
        if "columns" in chunk:
            chunk["columns"]["own"] = {one: bytes(len(data)) for one, data in chunk["columns"]["own"].items()}
        changed.append(msgpack.packb(chunk))
    del tail["chunks"]
    with monkeypatch.context() as patched:
        patched.setattr(
            "monitor.archive.kept.layout.seal_of",
            lambda data, about=b"": hmac.digest(bytes(32), about + data, "sha256")[:16],
        )
        write_cache(record, tail, changed)
    return len(chunks)


def test_a_cache_that_was_changed_decides_nothing_and_is_told(
    kept: Path, right: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    cache = kept / CACHE_NAME
    assert check_caches(kept) == []
    whole = cache.read_bytes()
    assert changed_and_put_right(kept, monkeypatch) > 1
    assert check_caches(kept) == [f"{CACHE_NAME} {CHANGED}."]
    assert told(review_record(kept, keep=True)) == right
    assert cache.read_bytes() == whole  # made again


def test_chunks_of_one_cache_do_not_fit_into_another(kept: Path, right: str) -> None:
    tail, chunks = parts_of(kept)
    sealed = tail["chunks"]
    for order in ([1, 0, *range(2, len(chunks))], range(1, len(chunks)), [0, 0, *range(1, len(chunks))]):
        write_cache(kept, {**tail, "chunks": [sealed[place] for place in order]}, [chunks[place] for place in order])
        with pytest.raises(ColumnsUnfit):
            list(KeptColumns(kept, RecordReading(kept).digest).chunks())
        assert told(review_record(kept, keep=True)) == right
    whole = (kept / CACHE_NAME).read_bytes()
    (kept / CACHE_NAME).write_bytes(whole[: len(MAGIC)] + whole[len(MAGIC) + len(chunks[0]) :])
    assert told(review_record(kept, keep=True)) == right


def test_a_cache_that_does_not_follow_from_the_record_is_told_even_with_our_seal(
    record: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    columns = pack_block

    def wrong(blocks: list[MeasuredBlock]) -> dict[str, Any]:
        made = columns(blocks)
        return {**made, "t": (np.frombuffer(made["t"]) + 0.001).tobytes()}

    monkeypatch.setattr(writing, "pack_block", wrong)
    review_record(record, keep=True)
    assert check_caches(record) == [f"{CACHE_NAME} does not follow from the record; delete it."]


@pytest.mark.parametrize("spoil", ["no key can be made", "others can read it", "it is cut", "it is a pipe"])
def test_without_a_key_of_its_own_nothing_is_kept_or_believed(
    kept: Path, right: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, spoil: str
) -> None:
    state = tmp_path / "state"
    monkeypatch.setenv("XDG_STATE_HOME", str(state))
    key = cache_seal.key_file()
    if spoil == "no key can be made":
        state.write_text("a file")
    else:
        key.parent.mkdir(parents=True)
        if spoil == "it is a pipe":
            os.mkfifo(key)
        else:
            key.write_bytes(bytes(32 if spoil == "others can read it" else 5))
            key.chmod(0o644 if spoil == "others can read it" else 0o600)
    with pytest.raises(ColumnsUnfit):
        KeptColumns(kept, RecordReading(kept).digest)
    (kept / CACHE_NAME).unlink()
    assert told(review_record(kept, keep=True)) == right
    assert not list(kept.glob(f"{CACHE_NAME}*"))


def test_a_record_that_has_changed_is_read_again(kept: Path) -> None:
    part = next(kept.glob("part-*.twr"))
    data = bytearray(part.read_bytes())
    data[len(data) // 2] ^= 1
    part.write_bytes(data)
    with pytest.raises(ColumnsUnfit):
        KeptColumns(kept, RecordReading(kept).digest)
    assert review_record(kept, keep=True).damage


def test_vehicles_that_have_gone_bad_on_the_disk_are_not_made_up(kept: Path) -> None:
    # the same size and time of change: only reading them shows it
    part = next(kept.glob("part-*.twr"))
    state = part.stat()
    data = bytearray(part.read_bytes())
    trial = review_record(kept).session.trials()[0]
    assert trial.fired_at is not None
    at = int(trial.fired_at / 70.0 * len(data))
    data[at : at + 400] = bytes(400)
    part.write_bytes(data)
    os.utime(part, ns=(state.st_atime_ns, state.st_mtime_ns))
    reviewed = review_record(kept, keep=True)
    assert reviewed.damage
    assert reviewed.session.trials()[0].verdict == "undecided"


def test_a_record_that_is_still_open_keeps_no_columns(tmp_path: Path) -> None:
    study = study_of(STUDY)
    path = tmp_path / "open.run"
    writer = RecordWriter.create(path, opening_of(study))
    for entry in entries_of(HandDrive()):
        if entry.kind is EntryKind.MESSAGE:
            writer.append(entry.kind, entry.payload)
    review_record(path, keep=True)
    assert not (path / CACHE_NAME).exists()
    writer.close("over")


def test_a_disk_without_room_gets_no_cache(record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "LEAVE_FREE", 1 << 62)
    review_record(record, keep=True)
    assert not list(record.glob(f"{CACHE_NAME}*"))


def test_sealing_changes_the_files_and_so_the_columns_are_made_again(kept: Path, right: str) -> None:
    seal_record(kept)
    with pytest.raises(ColumnsUnfit):
        KeptColumns(kept, RecordReading(kept).digest)
    assert json.loads(told(review_record(kept, keep=True)))[0] == json.loads(right)[0]
    read_by_columns(kept)


def test_the_columns_are_those_that_were_measured(record: Path) -> None:
    reading = RecordReading(record)
    session = Session(parse_study(reading.opening.study_text, "own"), reading.opening)
    measured: list[MeasuredBlock] = []
    session.on_measured = lambda run, block: measured.append(block)
    for entries in reading.blocks():
        for first in range(0, len(entries), 100):
            session.take(entries[first : first + 100])
    review_record(record, keep=True)
    chunks = KeptColumns(record, RecordReading(record).digest).chunks()
    kept = [piece.block for chunk in chunks for piece in chunk.pieces if isinstance(piece, KeptRun)]
    assert columns_of(reduce(join_measured_blocks, kept)) == columns_of(reduce(join_measured_blocks, measured))


def columns_of(block: MeasuredBlock) -> dict[str, bytes]:
    frames, others = block.frames, block.frames.others
    found: dict[str, npt.NDArray[Any]] = {"lead_row": block.lead_row, "lead_id": block.lead_id}
    found |= {"start": others.start, "id": others.id}
    found |= {name: getattr(frames, name) for name in ("number", "seq", "t", "wall", "markers")}
    found |= {f"own {name}": column for name, column in frames.own.items()}
    found |= {f"signal {name}": column for name, column in frames.signals.items()}
    found |= {f"other {name}": column for name, column in others.channels.items()}
    for name, one in {**block.lead, **block.lateral}.items():
        found |= {f"{name} value": one.value, f"{name} state": one.state}
    return {name: column.tobytes() for name, column in found.items()}


def test_a_review_that_is_broken_off_leaves_nothing_on_the_disk(record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = RecordReading.blocks

    def broken_off(self: RecordReading, after: int = 0, size: int = 2048) -> Iterator[list[Entry]]:
        yield next(whole(self, after, size))
        raise RecordUnreadable("the disk is gone")

    monkeypatch.setattr(RecordReading, "blocks", broken_off)
    with pytest.raises(RecordUnreadable):
        review_record(record, keep=True)
    assert not list(record.glob(f"{CACHE_NAME}*"))


def test_a_chunk_of_another_kind_is_not_taken(kept: Path, right: str) -> None:
    write_cache(kept, {}, [msgpack.packb([0, 5])])
    assert told(review_record(kept, keep=True)) == right

"""What is attacked, and what must hold afterwards. Each target is given a fresh directory and a random generator."""

from __future__ import annotations

import io
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import redirect_stdout, suppress
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from random import Random
from typing import ClassVar
from unittest.mock import patch

import msgpack

from monitor.archive import record_pass
from monitor.archive.cache_checking import check_caches
from monitor.archive.cache_seal import SEAL_BYTES
from monitor.archive.gathering import gather
from monitor.archive.kept import writing
from monitor.archive.kept.layout import MAGIC, tail_of
from monitor.archive.looks import AUDIT_NAME, count_looks, enter_look, frozen
from monitor.archive.rehearsals import FOLDER, kept_pages, newest_rehearsal
from monitor.archive.review import review_record
from monitor.archive.summary_cache import cached_summary, fresh_summary, keep_summary
from monitor.commands.shared.printing import trial_lines
from monitor.errors import WitnessError
from monitor.judging.document import session_json
from monitor.record import verify
from monitor.record.addendum import addendum_of, append_addendum
from monitor.record.entries import Entry, EntryKind, pack_opening
from monitor.record.places import SECOND_NAME, STAMP_NAME, list_records, look_at_places
from monitor.record.reader import RecordFiles, RecordReading, RecordWithdrawn
from monitor.record.recovery import recover_record
from monitor.record.sealing import seal_record
from monitor.record.withdrawing import withdraw_record
from monitor.record.writer import RecordWriter, Writing
from monitor.recorder.running import RUNNING_NAME, read_announcement
from monitor.reports.assigning.sealed import SealedLots, prepare, sealed_lots
from monitor.reports.assigning.verifying import verify_lots
from monitor.reports.closeout.closeout import close_out, left_to_do
from monitor.reports.closeout.text import markdown
from monitor.reports.export.drives import read_whole
from monitor.reports.export.tables import Tables
from monitor.reports.tally.tally import tally_json
from monitor.reports.tally.text import tally_lines
from monitor.study.model import Study
from tests.fuzz.mutations import forge_part, forge_sealed, move_files, rot, spoil_fields, spoil_json, value
from tests.judging.hand import STUDY, HandDrive, entries_of, opening_of, study_of
from tests.record.conftest import HandClock, write_elsewhere

NAME = "Q01-20250615T145320Z-0aaa.run"
BLOCKS = STUDY.replace("[groups.chime]", '[assignment]\nmethod = "blocks"\nblock_sizes = [2]\n[groups.chime]')
ONE_CONDITION = (
    STUDY[: STUDY.index('[[trigger.condition]]\nname = "own speed"')] + STUDY[STUDY.index("[trigger.alert]") :]
)
"""For what is judged over and over: of three conditions each costs as much as all the rest."""
record_pass.KEPT_FROM = writing.LEAVE_FREE = 0


def raw_files(path: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in path.iterdir() if file.is_file()}


def lay_out(files: dict[str, bytes], path: Path) -> Path:
    """Files as they are given, by the calls themselves: with paths they took a twenty-fifth of all the fuzz's time."""
    path.mkdir(parents=True)
    for name, raw in files.items():
        descriptor = os.open(f"{path}/{name}", os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
        assert os.write(descriptor, raw) == len(raw)
        os.close(descriptor)
    return path


@lru_cache(maxsize=1)
def small() -> tuple[dict[str, bytes], dict[str, bytes], tuple[Entry, ...], str]:
    """A closed record with two parts and two rulings: as parts, and sealed; its entries; the code of its rulings."""
    with tempfile.TemporaryDirectory() as base:
        opening = replace(opening_of(study_of(STUDY)), participant="Q01")
        path, place = write_elsewhere(Path(base), HandClock(), opening)
        os.rename(place / "part-0002.twr", path / "part-0002.twr")
        (path / SECOND_NAME).unlink()
        for number in range(2):
            append_addendum(
                path, {"type": "ruling", "key": f"k{number}", "trial": "1/a/1", "verdict": "valid"}, HandClock()
            )
        parts = raw_files(path)
        entries = tuple(entry for block in RecordFiles(path).blocks() for entry in block)
        code = addendum_of(path).code or ""
        seal_record(path)
        return parts, raw_files(path), entries, code


@lru_cache(maxsize=1)
def judged() -> tuple[dict[str, bytes], int, dict[str, str]]:
    """A short drive with a trial, with both caches beside it; the time of change of its part; and what comes of it."""
    with tempfile.TemporaryDirectory() as base:
        path = drive(Path(base) / NAME)
        told = {name: outcome(path) for name, outcome in OUTCOMES.items()}
        return raw_files(path), (path / "part-0001.twr").stat().st_mtime_ns, told


def lay_out_judged(path: Path) -> Path:
    """That drive with its caches, which fit it by its time of change, so that it is not judged once more."""
    files, changed_ns, _ = judged()
    os.utime(lay_out(files, path) / "part-0001.twr", ns=(changed_ns, changed_ns))
    return path


def drive(path: Path) -> Path:
    writer = RecordWriter.create(path, opening_of(study_of(ONE_CONDITION)))
    for entry in entries_of(HandDrive(rate_hz=5.0, end_t=14.0)):
        if entry.kind not in (EntryKind.OPENING, EntryKind.CLOSE):
            writer.append(entry.kind, entry.payload)
    writer.close("over")
    return path


def by_columns(path: Path) -> str:
    """What a record is judged to be, by its kept columns where they hold."""
    reviewed = review_record(path, keep=True)
    return json.dumps([session_json(reviewed.session, ""), reviewed.damage], sort_keys=True)


def by_summary(path: Path) -> str:
    """What a tally takes of a record, from its kept summary where that holds."""
    summary = cached_summary(path)
    if summary is None:
        summary, _, noted = fresh_summary(path)
        keep_summary(path, None, noted or {}, summary)
    return json.dumps({**summary.as_json(), "record": ""}, sort_keys=True)


OUTCOMES = {"columns.cache": by_columns, "summary.cache": by_summary}
"""By what each cache can decide."""


def spoil_record(random: Random, files: dict[str, bytes], forge: Callable[[Random, bytes], bytes]) -> dict[str, bytes]:
    files = dict(files)
    for _ in range(random.randint(1, 2)):
        name = random.choice(sorted(files))
        if random.random() < 0.5 and (name.startswith("part") or name == "record.sealed"):
            files[name] = forge(random, files[name])
        else:
            files[name] = rot(random, files[name])
    return files


class Followed(RecordFiles):
    """Remembers the entries that it gave last: what `verify` read need not be read once more to be looked at."""

    given: ClassVar[list[Entry]] = []

    def blocks(self, after: int = 0, size: int = 2048) -> Iterator[list[Entry]]:
        self.given.clear()
        for block in super().blocks(after, size):
            self.given.extend(block)
            yield block


def _record(random: Random, base: Path, files: dict[str, bytes], forge: Callable[[Random, bytes], bytes]) -> None:
    """Each is read and verified; of four one is sealed then and one recovered, of twenty-four one gathered."""
    _, _, entries, code = small()
    path = lay_out(spoil_record(random, files, forge), base / NAME)
    if random.random() < 0.2:
        move_files(random, path)
    given: list[Entry] = []
    with suppress(WitnessError), patch.object(verify, "RecordFiles", Followed):
        try:
            result = verify.verify_record(path, code)
        except RecordWithdrawn:
            raise AssertionError("called withdrawn") from None
        given = list(Followed.given)
        if not set(entries) <= set(given):
            assert not result.ok, "a silent loss"
        if result.rulings < 2:
            assert not result.ok, "a ruling lost in silence"
    numbers = [entry.number for entry in given]
    assert numbers == sorted(set(numbers)), "out of order"
    assert path in list_records(base) or not any(name.startswith(("part-", "record.")) for name in os.listdir(path))
    match random.randrange(24):
        case 0:
            _gathered(base, path, is_whole=set(entries) <= set(given))
        case 1 | 2 | 3 | 4:
            with suppress(WitnessError):
                RecordReading(path)
                addendum_of(path)
        case 5 | 6 | 7 | 8 | 9 | 10:
            _done(seal_record, path, given)
        case 11 | 12 | 13 | 14 | 15 | 16:
            _done(recover_record, path, given)


def _gathered(base: Path, path: Path, *, is_whole: bool) -> None:
    with redirect_stdout(io.StringIO()):
        gathered = gather(base)
    assert gathered.runs or gathered.unreadable or path not in list_records(base), "left out in silence"
    said = [*gathered.faults(), *gathered.remarks()]
    assert is_whole or any(path.name in one for one in said), "a damaged record counts in silence"


def _done(act: Callable[[Path], object], path: Path, given: list[Entry]) -> None:
    """Seals or recovers: nothing that was readable before is lost by it."""
    before = {(entry.number, entry.payload) for entry in given}
    with suppress(WitnessError):
        act(path)
        after = {(entry.number, entry.payload) for block in RecordFiles(path).blocks() for entry in block}
        assert before <= after, "lost by what was done to it"


def parts(random: Random, base: Path) -> None:
    """Rotten, forged, moved parts and addenda: nothing out of order, nothing lost without a word."""
    _record(random, base, small()[0], forge_part)


def sealed(random: Random, base: Path) -> None:
    """The same for sealed records."""
    _record(random, base, small()[1], forge_sealed)


def tombstones(random: Random, base: Path) -> None:
    """Whatever stands as a tombstone: called a withdrawal only where it says so, and a withdrawal ends all the same."""
    path = lay_out(small()[0], base / NAME)
    true = b'{"withdrawn_at": "2025-06-15T15:06:40+00:00", "by": "lead", "digest": null, "entries": 9, "pending": []}'
    raw = spoil_json(random, true)
    (path / "tombstone.json").write_bytes(raw)
    with suppress(WitnessError):
        try:
            RecordFiles(path)
        except RecordWithdrawn:
            assert isinstance(json.loads(raw)["withdrawn_at"], str)
        else:
            raise AssertionError("read beside a tombstone")
    with redirect_stdout(io.StringIO()):
        gathered = gather(base)
    assert gathered.faults() or gathered.withdrawn
    with suppress(WitnessError):
        receipt = withdraw_record(path, "lead", "all")
        assert not receipt.finished or sorted(os.listdir(path)) in (
            ["tombstone.json"],
            ["second-place.txt", "tombstone.json"],
        )


@lru_cache(maxsize=1)
def decoy() -> dict[str, bytes]:
    """A record of somebody else."""
    with tempfile.TemporaryDirectory() as base:
        RecordWriter.create(Path(base) / NAME, opening_of(study_of(STUDY)), Writing(clock=HandClock())).close("")
        return raw_files(Path(base) / NAME)


@lru_cache(maxsize=1)
def two_places() -> tuple[dict[str, bytes], dict[str, bytes], str, int]:
    """A record's own files and those in its second place, with the directory and the inode that stand in them."""
    with tempfile.TemporaryDirectory() as base:
        path, place = write_elsewhere(Path(base), HandClock(), opening_of(study_of(STUDY)))
        return raw_files(path), raw_files(place), base, path.stat().st_ino


def lay_out_places(base: Path) -> tuple[Path, Path]:
    """That record and its place, as they would have been written here."""
    own, second, written_at, inode = two_places()
    path, place = lay_out(own, base / "first" / NAME), lay_out(second, base / "second" / NAME)
    for file in (path / SECOND_NAME, place / STAMP_NAME):
        text = file.read_text().replace(written_at, str(base))
        file.write_text(text.replace(f'"inode": {inode}', f'"inode": {path.stat().st_ino}'))
    return path, place


def places(random: Random, base: Path) -> None:
    """Whatever stands in the notes of places and in their stamps: nobody else's files are touched."""
    path, place = lay_out_places(base)
    other = lay_out(decoy(), base / "second" / "Q09-20250615T145320Z-0ccc.run")
    decoys = {other / name: raw for name, raw in decoy().items()}
    for file in (path / SECOND_NAME, place / STAMP_NAME):
        if random.random() < 0.7:
            lines = [
                random.choice((str(other), str(path), str(place), "x\0y", "/dev", "relative.run", "/")) for _ in "ab"
            ]
            junk = "\n".join(random.choice(("", "# stamped ", "# emptied ", "# ", "#")) + line for line in lines)
            stamp = json.dumps(
                spoil_fields(random, {"record": "00" * 16, "home": str(other), "inode": 1}), default=repr
            )
            options = (junk.encode(), stamp.encode("utf-8", "replace"), rot(random, file.read_bytes()), b"\n" * 70_000)
            file.write_bytes(random.choice(options))
    if random.random() < 0.3:
        move_files(random, place)
    with suppress(WitnessError):
        look_at_places(path)
        verify.verify_record(path)
    act: Callable[[], object] = random.choice(
        (lambda: seal_record(path), lambda: recover_record(path), lambda: withdraw_record(path, "lead", "all"))
    )
    with suppress(WitnessError):
        act()
    assert all(file.read_bytes() == raw for file, raw in decoys.items()), "somebody else's file was changed"


def caches(random: Random, base: Path) -> None:
    """Whatever stands in the caches: the verdicts are the record's. One is asked for what it can decide."""
    path, expected = lay_out_judged(base / NAME), judged()[2]
    asked = random.choice(list(OUTCOMES))
    for name in OUTCOMES:
        raw = (path / name).read_bytes()
        if name != asked and random.random() < 0.4:
            continue
        if name == "summary.cache":
            raw = spoil_json(random, raw)
        elif random.random() < 0.6:
            raw = forge_columns(random, raw)
        else:
            raw = rot(random, raw)
        (path / name).write_bytes(raw)
    if random.random() < 0.05:
        check_caches(path)
    assert OUTCOMES[asked](path) == expected[asked], "a cache decided"


def forge_columns(random: Random, raw: bytes) -> bytes:
    """A cache of columns whose chunks or tail say something else, whole in itself but for its seals."""
    packed, foot = tail_of(io.BytesIO(raw))
    tail = msgpack.unpackb(packed)
    chunks, at = [], len(MAGIC)
    for length, _ in tail["chunks"]:
        chunks.append(raw[at : at + length])
        at += length
    place = random.randrange(len(chunks))
    if random.random() < 0.7:
        chunk = spoil_fields(random, msgpack.unpackb(chunks[place]))
        chunks[place] = msgpack.packb(chunk, unicode_errors="surrogatepass")
        tail["chunks"][place][0] = len(chunks[place])
    else:
        tail = spoil_fields(random, tail)
    packed = msgpack.packb(tail, unicode_errors="surrogatepass")
    body = MAGIC + b"".join(chunks)
    seal = random.choice((foot[8:], random.randbytes(SEAL_BYTES), bytes(SEAL_BYTES)))
    return body + packed + len(body).to_bytes(8, "little") + seal


@lru_cache(maxsize=1)
def entered_into() -> list[Entry]:
    """A drive with a trial, in as few frames as there can be."""
    return entries_of(HandDrive(rate_hz=4.0, end_t=14.0))


SPOILT_EVERY = 4
"""Messages from one entry of ours to the next: the more in a record, the fewer records have to be judged for them."""


def operators(random: Random, base: Path) -> None:
    """Entries of ours with wrong types and impossible times: a report is made, or refused in a sentence."""
    path = base / NAME
    opening = opening_of(study_of(ONE_CONDITION))
    clock = HandClock(
        monotonic=random.choice((5_000_000_000, 0, 2**62 - 10**10)),
        wall=random.choice((1_750_000_000_000_000_000, -(2**63), 2**63 - 10**10, 0)),
    )
    writer = RecordWriter.create(path, opening, Writing(clock=clock))
    for at, entry in enumerate(entered_into()):
        if entry.kind in (EntryKind.OPENING, EntryKind.CLOSE):
            continue
        writer.append(entry.kind, entry.payload)
        if at % SPOILT_EVERY == 0:
            kind = random.choice(
                ("note", "mark", "ruling", "shown", "reveal", "eyes", "comfort", "step", "answer", "stop")
            )
            fields = {"type": kind, "key": f"k{at}", "by": "op", "wall": 1.7e9, "drive": 1, "at": 3.0, "text": "fog"}
            fields |= {"trial": "1/gate-brake/1", "verdict": "valid", "reason": "confirmed", "words": "", "rating": 3}
            packed = msgpack.packb(spoil_fields(random, fields), unicode_errors="surrogatepass")
            writer.append(random.choice((EntryKind.OPERATOR, EntryKind.OPERATOR, EntryKind.INTAKE)), packed)
    writer.close("over")
    with suppress(WitnessError):
        append_addendum(path, {"type": "ruling", "key": "z", "wall": value(random), "verdict": value(random)})
    random.choice((tallied, reported))(path)


def openings(random: Random, base: Path) -> None:
    """An opening with fields of other types."""
    path = base / NAME
    opening = opening_of(study_of(STUDY))
    from monitor.record import writer as writing

    fields = spoil_fields(random, msgpack.unpackb(pack_opening(opening)))
    packed = msgpack.packb(fields, unicode_errors="surrogatepass")
    with patch.object(writing, "pack_opening", lambda opening: packed):
        RecordWriter.create(path, opening, Writing(clock=HandClock())).close("")
    tallied(path)
    reported(path)


def tallied(path: Path) -> None:
    """All that is made of the study of a record."""
    with suppress(WitnessError):
        gathered = gather(path.parent)
        json.dumps(tally_json(gathered, None), allow_nan=False)
        tally_lines(gathered, None)


def reported(path: Path) -> None:
    """All that is made of a record itself."""
    with suppress(WitnessError):
        whole = read_whole(path)
        json.dumps(session_json(whole.session, ""), allow_nan=False)
        for trial in whole.session.trials():
            trial_lines(trial)
        markdown(close_out(whole))
        left_to_do(whole)
        Tables(masked=False).add(whole)


def announcements(random: Random, base: Path) -> None:
    """What a recorder leaves for whoever attaches."""
    path = lay_out({}, base / NAME)
    plan: dict[str, object] = {
        "record": str(path),
        "feeds": ["tcp://x:1"],
        "sockets": "/tmp/s",
        "opening": None,
        "resume": True,
    }
    plan |= {"timing": {}, "link_timing": {}, "second": None, "idle_close_s": 5.0}
    raw = spoil_json(random, json.dumps({"pid": 12, "plan": plan}).encode())
    (path / RUNNING_NAME).write_bytes(raw)
    if random.random() < 0.05:
        (path / RUNNING_NAME).unlink()
        os.mkfifo(path / RUNNING_NAME)
    read_announcement(path)


def neighbours(random: Random, base: Path) -> None:
    """Whatever lies beside the records: the look file, lots and their log, pages of rehearsals, kept answers."""
    study = study_of(BLOCKS)
    lay_out_judged(base / NAME)
    prepare(base, study, "site", "anna", 8)
    given = [sealed_of(base, study).open_next("", "anna") for _ in range(2)]
    rehearsed = base / FOLDER / "r.json"
    rehearsed.parent.mkdir()
    rehearsed.write_text('{"type": "rehearsal", "study": "hand", "name": "r", "at": 1.0, "go": true}')
    options = (base / AUDIT_NAME, base / "lots-site.json", base / "lots-site.jsonl", rehearsed)
    for file in random.sample(options, random.randint(1, 2)):
        spoil_beside(random, file)
    with suppress(WitnessError):
        enter_look(base, "ben", "compare", {"why": "asked"}, {})
        assert (count_looks(base) or 0) >= 1, "a look that was entered is not counted"
    for ask in (frozen, newest_rehearsal, kept_pages):
        ask(base, "hand")
    with suppress(WitnessError):
        lots = sealed_of(base, study)
        known = [lots.for_opening(one) for one in given]
        lot = lots.open_next("", "anna", random.choice((known, ())) if len(lots.opened()) >= len(given) else known)
        assert lot.number not in [one.number for one in given], "a lot was opened twice"
        verify_lots(lots)
    with redirect_stdout(io.StringIO()), suppress(WitnessError):
        gathered = gather(base)
        json.dumps(tally_json(gathered, None), allow_nan=False)


def sealed_of(base: Path, study: Study) -> SealedLots:
    lots = sealed_lots(base, study, "site")
    assert lots is not None, "an order that was sealed is told to be none"
    return lots


def spoil_beside(random: Random, file: Path) -> None:
    raw = file.read_bytes()
    lines = raw.splitlines(keepends=True) or [b""]
    file.unlink()
    match random.randrange(6):
        case 0:
            os.mkfifo(file)
        case 1:
            file.symlink_to(random.choice(("/dev/zero", file.name, "/dev")))
        case 2:
            file.mkdir()
        case 3:
            file.write_bytes(rot(random, raw))
        case 4:
            place = random.randrange(len(lines))
            lines[place] = spoil_json(random, lines[place]) + b"\n"
            file.write_bytes(b"".join(lines))
        case _:
            file.write_bytes(random.choice((b"", b"[" * 100_000 + b"\n", raw[: random.randrange(len(raw) + 1)])))


def clean(base: Path) -> None:
    shutil.rmtree(base, ignore_errors=True)


TARGETS: dict[str, tuple[Callable[[Random, Path], None], int]] = {
    "parts": (parts, 394),
    "sealed": (sealed, 330),
    "tombstones": (tombstones, 115),
    "places": (places, 60),
    "caches": (caches, 5),
    "operators": (operators, 6),
    "openings": (openings, 30),
    "announcements": (announcements, 30),
    "neighbours": (neighbours, 30),
}
"""With how many of a thousand inputs each is given: those in which records are judged take ten times as long."""
assert sum(share for _, share in TARGETS.values()) == 1000

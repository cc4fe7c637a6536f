"""Every call to the operating system goes wrong once: while a run is ended on full disks, and while a record is sealed,
recovered, withdrawn and ruled on, with one place and with two.

After each: nothing that was acknowledged is lost, nothing is erased that is not the record's, nothing raises but with a
sentence, and the next try ends it.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import WitnessError
from monitor.record.addendum import addendum_of, append_addendum
from monitor.record.disk import DiskCalls, RecordNotWritable
from monitor.record.entries import EntryKind, Opening
from monitor.record.places import find_parts, look_at_places
from monitor.record.reader import RecordFiles, RecordWithdrawn
from monitor.record.recovery import recover_record, take_place
from monitor.record.sealing import seal_record
from monitor.record.tombstone import read_tombstone
from monitor.record.verify import verify_record
from monitor.record.withdrawing import withdraw_record
from monitor.record.writer import RecordWriter, Writing
from tests.memory import in_memory
from tests.record.conftest import HandClock, payload, write_elsewhere
from tests.record.os_faults import HOWS, Faults, How, Outcome, deaths_like_the_last, here, in_small_process

NAME = "Q01-20250615T145320Z-0aaa.run"
DECOYS = {"note.txt": b"of the facility", "part-0001.twr": b"not a part", "summary.cache": b"{}"}


@dataclass
class Case:
    """A record in a fresh directory, with what must not be touched around it."""

    base: Path
    path: Path
    place: Path | None
    decoys: dict[Path, bytes]
    lets_go: bool = True
    """Where what is done is interrupted no lock is left; a writer is let go of by the end of its process alone."""

    def numbers(self) -> list[int]:
        return [entry.number for block in RecordFiles(self.path).blocks() for entry in block]

    def untouched(self) -> bool:
        return all(file.read_bytes() == content for file, content in self.decoys.items())


def make(base: Path, opening: Opening, *, two: bool, close: bool = True) -> Case:
    """A record with its second part in a second place, or all of it in one, beside a sibling and somebody's files."""
    clock, place = HandClock(), None
    (base / "first").mkdir(parents=True)
    if two:
        path, place = write_elsewhere(base, clock, opening, close=close)
    else:
        path = base / "first" / NAME
        writer = RecordWriter.create(path, opening, Writing(clock=clock))
        for number in range(2, 9):
            writer.append(EntryKind.MESSAGE, payload(number))
        writer.close("the drive ended")
        if not close:
            part = path / "part-0001.twr"
            part.write_bytes(part.read_bytes()[:-60])
    sibling = base / "first" / "Q02-20250615T145320Z-0bbb.run"
    RecordWriter.create(sibling, opening, Writing(clock=clock)).close("")
    decoys = {file: file.read_bytes() for file in sibling.iterdir()}
    beside = (base / "second" if two else base) / "Q03-20250615T145320Z-0ccc.run"
    beside.mkdir()
    for name, content in DECOYS.items():
        (beside / name).write_bytes(content)
        decoys[beside / name] = content
    target = base / "linked.txt"
    target.write_bytes(b"kept")
    (path / "linked").symlink_to(target)
    decoys[target] = b"kept"
    return Case(base, path, place, decoys, lets_go=close)


Work = Callable[[Case, Faults], object]
Check = Callable[[Case, Outcome, list[int]], None]


def walk(tmp_path: Path, prepared: Callable[[Path], Case], work: Work, check: Check, how: How) -> int:
    """Each call in turn; gives how many there were. The record is made once and laid out anew, because it knows its
    own path. What a process leaves that ends by the call is its files alone: the same files are checked once, and where
    it is killed before a call, and nothing was written since the call before, it is not killed once more."""
    base, template = tmp_path / "case", tmp_path / "template"
    checked: set[tuple[bytes, tuple[str, ...]]] = set()
    case = prepared(base)
    before = case.numbers() if case.path.exists() else []
    os.rename(base, template)
    known: set[int] = set()
    if how == "kills":
        shutil.copytree(template, base, symlinks=True)
        known = deaths_like_the_last(lambda faults: work(case, faults), lambda: left_in(base))
        shutil.rmtree(base)
    for at in range(1, 5000):
        if at in known:
            continue
        shutil.copytree(template, base, symlinks=True)
        outcome = here(at, how, lambda faults: work(case, faults), lets_go=case.lets_go)
        told = f"call {at} ({outcome.call}) {how}: {outcome.raised!r}"
        assert outcome.raised is None or isinstance(outcome.raised, WitnessError), told
        assert case.untouched(), told
        left = (left_in(base), outcome.told)
        if left not in checked or not outcome.ended or not outcome.reached:
            checked.add(left)
            try:
                check(case, outcome, before)
            except (AssertionError, WitnessError, OSError) as error:
                raise AssertionError(f"{told}; then: {error}") from error
            assert case.untouched(), f"{told}: after the next try"
        shutil.rmtree(base)
        if not outcome.reached:
            return at
    raise AssertionError("no end")


def left_in(base: Path) -> bytes:
    """Digest of all names in a directory, of what links lead to and files hold."""
    digest = hashlib.sha256()
    for folder, folders, files in os.walk(base):
        folders.sort()
        for name in sorted((*folders, *files)):
            path = os.path.join(folder, name)
            digest.update(f"{path}\0".encode())
            if os.path.islink(path):
                digest.update(os.readlink(path).encode())
            elif name in files:
                digest.update(Path(path).read_bytes())
    return digest.digest()


Walking = Callable[[Path, Opening, How, bool], None]
Asked = Callable[[Opening, How, bool], None]
WALKS: dict[str, Walking] = {}


def every_call(walking: Walking) -> Asked:
    """Every way in which a call goes wrong, with one place and with two; quick is what a failing disk does to one."""
    WALKS[walking.__name__] = walking

    def asked(opening: Opening, how: How, two: bool) -> None:
        with tempfile.TemporaryDirectory(prefix="tw-calls-", dir=in_memory()) as directory:
            in_small_process(walking.__module__, walking.__name__, Path(directory), opening, how, two)

    cases = [
        pytest.param(
            how, two, id=f"{how}, {'two places' if two else 'one place'}", marks=[] if quick else pytest.mark.slow
        )
        for how in HOWS
        for two in (False, True)
        for quick in [how == "is full" and not two]
    ]
    marked: Asked = pytest.mark.parametrize(("how", "two"), cases)(asked)
    return marked


@every_call
def test_sealing(tmp_path: Path, opening: Opening, how: How, two: bool) -> None:
    def check(case: Case, outcome: Outcome, before: list[int]) -> None:
        assert case.numbers() == before, "entries before the next try"
        sealed = seal_record(case.path)
        assert case.numbers() == before, "entries after the next try"
        assert sealed.digest == RecordFiles(case.path).digest
        assert verify_record(case.path).ok
        assert find_parts(case.path) == []
        assert case.place is None or not case.place.exists(), "the second place"

    calls = walk(
        tmp_path, lambda base: make(base, opening, two=two), lambda case, _: seal_record(case.path), check, how
    )
    assert calls > 40


@every_call
def test_recovering(tmp_path: Path, opening: Opening, how: How, two: bool) -> None:
    def check(case: Case, outcome: Outcome, before: list[int]) -> None:
        assert case.numbers()[: len(before)] == before, "entries before the next try"
        recover_record(case.path)
        assert case.numbers()[: len(before)] == before, "entries after the next try"
        result = verify_record(case.path)
        assert result.ok, result.sentences()

    calls = walk(
        tmp_path,
        lambda base: make(base, opening, two=two, close=False),
        lambda case, _: recover_record(case.path),
        check,
        how,
    )
    assert calls > 25


def tombstone_of(path: Path) -> dict[str, Any]:
    tombstone = read_tombstone(path)
    assert tombstone is not None
    return tombstone


@every_call
def test_withdrawing(tmp_path: Path, opening: Opening, how: How, two: bool) -> None:
    def check(case: Case, outcome: Outcome, before: list[int]) -> None:
        try:
            assert case.numbers() == before, "neither whole nor withdrawn"
        except RecordWithdrawn as withdrawn:
            finished = sorted(file.name for file in case.path.iterdir()) == ["tombstone.json"]
            said = "not finished" in str(withdrawn)
            assert said != (finished and not tombstone_of(case.path)["pending"])
        receipt = withdraw_record(case.path, "someone else")
        assert receipt.finished, receipt.sentences()
        assert [file.name for file in case.path.iterdir()] == ["tombstone.json"]
        assert tombstone_of(case.path)["digest"]
        assert case.place is None or not case.place.exists(), "the second place"

    calls = walk(
        tmp_path, lambda base: make(base, opening, two=two), lambda case, _: withdraw_record(case.path, "x"), check, how
    )
    assert calls > 40


@every_call
def test_ruling(tmp_path: Path, opening: Opening, how: How, two: bool) -> None:
    def ruling(key: str) -> dict[str, object]:
        return {"type": "ruling", "key": key, "by": "lead", "trial": "1/gate-brake/1", "verdict": "valid"}

    def prepared(base: Path) -> Case:
        case = make(base, opening, two=two)
        append_addendum(case.path, ruling("first"))
        return case

    def work(case: Case, faults: Faults) -> None:
        append_addendum(case.path, ruling("second"))
        faults.say("acknowledged")

    def check(case: Case, outcome: Outcome, before: list[int]) -> None:
        keys = [one["key"] for one in addendum_of(case.path).maps]
        assert keys == ["first", "second"] if outcome.told else keys in (["first"], ["first", "second"])
        append_addendum(case.path, ruling("second"))
        added = addendum_of(case.path)
        assert [one["key"] for one in added.maps] == ["first", "second"]
        assert verify_record(case.path, added.code).ok

    assert walk(tmp_path, prepared, work, check, how) > 15


class FullDisks(DiskCalls):
    """Writing fails below these directories."""

    def __init__(self, *directories: Path) -> None:
        self.directories: tuple[Path, ...] = directories

    def write(self, descriptor: int, data: bytes) -> int:
        place = Path(os.readlink(f"/proc/self/fd/{descriptor}"))
        if any(place.is_relative_to(one) for one in self.directories):
            raise OSError(28, "No space left on device")
        return super().write(descriptor, data)


@every_call
def test_ending_a_run_on_full_disks(tmp_path: Path, opening: Opening, how: How, two: bool) -> None:
    """The end goes to a third place that the operator names; then there is space again."""

    def prepared(base: Path) -> Case:
        (base / "first").mkdir(parents=True)
        (base / "second").mkdir()
        (base / "third").mkdir()
        return Case(base, base / "first" / NAME, base / "second" / NAME if two else None, {}, lets_go=False)

    def work(case: Case, faults: Faults) -> None:
        disk = FullDisks()
        second = case.base / "second" if two else None
        calls, faults.calls = faults.calls, -(10**9)  # beginning is another test's
        writer = RecordWriter.create(
            case.path,
            opening,
            Writing(second=second, clock=HandClock(), disk=disk, on_synced=lambda number: faults.say(str(number))),
        )
        writer.append(EntryKind.MESSAGE, payload(2))
        disk.directories = (case.base / "first", case.base / "second")
        for number in range(3, 9):
            writer.append(EntryKind.MESSAGE, payload(number))
        faults.calls = calls
        ended = writer.finish("the drive ended")
        for _ in range(2):
            if not ended:
                try:
                    writer.go_on_in(case.base / "third")
                except RecordNotWritable:
                    continue  # it is said; the operator names it again
                ended = writer.finish("")
        faults.say(str(writer.synced))
        writer.release()

    def check(case: Case, outcome: Outcome, before: list[int]) -> None:
        acknowledged = max((int(text) for text in outcome.told), default=1)
        if (case.base / "third" / NAME).exists():
            try:
                take_place(case.path, case.base / "third")
            except RecordNotWritable:
                assert acknowledged <= 2, "what was acknowledged stands in a place that nobody knows"
        assert case.numbers()[:acknowledged] == list(range(1, acknowledged + 1)), "what was acknowledged"
        if RecordFiles(case.path).state == "open":
            recover_record(case.path)
        assert case.numbers()[:acknowledged] == list(range(1, acknowledged + 1)), "after the next try"
        result = verify_record(case.path)
        assert result.ok, result.sentences()
        assert look_at_places(case.path)[0].standing == "own"

    assert walk(tmp_path, prepared, work, check, how) > 60

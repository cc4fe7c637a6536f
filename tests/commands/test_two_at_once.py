"""Two processes that enter into one file beside the records at once: every command that decides by what stands there.

The first process is held where it is about to write, when it has decided. The second one then either waits for it, or
comes to its end; nothing here depends on which of the two is quicker.
"""

from __future__ import annotations

import json
import multiprocessing
import re
import time
from collections.abc import Callable
from functools import partial
from multiprocessing.synchronize import Event
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NamedTuple

import pytest

from monitor.archive.chained_lines import chain_fault, entries
from monitor.archive.looks import AUDIT_NAME, count_looks, frozen
from monitor.errors import WitnessError
from monitor.record import disk
from monitor.record.addendum import addendum_of
from monitor.reports.assigning.asked import ASKED_NAME, asked_of
from monitor.reports.assigning.sealed import SealedLots, prepare, sealed_lots, sealed_root
from monitor.study.loading import load_study
from tests.commands.running import Called, call
from tests.judging.hand import study_of
from tests.reports.making import BLIND, REPORT_STUDY, hand_record
from tests.waiting import wait_for

LOTS = REPORT_STUDY.replace(
    "[groups.chime]",
    '[assignment]\nmethod = "blocks"\nblock_sizes = [2]\n[assignment.excluded]\nill = "Ill"\n[groups.chime]',
)
PACKAGE = Path(disk.__file__).parents[1]
Act = Callable[[], Called]


class Both(NamedTuple):
    """What the two processes left with, the one that was held first; and where the records are."""

    first: Called
    second: Called
    records: Path

    def one_is_refused(self, because: str) -> None:
        """The first one was done, and the second was told why not."""
        assert self.first.returncode == 0, self.first.stderr
        assert self.second.returncode == 2, self.second.stdout
        assert because in self.second.stderr

    def both_are_done(self) -> None:
        assert (self.first.returncode, self.second.returncode) == (0, 0), self.first.stderr + self.second.stderr


class Held(NamedTuple):
    """What passes between the test and a process."""

    at_write: Event
    go_on: Event
    said: Any


def first(act: Act, held: Held) -> None:
    """In a process: does it, and is held before the first byte is written."""

    def hold(*arguments: Any) -> None:
        held.at_write.set()
        assert held.go_on.wait(60.0)
        disk.write_whole(*arguments)

    with pytest.MonkeyPatch.context() as patch:
        for module in ("archive.chained_lines", "record.addendum"):
            patch.setattr(f"monitor.{module}.write_whole", hold)
        held.said.send(act())


def second(act: Act, held: Held) -> None:
    """In a process: does it, and tells when it waits for the lock."""

    def wait(seconds: float) -> None:
        held.at_write.set()
        time.sleep(seconds)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("monitor.record.disk.time", SimpleNamespace(sleep=wait))
        held.said.send(act())


def at_once(records: Path, acts: tuple[Act, Act]) -> Both:
    context = multiprocessing.get_context("forkserver")  # what it forks has imported this file, and has done nothing
    context.set_forkserver_preload([__name__, "monitor.archive.gathering", "monitor.commands.shared.printing"])
    goes_on, readers, processes = [], [], []
    try:
        for target, act in zip((first, second), acts, strict=True):
            reader, writer = context.Pipe(duplex=False)
            held = Held(context.Event(), context.Event(), writer)
            processes.append(context.Process(target=target, args=(act, held)))
            processes[-1].start()
            writer.close()
            goes_on.append(held.go_on)
            readers.append(reader)
            wait_for(partial(has_come, held, reader), "it is about to write, waits, or has ended")
        goes_on[0].set()
        return Both(readers[0].recv(), readers[1].recv(), records)
    finally:
        for process in processes:
            process.kill()
            process.join()


def has_come(held: Held, reader: Any) -> bool:
    return held.at_write.is_set() or reader.poll()


# What is done at once, and what has to come of it


def command(*words: str) -> Act:
    return partial(call, *words)


def in_the_house(what: Callable[[], object]) -> Called:
    """The same for what no command does by itself."""
    try:
        return Called(0, str(what()), "")
    except WitnessError as error:
        return Called(2, "", str(error))


def study_file(records: Path, text: str, name: str = "study.toml") -> str:
    path = records.parent / name
    path.write_text(text)
    return str(path)


def freezing(records: Path, name: str, text: str) -> Act:
    file = study_file(records, text, name)
    return command("check", "--study", file, "--freeze", "--records", str(records), "--by", "anna")


def another_file(records: Path) -> tuple[Act, Act]:
    wider = BLIND.replace("at_most = 1.9", "at_most = 2.4")
    return freezing(records, "own.toml", BLIND), freezing(records, "wider.toml", wider)


def only_the_first_is_frozen(both: Both) -> None:
    both.one_is_refused("what is frozen stays")
    kept = frozen(both.records, "hand")
    assert kept is not None
    assert kept.sha256 == load_study(both.records.parent / "own.toml").sha256
    assert len(entries(both.records, AUDIT_NAME)) == 1


def the_same_file(records: Path) -> tuple[Act, Act]:
    return freezing(records, "own.toml", BLIND), freezing(records, "own.toml", BLIND)


def it_is_frozen_once(both: Both) -> None:
    both.both_are_done()
    assert len(entries(both.records, AUDIT_NAME)) == 1


def looking(records: Path) -> tuple[Act, Act]:
    for number, group in enumerate(("chime", "chime", "no-alert", "no-alert")):
        hand_record(records, f"Q0{number}", group, 0.5 + 0.2 * number)
    look = command("compare", str(records), "--unblind", "--json")
    return look, look


def each_look_has_its_number(both: Both) -> None:
    both.both_are_done()
    told = [json.loads(one.stdout)["audit"] for one in (both.first, both.second)]
    assert [(one["look"], one["fault"]) for one in told] == [(1, None), (2, None)]
    assert count_looks(both.records) == 2


def asked(records: Path, *words: str) -> Act:
    study = study_file(records, LOTS)
    return command("assign", "--study", study, "--records", str(records), "--by", "anna", *words)


def no_shows(records: Path) -> tuple[Act, Act]:
    return asked(records, "--no-show", "--json"), asked(records, "--no-show", "--json")


def each_is_told_its_own_number(both: Both) -> None:
    """By it a mistake is taken back: another's number would take back what another entered."""
    both.both_are_done()
    assert [json.loads(one.stdout)["number"] for one in (both.first, both.second)] == [1, 2]


def taking_back(records: Path) -> tuple[Act, Act]:
    assert asked(records, "--no-show")().returncode == 0
    back = asked(records, "--take-back", "1", "--words", "came late")
    return back, back


def it_is_taken_back_once(both: Both) -> None:
    both.one_is_refused("was taken back already")
    assert len(entries(both.records, ASKED_NAME)) == 2


def not_taking(records: Path) -> tuple[Act, Act]:
    hand_record(records, "Q01", None, text=LOTS)
    one = asked(records, "--excluded", "ill", "--participant", "Q01")
    return one, one


def who_is_not_taken_stands_there_once(both: Both) -> None:
    both.one_is_refused("as not taken already (number 1)")
    assert len(asked_of(both.records, "hand").not_taken) == 1


def sealing(records: Path) -> tuple[Act, Act]:
    return asked(records, "--prepare"), asked(records, "--prepare")


def one_order_is_sealed(both: Both) -> None:
    both.one_is_refused("is sealed already, and stays")
    lots = the_lots(both.records)
    assert sealed_root(both.records, "site") == lots.order.root
    assert lots.order.root in both.first.stdout
    assert len(entries(both.records, AUDIT_NAME)) == 1


def the_lots(records: Path) -> SealedLots:
    lots = sealed_lots(records, study_of(LOTS), "site")
    assert lots is not None
    return lots


def one_participant(records: Path) -> tuple[Act, Act]:
    prepare(records, study_of(LOTS), "site", "anna", 8)
    one = asked(records, "--participant", "Q01")
    return one, one


def one_lot_is_opened(both: Both) -> None:
    """Else whoever asks twice at once has two groups to choose from."""
    both.one_is_refused("Lot 1 was opened and has no record yet. If it was opened for Q01, say --lot 1")
    assert the_lots(both.records).opened() == [("", 1)]


def two_participants(records: Path) -> tuple[Act, Act]:
    prepare(records, study_of(LOTS), "site", "anna", 8)
    each = [asked(records, "--participant", code, "--lot", "next", "--json") for code in ("Q01", "Q02")]
    return each[0], each[1]


def each_has_a_lot(both: Both) -> None:
    both.both_are_done()
    assert [json.loads(one.stdout)["lot"] for one in (both.first, both.second)] == [1, 2]


def bound(records: Path, record: str) -> Called:
    lots = the_lots(records)
    return in_the_house(lambda: lots.bind(lots.opened_lot("", 1), record, "anna"))


def two_runs_of_one_lot(records: Path) -> tuple[Act, Act]:
    prepare(records, study_of(LOTS), "site", "anna", 8).open_next("", "anna")
    return partial(bound, records, "a" * 32), partial(bound, records, "b" * 32)


def the_second_run_is_told(both: Both) -> None:
    both.one_is_refused("Lot 1 of site site is used in another record (id aaaaaaaa…)")
    assert the_lots(both.records).used() == {("", 1): "a" * 32}


def ruling(records: Path) -> tuple[Act, Act]:
    path = str(hand_record(records, "Q01"))
    one = command("rule", path, "--trial", "1/gate-brake/1", "--verdict", "valid", "--by", "anna")
    return one, one


def each_that_is_done_is_there(both: Both) -> None:
    """Who comes too late to wait is told that another writes, and enters it again."""
    assert both.first.returncode == 0, both.first.stderr
    assert both.second.returncode == 0 or "is being written by process" in both.second.stderr
    (record,) = both.records.glob("*.run")
    found = addendum_of(record)
    assert found.faults() == []
    assert found.rulings == 1 + (both.second.returncode == 0)


AT_ONCE: dict[str, tuple[Callable[[Path], tuple[Act, Act]], Callable[[Both], None]]] = {
    "another file is frozen": (another_file, only_the_first_is_frozen),
    "the same file is frozen": (the_same_file, it_is_frozen_once),
    "looks": (looking, each_look_has_its_number),
    "no-shows": (no_shows, each_is_told_its_own_number),
    "a line is taken back": (taking_back, it_is_taken_back_once),
    "somebody is not taken": (not_taking, who_is_not_taken_stands_there_once),
    "lots are sealed": (sealing, one_order_is_sealed),
    "a lot for one participant": (one_participant, one_lot_is_opened),
    "a lot for each of two": (two_participants, each_has_a_lot),
    "two runs of one lot": (two_runs_of_one_lot, the_second_run_is_told),
    "rulings": (ruling, each_that_is_done_is_there),
}
QUICK = ("another file is frozen", "a lot for one participant")


@pytest.mark.parametrize("what", [pytest.param(one, marks=() if one in QUICK else pytest.mark.slow) for one in AT_ONCE])
def test_what_is_decided_by_a_shared_file_and_entered_in_it_is_one_step(what: str, tmp_path: Path) -> None:
    make, outcome = AT_ONCE[what]
    records = tmp_path / "records"
    records.mkdir()
    outcome(at_once(records, make(records)))
    for file in records.glob("*.jsonl"):
        assert chain_fault(file) is None


def test_there_is_one_way_to_enter_a_line_and_one_to_hold_a_lock() -> None:
    """Whatever else appended to a file beside the records, or locked it in a way of its own, would not be in the table
    above. A record's own parts and addenda have one writer, by the lock on their directory."""
    texts = {str(path.relative_to(PACKAGE)): path.read_text() for path in PACKAGE.rglob("*.py")}
    locks = {name for name, text in texts.items() if re.search(r"\bflock\b|\blockf\b", text)}
    assert locks == {"record/disk.py", "archive/chained_lines.py"}
    appends = {name for name, text in texts.items() if re.search(r"O_APPEND|open\([^)]*\"ab?\"", text)}
    assert appends == {
        "archive/chained_lines.py", "record/addendum.py", "record/placing.py", "record/stamping.py",
        "recorder/__main__.py",
    }  # fmt: skip

"""A look at responses is spent only where something can be given for it: every command that enters one, held against
everything that can be known beforehand to keep its output from being written."""

from __future__ import annotations

import fcntl
import multiprocessing
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from monitor.archive.chained_lines import chain_fault, entries
from monitor.archive.looks import AUDIT_NAME, Look, count_looks, enter_look
from monitor.commands.shared.printing import refuse_without_reader
from monitor.errors import WitnessError
from monitor.record.disk import DiskCalls
from monitor.reports.assigning.sealed import prepare, sealed_lots
from tests.commands.running import call, command
from tests.judging.hand import study_of
from tests.reports.making import REPORT_STUDY, unruled_records

EVERY_FORM = ("csv", "bids", "parquet", "cues")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return unruled_records(tmp_path_factory.mktemp("made") / "records")


@pytest.fixture
def records(made: Path, tmp_path: Path) -> Path:
    return shutil.copytree(made, tmp_path / "records")


def commands(records: Path, out: Path) -> dict[str, list[str]]:
    """Every command that enters a look, with what it writes at `out`."""
    unblind = ["--unblind", "--by", "x"]
    return {
        "report": ["report", str(records), "--out", str(out), *unblind],
        "compare": ["compare", str(records), *unblind],
        **{
            f"export {form}": ["export", str(records), "--to", form, "--out", str(out), *unblind] for form in EVERY_FORM
        },
    }


NAMES = tuple(commands(Path(), Path()))
QUICK = ("report", "compare", "export csv")
EACH = [pytest.param(one, marks=() if one in QUICK else pytest.mark.slow) for one in NAMES]
WRITES_A_FILE = [one for one in EACH if one.values != ("compare",)]


def is_there(out: Path) -> None:
    out.mkdir()
    (out / "something").write_text("")


def below_a_file(out: Path) -> None:
    out.parent.write_text("")


def name_too_long(out: Path) -> None:
    pass


def a_link_to_nothing(out: Path) -> None:
    out.symlink_to("nothing")


OUTS: dict[str, tuple[str, Callable[[Path], None]]] = {
    "is there": ("out", is_there),
    "below a file": ("file/out", below_a_file),
    "its name is too long": ("x" * 300, name_too_long),
    "where nothing can be made": ("/proc/out/x", name_too_long),
    "a link to nothing": ("out", a_link_to_nothing),
    "the file of looks itself": (f"records/{AUDIT_NAME}", name_too_long),
}


def test_the_table_has_every_command_that_unblinds() -> None:
    from monitor.commands.main import build_parser

    (commands_,) = (each for each in build_parser()._actions if each.dest == "command")
    assert isinstance(commands_.choices, dict)
    unblinding = {name for name, parser in commands_.choices.items() if "--unblind" in parser.format_help()}
    assert unblinding == {name.split()[0] for name in NAMES}


@pytest.mark.parametrize("name", EACH)
def test_where_it_can_be_written_one_look_is_spent(name: str, records: Path, tmp_path: Path) -> None:
    done = call(*commands(records, tmp_path / "out")[name])
    assert (done.returncode, count_looks(records)) == (0, 1), done.stderr
    if (tmp_path / "out").exists():
        assert not (tmp_path / "out").stat().st_mode & 0o077, "responses are for who looked, as the records are"


@pytest.mark.parametrize("name", WRITES_A_FILE)
@pytest.mark.parametrize("why", OUTS)
def test_where_it_cannot_be_written_none_is(name: str, why: str, records: Path, tmp_path: Path) -> None:
    where, make = OUTS[why]
    make(tmp_path / where)
    done = call(*commands(records, tmp_path / where)[name])
    assert done.returncode == 2
    assert "\n" not in done.stderr.strip()
    assert count_looks(records) == 0
    assert not (records / AUDIT_NAME).exists()


def a_link_to_an_empty_directory(out: Path) -> Path:
    (out.parent / "empty").mkdir()
    out.symlink_to("empty")
    return out


def anothers_directory(out: Path) -> Path:
    """As an export leaves it that was killed, or is at work; or with whatever somebody keeps there."""
    beside = out.with_name(f"{out.name}.unfinished")
    beside.mkdir()
    (beside / "something").write_text("kept")
    return beside / "something"


@pytest.mark.parametrize("make", [a_link_to_an_empty_directory, anothers_directory])
def test_an_export_that_could_not_take_its_place_spends_none(
    make: Callable[[Path], Path], records: Path, tmp_path: Path
) -> None:
    stays = make(tmp_path / "out")
    done = call(*commands(records, tmp_path / "out")["export csv"])
    assert (done.returncode, count_looks(records)) == (2, 0), done.stderr
    assert "is there already" in done.stderr
    assert stays.exists()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("name", WRITES_A_FILE)
def test_an_end_that_is_asked_for_leaves_no_file(
    name: str, number: signal.Signals, records: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def asked_to_end(*arguments: Any) -> Look:
        os.kill(os.getpid(), number)
        return Look(records / AUDIT_NAME, 1, None)

    monkeypatch.setattr("monitor.archive.looks.enter_look", asked_to_end)
    done = call(*commands(records, tmp_path / "out")[name])
    assert (done.returncode, done.stdout) == (128 + number, "")
    assert [one.name for one in tmp_path.iterdir()] == ["records"]


def no_space(*arguments: Any) -> None:
    raise OSError(28, "No space left on device")


def no_library(name: str) -> Callable[[pytest.MonkeyPatch], None]:
    return lambda patch: patch.setitem(sys.modules, name, None)


def full_disk(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(os, "posix_fallocate", no_space)


LACKING: tuple[tuple[str, Callable[[pytest.MonkeyPatch], None], str], ...] = (
    ("report", no_library("scipy"), "needs scipy"),
    ("compare", no_library("scipy"), "needs scipy"),
    ("export parquet", no_library("pyarrow"), "needs pyarrow"),
    ("report", full_disk, "No space left"),
    ("export csv", full_disk, "No space left"),
)


@pytest.mark.parametrize(("name", "lack", "said"), LACKING)
def test_where_a_library_or_the_room_is_missing_none_is(
    name: str,
    lack: Callable[[pytest.MonkeyPatch], None],
    said: str,
    records: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lack(monkeypatch)
    done = call(*commands(records, tmp_path / "out")[name])
    assert (done.returncode, count_looks(records)) == (2, 0)
    assert said in done.stderr
    assert not (tmp_path / "out").exists()
    assert list(tmp_path.glob("*.unfinished")) == []


@pytest.mark.parametrize("name", EACH)
def test_where_the_look_cannot_be_entered_nothing_is_given(name: str, records: Path, tmp_path: Path) -> None:
    (records / AUDIT_NAME).mkdir()
    done = call(*commands(records, tmp_path / "out")[name])
    assert (done.returncode, done.stdout) == (2, "")
    assert not (tmp_path / "out").exists()
    assert list(tmp_path.glob("*.unfinished")) == []


@pytest.mark.parametrize("closed", [">&-", "| true"])
def test_where_nobody_reads_what_compare_would_say_none_is(closed: str, records: Path) -> None:
    # `true` is gone long before the records are judged; where it is not yet, the look is spent rightly
    line = " ".join(command(*commands(records, Path())["compare"]))
    done = subprocess.run(["bash", "-c", f"{line} {closed}"], capture_output=True, text=True, timeout=120, check=False)
    assert count_looks(records) == 0, done.stderr
    assert "no look is entered" in done.stderr


def test_where_the_disk_of_standard_output_is_full_none_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.statvfs(tmp_path)
    full = os.statvfs_result((*real[:4], 0, *real[5:]))  # f_bavail
    monkeypatch.setattr(os, "fstatvfs", lambda descriptor: full)
    with (tmp_path / "said").open("w") as said:
        with pytest.raises(WitnessError, match="is full: no look is entered"), redirect_stdout(said):
            refuse_without_reader("no look is entered")
    unknown = os.statvfs_result((*real[:2], 0, 0, 0, *real[5:]))  # as of a disk without a limit, and some on a network
    monkeypatch.setattr(os, "fstatvfs", lambda descriptor: unknown)
    with (tmp_path / "said").open("w") as said, redirect_stdout(said):
        refuse_without_reader("no look is entered")


def test_a_look_that_does_not_fit_on_the_disk_leaves_the_file_as_it_was(
    records: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    enter_look(records, "anna", "compare", {}, {})
    before = (records / AUDIT_NAME).read_bytes()

    def half(disk: DiskCalls, descriptor: int, data: bytes) -> None:
        os.write(descriptor, data[: len(data) // 2])
        no_space()

    with monkeypatch.context() as patch:
        patch.setattr("monitor.archive.chained_lines.write_whole", half)
        with pytest.raises(WitnessError, match="nothing can be entered"):
            enter_look(records, "ben", "compare", {}, {})
    assert (records / AUDIT_NAME).read_bytes() == before
    assert enter_look(records, "ben", "compare", {}, {}).fault is None


def enter_some(records: Path, by: str) -> None:
    for _ in range(20):
        enter_look(records, by, "compare", {}, {})


def test_a_lock_that_nobody_lets_go_of_is_not_waited_for_for_ever(
    records: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.record.disk.LOCK_PAUSE_S", 0.0)
    enter_look(records, "x", "compare", {}, {})
    with open(records / AUDIT_NAME) as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        with pytest.raises(WitnessError, match="another process has been entering one"):
            enter_look(records, "x", "compare", {}, {})
    assert count_looks(records) == 1


def test_looks_that_are_entered_at_once_follow_each_other(records: Path) -> None:
    context = multiprocessing.get_context("spawn")
    processes = [context.Process(target=enter_some, args=(records, by)) for by in ("anna", "ben", "cleo")]
    for process in processes:
        process.start()
    for process in processes:
        process.join()
    assert [one["look"] for one in entries(records, AUDIT_NAME)] == list(range(1, 61))
    assert chain_fault(records / AUDIT_NAME) is None


@pytest.mark.parametrize("closed", [">&-", "| true"])
def test_where_nobody_reads_whose_group_it_is_no_lot_is_opened(closed: str, tmp_path: Path) -> None:
    text = REPORT_STUDY.replace("[groups.chime]", '[assignment]\nmethod = "blocks"\nblock_sizes = [2]\n[groups.chime]')
    study, records = tmp_path / "study.toml", tmp_path / "records"
    study.write_text(text)
    prepare(records, study_of(text), "site", "anna")
    line = " ".join(command("assign", "--study", str(study), "--records", str(records), "--participant", "Q01"))
    done = subprocess.run(["bash", "-c", f"{line} {closed}"], capture_output=True, text=True, timeout=120, check=False)
    lots = sealed_lots(records, study_of(text), "site")
    assert lots is not None
    assert lots.opened() == [], done.stderr
    assert "no lot is opened" in done.stderr

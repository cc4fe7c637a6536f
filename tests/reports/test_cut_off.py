"""A command that writes what a look was spent for is killed at any moment: nothing that is half made stands under the
name that was asked for, what is left is for nobody else's eyes, and the next run says what it is."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.archive.looks import count_looks
from tests.commands.running import call
from tests.reports.making import unruled_records

KILLED = """
import os, signal, sys
from importlib import import_module
from monitor.commands.main import main

def killed(*arguments):
    os.kill(os.getpid(), signal.SIGKILL)

where, when = sys.argv[1:3]
module, _, name = where.rpartition(".")
module = import_module(module)
real = getattr(module, name)

def done_and_killed(*arguments, **more):
    real(*arguments, **more)
    killed()

setattr(module, name, killed if when == "before" else done_and_killed)
main(sys.argv[3:])
"""
LOOK, ROOM = "monitor.archive.looks.enter_look", "monitor.named_files._reserve"
REPORT = ("report", "{records}", "--out", "{out}", "--unblind", "--by", "x")
EXPORT = ("export", "{records}", "--out", "{out}", "--unblind", "--by", "x", "--to")
MOMENTS = {
    "report: the room is taken": (REPORT, ROOM, "after"),
    "report: the look is to be entered": (REPORT, LOOK, "before"),
    "report: the look is entered": (REPORT, LOOK, "after"),
    "report: the page is written and not synced": (REPORT, "monitor.named_files.give_its_name", "before"),
    "export: the room is taken": ((*EXPORT, "csv"), ROOM, "after"),
    "export: the look is entered": ((*EXPORT, "csv"), LOOK, "after"),
    "csv: half of its files are there": ((*EXPORT, "csv"), "monitor.reports.export.csv.write_tables", "before"),
    "csv: all but its name": ((*EXPORT, "csv"), "monitor.reports.export.export.give_its_name", "before"),
    "bids: all but its name": ((*EXPORT, "bids"), "monitor.reports.export.export.give_its_name", "before"),
    "parquet: all but its name": ((*EXPORT, "parquet"), "monitor.reports.export.export.give_its_name", "before"),
    "cues: the look is entered": ((*EXPORT, "cues"), LOOK, "after"),
}
QUICK = ("report: the look is entered", "csv: half of its files are there")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return unruled_records(tmp_path_factory.mktemp("made") / "records")


@pytest.fixture
def records(made: Path, tmp_path: Path) -> Path:
    return shutil.copytree(made, tmp_path / "records")


def filled(words: tuple[str, ...], records: Path, out: Path) -> list[str]:
    return [word.format(records=records, out=out) for word in words]


def kill(where: str, when: str, words: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-c", KILLED, where, when, *words], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == -signal.SIGKILL, done.stderr


@pytest.mark.parametrize(
    "moment", [pytest.param(one, marks=() if one in QUICK else pytest.mark.slow) for one in MOMENTS]
)
def test_what_a_kill_leaves_says_what_it_is_and_is_for_nobody_else(moment: str, records: Path, tmp_path: Path) -> None:
    asked, where, when = MOMENTS[moment]
    out, left = tmp_path / "out", tmp_path / "out.unfinished"
    words = filled(asked, records, out)
    kill(where, when, words)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["out.unfinished", "records"]
    assert not left.stat().st_mode & 0o077
    spent = count_looks(records)
    assert spent == (0 if "look is to be entered" in moment or "room" in moment else 1)
    again = call(*words)
    assert (again.returncode, again.stdout, count_looks(records)) == (2, "", spent)
    assert "\n" not in again.stderr.strip()
    for said in (
        str(left),
        "not whole",
        "may hold responses",
        "look that was entered for it counts",
        "remove it by hand",
    ):
        assert said in again.stderr
    if left.is_dir():
        shutil.rmtree(left)
    else:
        left.unlink()
    once_more = call(*words)
    assert (once_more.returncode, count_looks(records)) == (0, spent + 1), once_more.stderr
    assert sorted(one.name for one in tmp_path.iterdir()) == ["out", "records"]


@pytest.mark.slow
@pytest.mark.parametrize("words", [REPORT, (*EXPORT, "csv")])
def test_what_has_its_name_is_whole(words: tuple[str, ...], records: Path, tmp_path: Path) -> None:
    module = "monitor.named_files" if words == REPORT else "monitor.reports.export.export"
    kill(f"{module}.give_its_name", "after", filled(words, records, tmp_path / "out"))
    assert call(*filled(words, records, tmp_path / "other")).returncode == 0
    assert sorted(one.name for one in tmp_path.iterdir()) == ["other", "out", "records"]
    if words == REPORT:
        assert (tmp_path / "out").read_text().endswith((tmp_path / "other").read_text()[-20:])
    else:
        assert {one.name for one in (tmp_path / "out").iterdir()} == {
            one.name for one in (tmp_path / "other").iterdir()
        }


@pytest.mark.parametrize("words", [REPORT, pytest.param((*EXPORT, "csv"), marks=pytest.mark.slow)])
def test_what_a_look_was_spent_for_stays_where_its_name_was_taken_meanwhile(
    words: tuple[str, ...], records: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from monitor.archive import looks

    real = looks.enter_look

    def taken(*arguments: object) -> object:
        out = tmp_path / "out"
        out.mkdir()
        (out / "anothers").write_text("mine")
        return real(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(looks, "enter_look", taken)
    done = call(*filled(words, records, tmp_path / "out"))
    assert (done.returncode, count_looks(records)) == (2, 1)
    assert "which is whole and stays as" in done.stderr
    left = tmp_path / "out.unfinished"
    assert not left.stat().st_mode & 0o077
    assert (left / "trials.csv").exists() if left.is_dir() else left.read_text().rstrip().endswith("</html>")
    assert [one.name for one in (tmp_path / "out").iterdir()] == ["anothers"]

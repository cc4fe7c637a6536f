"""A command that writes what a look was spent for is killed at any moment: nothing that is half made stands under the
name that was asked for, what is left is for nobody else's eyes, and the next run says what it is."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from monitor.archive.looks import count_looks, cut_off_looks, enter_look
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


COMPARE = ("compare", "{records}", "--unblind", "--by", "x")
LINES = "monitor.reports.comparison.text.comparison_lines"
OF_COMPARE = {
    "compare: the look is to be entered": (COMPARE, LOOK, "before"),
    "compare: the look is entered": (COMPARE, LOOK, "after"),
    "compare: all but its lines": (COMPARE, LINES, "before"),
}
COUNTS = (
    "was entered by a command that was cut off, as by a power cut, before all of it was shown or written: it counts."
)


@pytest.mark.parametrize("next_one", [COMPARE, pytest.param(REPORT, marks=pytest.mark.slow)])
@pytest.mark.parametrize("moment", OF_COMPARE)
def test_a_look_of_a_comparison_that_was_killed_is_told_at_the_next_one_and_once(
    moment: str, next_one: tuple[str, ...], records: Path, tmp_path: Path
) -> None:
    asked, where, when = OF_COMPARE[moment]
    kill(where, when, filled(asked, records, tmp_path))
    spent = count_looks(records)
    assert spent == (0 if "to be" in moment else 1)
    again = call(*filled(next_one, records, tmp_path / "out"))
    assert (again.returncode, count_looks(records)) == (0, spent + 1), again.stderr
    assert again.stderr.count(f"Look 1 {COUNTS}") == spent
    assert COUNTS not in call(*filled(COMPARE, records, tmp_path)).stderr
    assert not list(records.glob("*.unfinished"))


def test_of_a_look_that_is_being_shown_nobody_is_told(tmp_path: Path) -> None:
    looks = [enter_look(tmp_path, "x", "compare", {}, {}) for _ in range(2)]
    assert cut_off_looks(tmp_path) == []
    assert looks[0].held is not None
    os.close(looks[0].held)  # as the end of its process does
    assert cut_off_looks(tmp_path) == [f"Look 1 {COUNTS}"]
    looks[1].let_go()
    assert cut_off_looks(tmp_path) == []


def interrupting(patch: pytest.MonkeyPatch, where: str, when: str, number: int) -> None:
    """Sends this process a signal before or after a function does what it does."""
    module_name, _, name = where.rpartition(".")
    module = import_module(module_name)
    real = getattr(module, name)

    def interrupted(*arguments: Any, **more: Any) -> Any:
        if when == "before":
            os.kill(os.getpid(), number)
        done = real(*arguments, **more)
        if when == "after":
            os.kill(os.getpid(), number)
        return done

    patch.setattr(module, name, interrupted)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize(
    "moment",
    [pytest.param(one, marks=() if one in QUICK else pytest.mark.slow) for one in {**MOMENTS, **OF_COMPARE}],
)
def test_whoever_is_interrupted_says_what_has_its_name_and_that_the_look_counts(
    moment: str, number: signal.Signals, records: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked, where, when = {**MOMENTS, **OF_COMPARE}[moment]
    interrupting(monkeypatch, where, when, number)
    out = tmp_path / "out"
    done = call(*filled(asked, records, out))
    assert (done.returncode, done.stdout) == (128 + number, "")
    spent = 0 if "room is taken" in moment else 1  # to enter it is one step, which is not left half done
    assert count_looks(records) == spent
    said = [f"Interrupted: nothing has the name {out}, and nothing is left of what was written."]
    said = [] if asked is COMPARE else said
    said += [f"Look 1 is entered in {records / 'unblinding.jsonl'}, and counts."] * spent
    assert done.stderr.strip() == " ".join(said)
    assert [one.name for one in tmp_path.iterdir()] == ["records"]
    assert not list(records.glob("*.unfinished"))


@pytest.mark.parametrize("words", [REPORT, pytest.param((*EXPORT, "csv"), marks=pytest.mark.slow)])
def test_whoever_is_interrupted_once_it_has_its_name_says_so(
    words: tuple[str, ...], records: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    module = "monitor.named_files" if words == REPORT else "monitor.reports.export.export"
    interrupting(monkeypatch, f"{module}.give_its_name", "after", signal.SIGTERM)
    done = call(*filled(words, records, tmp_path / "out"))
    assert done.returncode == 143
    assert f"Interrupted: {tmp_path / 'out'} stands there, whole. Look 1 is entered" in done.stderr
    assert sorted(one.name for one in tmp_path.iterdir()) == ["out", "records"]


def test_an_interrupted_export_of_nothing_hidden_says_that_nothing_has_its_name(
    records: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    interrupting(monkeypatch, "monitor.reports.export.export.read_whole", "before", signal.SIGTERM)
    done = call("export", str(records), "--to", "csv", "--out", str(tmp_path / "out"))
    assert done.returncode == 143
    assert (
        done.stderr
        == f"Interrupted: nothing has the name {tmp_path / 'out'}, and nothing is left of what was written.\n"
    )


def test_what_fails_after_its_look_was_entered_says_that_it_counts(
    records: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_space(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("monitor.reports.export.csv.write_tables", no_space)
    done = call(*filled((*EXPORT, "csv"), records, tmp_path / "out"))
    assert done.returncode == 2
    assert done.stderr.splitlines()[0] == f"Look 1 is entered in {records / 'unblinding.jsonl'}, and counts."
    assert "No space left on device" in done.stderr

"""A command whose outputs are closed, full, or read by nobody: it ends with a status and a sentence where somebody can
read it, and what it opens never takes the place of what was closed."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.archive.looks import count_looks
from tests.commands.running import command
from tests.reports.making import unruled_records

FIXTURES = Path(__file__).resolve().parents[2] / "replay_fixtures"


def closed(_: Path) -> int | None:
    return None


def full(_: Path) -> int | None:
    return os.open("/dev/full", os.O_WRONLY)


def read_by_nobody(_: Path) -> int | None:
    reader, writer = os.pipe()
    os.close(reader)
    return writer


def kept(out: Path) -> int | None:
    return os.open(out, os.O_WRONLY | os.O_CREAT)


Output = Callable[[Path], int | None]
DEAD: dict[str, tuple[Output, Output]] = {
    "output closed": (closed, kept),
    "diagnostics closed": (kept, closed),
    "both closed": (closed, closed),
    "output full": (full, kept),
    "diagnostics full": (kept, full),
    "both full": (full, full),
    "output read by nobody": (read_by_nobody, kept),
    "diagnostics read by nobody": (kept, read_by_nobody),
    "both read by nobody": (read_by_nobody, read_by_nobody),
}
COMMANDS = {
    "said": ("review", "{records}"),
    "as JSON": ("tally", "{records}", "--json"),
    "refused": ("tally", "/nowhere"),
    "of an unreadable record": ("verify", "{records}/nowhere.run"),
}


def run(words: list[str], out: Output, err: Output, directory: Path) -> tuple[int, str, str]:
    """Runs a command with such outputs; its status, and what came through where they are kept."""
    ends = [out(directory / "out"), err(directory / "err")]
    missing = [number for number, end in zip((1, 2), ends, strict=True) if end is None]

    def close_missing() -> None:
        for number in missing:
            os.close(number)

    process = subprocess.Popen(
        command(*words),
        stdin=subprocess.DEVNULL,
        stdout=ends[0],
        stderr=ends[1],
        preexec_fn=close_missing if missing else None,
    )
    for end in ends:
        if end is not None:
            os.close(end)
    status = process.wait(90)
    texts = [path.read_text() if path.exists() else "" for path in (directory / "out", directory / "err")]
    return status, texts[0], texts[1]


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("records")
    shutil.copytree(FIXTURES / "clean.run", directory / "Q01-clean.run")
    return directory


@pytest.mark.parametrize("dead", [pytest.param(one, marks=() if "closed" in one else pytest.mark.slow) for one in DEAD])
@pytest.mark.parametrize("name", COMMANDS)
def test_it_ends_with_a_status_and_a_sentence(name: str, dead: str, records: Path, tmp_path: Path) -> None:
    words = [word.format(records=records) for word in COMMANDS[name]]
    whole = {path: path.read_bytes() for path in records.rglob("*") if path.suffix == ".twr"}
    out, err = DEAD[dead]
    status, said, troubles = run(words, out, err, tmp_path)
    assert "Traceback" not in troubles
    fails = name in ("refused", "of an unreadable record")
    if fails:
        assert status == 2
        assert ("nowhere" in troubles) == (err is kept)
    elif out is kept or out is closed:  # who closes it wants nothing of it
        assert (status, troubles) == (0, "")
        assert (said != "") == (out is kept)
    else:
        assert status == (141 if out is read_by_nobody else 2)
    assert {path: path.read_bytes() for path in whole} == whole


@pytest.mark.slow
@pytest.mark.parametrize("dead", [one for one in DEAD if one.startswith(("output", "both"))])
def test_no_look_is_spent_for_what_nobody_can_read(dead: str, tmp_path: Path) -> None:
    records = unruled_records(tmp_path / "records")
    out, err = DEAD[dead]
    status, said, troubles = run(["compare", str(records), "--unblind", "--by", "x"], out, err, tmp_path)
    spent = count_looks(records)
    assert "Traceback" not in troubles
    assert said == ""
    if out is full:  # a device that says nothing of its room before it is written to
        assert (status, spent) == (2, 1)
        assert ("Look 1 is entered in" in troubles) == (err is kept)
    else:
        assert (status, spent) == (2, 0)

"""What is judged otherwise than it was shown is listed with the reason, and nothing else is."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.archive.shown import compare_with_shown
from monitor.record.addendum import append_addendum
from monitor.record.entries import EntryKind, pack_frames, pack_operator
from monitor.record.writer import RecordWriter
from tests.judging.hand import STUDY, HandDrive, opening_of, study_of

ROOT = Path(__file__).resolve().parents[2]
TRIAL = "1/gate-brake/1"
NARROW = STUDY.replace("at_most = 1.9", "at_most = 1.4")


def shown(verdict: str, stage: str = "final", trial: str = TRIAL) -> dict[str, Any]:
    return {"type": "shown", "trial": trial, "verdict": verdict, "stage": stage, "key": f"{trial}{stage}{verdict}"}


def record(folder: Path, *operator: dict[str, Any], code: str = "Q01") -> Path:
    """A valid drive, with what its screen entered at the end."""
    path = folder / f"{code}-20261003T101500Z-0a1b.run"
    opening = opening_of(study_of(), participant=code)
    opening.versions["trialwitness"] = "0.0.9"
    writer = RecordWriter.create(path, opening)
    for _, frames in HandDrive(rate_hz=20.0).messages():
        writer.append(EntryKind.MESSAGE, pack_frames(frames))
    for place, fields in enumerate(operator):
        writer.append(EntryKind.OPERATOR, pack_operator({"by": "screen", "wall": float(place), **fields}))
    writer.close("test")
    return path


def test_a_trial_shown_as_it_is_judged_now_is_not_listed(tmp_path: Path) -> None:
    compared = compare_with_shown(record(tmp_path, shown("undecided", "fired"), shown("valid")))
    assert (compared.trials, compared.changed, compared.not_shown) == (1, (), ())


def test_a_trial_judged_otherwise_is_listed_with_what_makes_it_so(tmp_path: Path) -> None:
    path = record(tmp_path, shown("valid"))
    (changed,) = compare_with_shown(path, study_of(NARROW)).changed
    assert changed.sentence("0.0.9") == (
        f"{TRIAL}: shown then, program 0.0.9: valid; judged now: invalid, time gap: not met"
    )
    append_addendum(
        path, {"type": "ruling", "trial": TRIAL, "verdict": "valid", "reason": "deviation-accepted", "by": "x"}
    )
    (ruled,) = compare_with_shown(path, study_of(NARROW)).changed
    assert ruled.sentence("0.0.9").endswith("judged now: invalid, time gap: not met; ruled valid, which stands")


@pytest.mark.parametrize(
    ("entries", "changes"),
    [
        ((shown("undecided", "fired"),), 0),  # its windows were open: nothing was said as certain
        ((shown("invalid", "fired"),), 1),  # certain already
        ((shown("invalid"), shown("valid")), 0),  # the last one counts
        ((shown("valid"), shown("valid", trial="1/gate-brake/2")), 1),  # a trial that is none any more
        ((), 0),
    ],
)
def test_what_was_certain_and_shown_last_is_compared(
    tmp_path: Path, entries: tuple[dict[str, Any], ...], changes: int
) -> None:
    compared = compare_with_shown(record(tmp_path, *entries))
    assert len(compared.changed) == changes
    assert (compared.not_shown == (TRIAL,)) is (
        not any(one["stage"] == "final" or one["verdict"] == "invalid" for one in entries)
    )


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "monitor", "review", *arguments]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120)


@pytest.mark.slow
def test_the_command_lists_them_over_an_archive(tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    archive.mkdir()
    for place, entry in enumerate((shown("valid"), shown("invalid"), shown("undecided", "fired"))):
        record(archive, entry, code=f"Q0{place}")
    told = run(str(archive), "--changes")
    assert told.returncode == 0, told.stderr
    assert told.stdout.splitlines() == [
        f"{archive}/Q01-20261003T101500Z-0a1b.run  {TRIAL}: shown then, program 0.0.9: invalid; judged now: valid",
        "3 records, 3 trials: 1 judged otherwise than shown, 1 never shown as final",
    ]
    documents = json.loads(run(str(archive), "--changes", "--json", "--jobs", "2").stdout)
    assert [len(one["changed"]) for one in documents] == [0, 1, 0]
    assert documents[1]["changed"][0] == {"trial": TRIAL, "shown": "invalid", "now": "valid", "why": [], "ruled": None}

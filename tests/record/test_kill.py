"""kill -9 of the process that writes, for real."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.record.entries import EntryKind, unpack_map
from monitor.record.recovery import recover_record
from monitor.record.verify import verify_record
from tests.record.conftest import Record

SCRIPT = Path(__file__).parent / "kill_rounds.py"
TOP = Path(__file__).parents[2]


def run_rounds(path: Path, rounds: int, seed: int) -> dict[str, int]:
    command = [sys.executable, str(SCRIPT), str(path), str(rounds), str(seed)]
    done = subprocess.run(
        command, capture_output=True, text=True, timeout=300, env={"PYTHONPATH": str(TOP)}, check=False
    )
    assert done.returncode == 0, done.stderr
    told: dict[str, int] = json.loads(done.stdout)
    return told


def wanted_payload(number: int) -> bytes:
    spec = importlib.util.spec_from_file_location("kill_rounds", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    made: bytes = module.payload(number)
    return made


@pytest.mark.parametrize("rounds", [25, pytest.param(200, marks=pytest.mark.slow)])
def test_killed_rounds_lose_nothing_that_was_appended(tmp_path: Path, rounds: int) -> None:
    path = tmp_path / "Q01-20250615T145320Z-00dd.run"
    told = run_rounds(path, rounds, seed=rounds)
    assert told["rounds_with_loss"] == 0
    assert told["parts"] > rounds // 2  # each round that came so far went on in a part of its own
    entries, files = Record(path).read()
    assert [entry.number for entry in entries] == list(range(1, len(entries) + 1))
    # what is on disk may be told of before the append that it came with is: another thread tells it
    assert len(entries) >= max(told["appended"], told["acknowledged"])
    assert files.damage == []
    messages = [entry for entry in entries if entry.kind in (EntryKind.MESSAGE, EntryKind.OPERATOR)]
    assert all(entry.payload == wanted_payload(entry.number) for entry in messages[:: max(1, len(messages) // 200)])
    begun = [unpack_map(entry.payload)["why"] for entry in entries if entry.kind == EntryKind.PART]
    assert set(begun) == {"the recorder was started again"}
    assert not verify_record(path).ok
    assert recover_record(path).was == "open"
    assert verify_record(path).ok

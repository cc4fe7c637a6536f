"""Death at each call to the system while a run is closed, gone on with, recovered, sealed, withdrawn."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parent / "die_at.py"
TOP = Path(__file__).parents[2]


@pytest.mark.parametrize(
    ("what", "least"), [("close", 4), ("resume", 5), ("recover", 8), ("seal", 12), ("withdraw", 6)]
)
def test_death_at_any_call_leaves_a_record_that_the_next_try_brings_to_its_end(tmp_path, what: str, least: int) -> None:
    command = [sys.executable, str(SCRIPT), what, str(tmp_path)]
    done = subprocess.run(
        command, capture_output=True, text=True, timeout=120, env={"PYTHONPATH": str(TOP)}, check=False
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["wrong"] == [], done.stderr
    assert told["deaths"] >= least

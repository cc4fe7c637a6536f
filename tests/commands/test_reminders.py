"""A limit of driving time that is near, then passed, is said once each and entered in the record, by who writes."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from tests.commands.running import call, command, simulator, the_record
from tests.commands.test_whole_day import STUDY

LIMITS = "since_break_min = 45\ntotal_min = 90\nbreak_min = 5\nnear_min = 10"


@pytest.mark.slow
def test_each_step_of_a_limit_is_entered_once(tmp_path: Path) -> None:
    """The drive takes 70 s: from 0.6 min on the limit of 0.9 min is near, then it is passed."""
    text = STUDY.read_text(encoding="utf-8")
    assert LIMITS in text
    study = tmp_path / "study.toml"
    study.write_text(text.replace(LIMITS, "since_break_min = 0.9\nnear_min = 0.3"), encoding="utf-8")
    records = tmp_path / "records"
    with simulator("--scenario", "practice", speed=8.0) as endpoint:  # 18 s from near to passed
        done = subprocess.run(
            command(
                *("watch", "--headless", "--json", "--until-end", "--study", str(study), "--feed", endpoint),
                *("--participant", "Q07", "--records", str(records), "--by", "anna"),
            ),
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout.splitlines()[-1])
    said = [note["text"] for note in document["notes"] if note["text"].startswith("reminded")]
    assert said == ["reminded: 1 min driven since the last break, the study's limit is 0.9 min"] * 2
    shown = call("safety", str(the_record(records)), "--json")
    (session,) = json.loads(shown.stdout)["sessions"]
    assert len(session["reminded"]) == 2

"""`review` of several records at a time says what it says of one after the other."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.commands.running import Called, call

ROOT = Path(__file__).resolve().parents[2]
RECORDS = [str(ROOT / "replay_fixtures" / f"{name}.run") for name in ("clean", "damaged", "drifting")]


def review(*arguments: str) -> Called:
    return call("review", *arguments)


@pytest.mark.slow
def test_several_at_a_time_give_the_same_words_in_the_same_order() -> None:
    one, several = (review("--jobs", jobs, *RECORDS) for jobs in ("1", "3"))
    assert one.stdout == several.stdout
    assert one.stdout.count("participant Q01") == 3
    assert one.stderr == several.stderr
    assert "damaged.run" in one.stderr
    assert one.returncode == several.returncode == 1


@pytest.mark.slow
def test_several_at_a_time_give_the_same_document() -> None:
    one, several = (json.loads(review("--json", "--jobs", jobs, *RECORDS[:2]).stdout) for jobs in ("1", "2"))
    assert one == several
    assert [document["record"] for document in one] == RECORDS[:2]


def test_a_path_that_is_no_record_is_refused_with_its_sentence() -> None:
    refused = review("--jobs", "2", RECORDS[0], "/nowhere")
    assert refused.returncode == 2
    assert (
        refused.stderr.strip()
        == "/nowhere holds no run record that can be read: neither part-0001.twr nor record.sealed is there."
    )
    faulty = review("--jobs", "2", "--study", "/nowhere.toml", *RECORDS)
    assert faulty.returncode == 2
    assert "/nowhere.toml" in faulty.stderr

"""`simulate` by itself: where it publishes, then what happens, on stderr or as JSON lines."""

from __future__ import annotations

import json
from pathlib import Path

from tests.commands.running import call, run


def test_it_says_its_endpoint_once_and_then_what_happens(tmp_path: Path) -> None:
    endpoint = f"ipc://{tmp_path}/feed"
    done = run("simulate", "--bind", endpoint, "--speed", "200", "--rate", "5")
    assert done.returncode == 0, done.stderr
    assert done.stdout == ""
    assert done.stderr.splitlines() == [
        f"publishing at {endpoint}",
        "The drive dusk-road-clean-seed1 begins.",
        "The drive dusk-road-clean-seed1 has ended.",
    ]
    lines = [
        json.loads(line) for line in run("simulate", "--json", "--speed", "200", "--rate", "5").stdout.splitlines()
    ]
    assert [line["type"] for line in lines] == ["bound", "said", "said"]
    assert lines[0]["endpoint"].startswith("tcp://127.0.0.1:")
    assert lines[2]["sentence"] == "The drive dusk-road-clean-seed1 has ended."


def test_an_endpoint_that_cannot_be_bound_is_one_sentence() -> None:
    done = call("simulate", "--bind", "tcp://192.0.2.1:5600")  # RFC 5737: an address that no machine has
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "cannot be bound to tcp://192.0.2.1:5600" in done.stderr

"""The exercise over real processes: played by a script, kept apart, refused beside a participant."""

from __future__ import annotations

import json
import os
import signal
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.commissioning.drill.cases import draw_series
from monitor.recorder.running import find_running
from tests.commands.running import call, end_as_it_begins, run, simulator, watching
from tests.waiting import wait_for

SEED = 5


@pytest.fixture(autouse=True)
def _alone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """What else is recorded on this machine is not this test's."""
    with tempfile.TemporaryDirectory(prefix="dr-", dir="/tmp") as folder:
        monkeypatch.setenv("XDG_RUNTIME_DIR", folder)
        yield


@pytest.mark.slow(seconds=25)
def test_a_script_that_reacts_after_a_set_time_gets_the_score_that_follows(tmp_path: Path) -> None:
    playing = ("drill", "--headless", "--drives", "2", "--seed", str(SEED), "--by", "ann", "--records", str(tmp_path))
    done = run(*playing, "--reacts-after", "1", "--speed", "2", "--json", timeout=300)
    assert done.returncode == 0, done.stderr
    page = json.loads(done.stdout)
    assert [one["case"] for one in page["drives"]] == [one.case.name for one in draw_series(SEED, 2)]
    score = page["score"]
    assert score["saved"] == 1
    assert score["seconds_to_hold_back"] >= 1.0
    assert score["seconds_to_rule"] >= 1.0
    assert score["seconds_to_hold_back"] < 3.0
    counts = ("could_have_been_saved", "good_ones_stopped", "wrong_rulings", "not_ruled_on", "held_without_a_note")
    assert {score[name] for name in counts} == {0}
    assert page["last"] is None

    kept = sorted((tmp_path / "drills" / "ann").glob("*/*.run"))
    assert [one.name[:8] for one in kept] == ["DRILL-01", "DRILL-02"]
    reviewed = [json.loads(call("review", "--json", str(one)).stdout)[0]["trials"] for one in kept]
    outcomes = {one["case"]: one["verdict"] for one in page["drives"]}
    assert outcomes["clean"] == "valid"
    assert all(call("verify", str(one)).returncode == 0 for one in kept)
    assert {trial["effective"] for trials in reviewed for trial in trials} >= {"valid"}

    tally = call("tally", str(tmp_path), "--json")
    assert "drill" not in tally.stdout.lower()
    assert find_running(tmp_path) == []
    last = call("drill", "--last", "--by", "ann", "--records", str(tmp_path))
    assert "EXERCISE of ann: 2 drives" in last.stdout
    assert call("drill", "--forget", "--by", "ann", "--records", str(tmp_path)).returncode == 0
    assert list((tmp_path / "drills").iterdir()) == []
    assert call("drill", "--last", "--by", "ann", "--records", str(tmp_path)).returncode == 2


@pytest.mark.slow
def test_no_exercise_while_somebody_is_recorded_here(tmp_path: Path) -> None:
    with simulator(speed=1.0) as endpoint, watching(endpoint, tmp_path / "elsewhere"):
        (running,) = wait_for(lambda: find_running(tmp_path / "elsewhere"))
        refused = call("drill", "--headless", "--reacts-after", "1", "--by", "ann", "--records", str(tmp_path))
        assert refused.returncode == 2
        assert f"No exercise while something is recorded here: {running.record.name}." in refused.stderr
        assert not (tmp_path / "drills").exists()
        os.kill(running.pid, signal.SIGTERM)


@pytest.mark.slow
def test_what_makes_no_exercise_is_said(tmp_path: Path) -> None:
    for arguments, said in (
        (("--drives", "0"), "must be from 1 to 40"),
        (("--headless",), "needs --reacts-after"),
        (("--reacts-after", "2"), "needs --reacts-after"),
        (("--speed", "2"), "a person exercises in real time"),
        (("--by", "../x"), "cannot be part of a file name"),
        ((), "drill needs a terminal"),
        (("--last", "--by", "nobody"), "keeps no exercise of nobody"),
    ):
        done = call("drill", "--records", str(tmp_path), *arguments)
        assert (done.returncode, said in done.stderr) == (2, True), done.stderr


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_an_exercise_that_has_only_begun_leaves_nothing_that_is_recorded(
    number: signal.Signals, tmp_path: Path
) -> None:
    """Its recorder was closed by nobody but the next exercise."""
    end_as_it_begins(("drill", "--headless", "--reacts-after", "1", "--drives", "1"), number, tmp_path)

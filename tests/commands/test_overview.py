"""The overview over real runs: a watcher that dies, a recorder that dies, and a feed that stops."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.following.overview.listening import Listening
from monitor.following.overview.row import RunRow
from monitor.recorder.running import find_running
from tests.commands.running import call, command, simulator, the_record, watching
from tests.waiting import wait_for


def once(*records: Path) -> list[dict[str, Any]]:
    """What `overview --once --json` says of each run."""
    done = call("overview", "--once", "--json", *(word for one in records for word in ("--records", str(one))))
    assert done.returncode == 0, done.stderr
    return list(json.loads(done.stdout)["runs"])


def seen(listening: Listening, what: Callable[[RunRow], bool], within_s: float = 60.0) -> list[str]:
    """Looks until the only run is so; the words that headed it meanwhile."""
    words: list[str] = []
    deadline, pause = time.monotonic() + within_s, threading.Event()
    while time.monotonic() < deadline:
        for row in listening.look().runs:
            if words[-1:] != [row.heading.word]:
                words.append(row.heading.word)
            if what(row):
                return words
        pause.wait(0.05)
    raise AssertionError(f"not within {within_s} s: {words}")


@pytest.mark.slow
def test_a_run_is_told_until_its_watcher_dies_and_then_its_recorder(tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    with simulator(speed=1.0) as endpoint, watching(endpoint, tmp_path, "--by", "ann") as watch:
        wait_for(lambda: find_running(tmp_path))
        calm = ("READY", "HOLD", "WAITING")  # on a machine that is busy a feed may be silent for a moment
        (row,) = wait_for(
            lambda: [one for one in once(other, tmp_path) if one["state"] == "recording" and one["heading"] in calm]
        )
        assert (row["participant"], row["by"]) == ("Q07", "ann")
        os.kill(watch.pid, signal.SIGKILL)
        watch.wait()
        (row,) = once(tmp_path)
        assert (row["state"], row["heading"], row["next"]) == ("nobody watches", "UNWATCHED", None)
        assert row["sentence"].startswith("Nobody watches")
        assert row["participant"] == "Q07"
        os.kill(find_running(tmp_path)[0].pid, signal.SIGKILL)
        wait_for(lambda: not find_running(tmp_path))
        (row,) = once(tmp_path)
        assert (row["state"], row["heading"]) == ("not recording", "NO RECORD")
        record = the_record(tmp_path)
        looking = call("attach", str(record), "--read-only", "--headless")
        assert looking.returncode == 2
        assert "who only looks on starts none" in looking.stderr
        assert not find_running(tmp_path)
        assert call("recover", str(record)).returncode == 0
        assert once(tmp_path) == []


@pytest.mark.slow
def test_a_recorder_that_is_killed_is_told_and_so_is_that_it_goes_on(tmp_path: Path) -> None:
    with simulator(speed=1.0) as endpoint, watching(endpoint, tmp_path) as watch:
        wait_for(lambda: find_running(tmp_path))
        listening = Listening([tmp_path], everywhere=False)
        try:
            seen(listening, lambda row: row.state == "recording" and row.feed.startswith("live"))
            os.kill(find_running(tmp_path)[0].pid, signal.SIGKILL)
            words = seen(listening, lambda row: row.state == "not recording")
            assert words[-1] in ("NO RECORD", "RESTART")
            seen(listening, lambda row: row.state == "recording" and row.feed.startswith("live"))
            os.kill(watch.pid, signal.SIGSTOP)
            words = seen(listening, lambda row: row.state == "unknown")
            assert words[-1] == "UNKNOWN"
            os.kill(watch.pid, signal.SIGCONT)
            seen(listening, lambda row: row.state == "recording")
        finally:
            os.kill(watch.pid, signal.SIGCONT)
            listening.close()
        for one in find_running(tmp_path):
            os.kill(one.pid, signal.SIGTERM)


@pytest.mark.slow
def test_a_feed_that_stops_is_told_as_the_operators_screen_tells_it(tmp_path: Path) -> None:
    simulating = command("simulate", "--json", "--wait", "60", "--participant", "Q07")
    process = subprocess.Popen(simulating, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        endpoint = json.loads(process.stdout.readline())["endpoint"]
        with watching(endpoint, tmp_path):
            wait_for(lambda: find_running(tmp_path))
            listening = Listening([tmp_path], everywhere=False)
            try:
                seen(listening, lambda row: row.feed.startswith("live"))
                os.kill(process.pid, signal.SIGSTOP)
                words = seen(listening, lambda row: row.feed.startswith("stale"))
                assert words[-1] == "STALE"
            finally:
                listening.close()
            for one in find_running(tmp_path):
                os.kill(one.pid, signal.SIGTERM)
    finally:
        process.kill()
        process.wait()


def test_without_a_terminal_and_without_records_it_says_what_to_do(tmp_path: Path) -> None:
    refused = call("overview", "--records", str(tmp_path))
    assert refused.returncode == 2
    assert "use --once where there is none" in refused.stderr
    missing = call("overview", "--once", "--records", str(tmp_path / "none"))
    assert missing.returncode == 2
    assert "No such directory of records" in missing.stderr
    nothing = call("overview", "--once", "--records", str(tmp_path))
    assert (nothing.returncode, nothing.stdout) == (0, "Nothing is being recorded here.\n")

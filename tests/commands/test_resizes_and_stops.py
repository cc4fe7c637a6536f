"""A terminal that is given hundreds of sizes, and a screen that is stopped for some seconds, while a run goes on."""

from __future__ import annotations

import json
import os
import random
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from monitor.recorder.running import find_running
from tests.commands.ptys import Pty
from tests.commands.running import call, command, the_record, trials
from tests.waiting import wait_for

pytestmark = pytest.mark.slow

FIXTURE = Path(__file__).parents[2] / "replay_fixtures" / "gap-too-long.run"
GATE = "1/gate-brake/1"
RESIZES = 300
SAID = ("trigger: ", "no trigger", "alm mode", "Slow link")
"""What keys say for some seconds."""


@contextmanager
def screen(columns: int, rows: int, *arguments: str) -> Iterator[Pty]:
    """A command of the program on a screen of its own."""
    one = Pty(command(*arguments), columns, rows)
    try:
        yield one
    finally:
        one.close()


@contextmanager
def demo_screen(records: Path, columns: int = 120, rows: int = 36, speed: float = 4.0) -> Iterator[Pty]:
    """The demo on a screen: a simulator, a recorder and the watch screen, each a process."""
    with screen(columns, rows, "demo", "--speed", f"{speed:g}", "--records", str(records)) as one:
        try:
            one.until("a live feed", lambda: one.shows("LIVE"))
            yield one
        finally:
            for running in find_running(records):
                os.kill(running.pid, signal.SIGTERM)  # it outlives its terminal, as it should


def storm(one: Pty, seed: int) -> None:
    """Sizes of all kinds, most of them before the last was drawn: down to some letters, up to a wall."""
    sizes = random.Random(seed)
    for _ in range(RESIZES):
        one.resize(sizes.randrange(3, 230), sizes.randrange(2, 70))
        one.read(sizes.choice((0.0, 0.0, 0.01, 0.05)))


def record_bytes(records: Path) -> int:
    return sum(part.stat().st_size for part in records.glob("*.run/part-*.twr"))


def state_of(pid: int) -> str:
    """The system's letter for a process: R or S while it runs, T while it is stopped."""
    return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]


def children_of(pid: int) -> list[int]:
    """The processes that a process has started."""
    return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def ended_run(one: Pty, records: Path) -> dict[str, Any]:
    """Follows the demo to the drive's end, leaves it, and gives what `review` says of the record."""
    one.until("the end of the drive", lambda: one.shows("ENDED"))
    shown = one.glass.text()
    one.type("q")
    one.until("the question", lambda: one.shows("trialwitness attach"))
    one.type("q")
    one.until("the end of the command", lambda: one.process.poll() is not None)
    assert one.process.returncode == 0
    (document,) = json.loads(call("review", "--json", str(the_record(records))).stdout)
    assert "gate-brake" in shown
    return dict(document)


def assert_nothing_lost(document: dict[str, Any], records: Path) -> None:
    assert document["feed"]["lost"] == 0
    assert document["feed"]["duplicates"] == 0
    assert len(list(the_record(records).glob("part-*.twr"))) == 1, "the recorder was started again"
    assert [trial["verdict"] for trial in document["trials"]] == ["valid", "valid"]
    assert call("verify", str(the_record(records))).returncode == 0


@pytest.mark.slow(seconds=25)
def test_after_a_storm_of_sizes_the_picture_is_that_of_the_last_size() -> None:
    with held_replay() as one:
        one.resize(100, 30)
        one.until("a whole picture", lambda: one.glass.is_whole and one.shows("HELD"))
        one.until(
            "the end of the message",
            lambda: not any(map(one.shows, ("trigger: ", "no trigger", "alm mode", "Slow link"))),
        )
        calm = one.glass.text()
    assert "gate-brake" in calm
    with held_replay() as one:
        storm(one, seed=1)
        one.resize(100, 30)
        one.until("a whole picture", lambda: one.glass.is_whole and one.shows("HELD"))
        one.until("the same picture", lambda: one.glass.text() == calm)


@contextmanager
def held_replay() -> Iterator[Pty]:
    """A replay on a screen, held before its trigger: a picture that does not change."""
    with screen(120, 36, "replay", str(FIXTURE)) as one:
        one.until("the first picture", lambda: one.shows("HELD"))

        one.until("the whole record", lambda: one.shows("─T─"))  # it is read on beside the picture
        one.type("s")
        one.until("the box", lambda: one.shows("GO TO A TIME"))
        one.type("@4.5\r")
        one.until("the moment before a trigger", lambda: one.shows("drive 1 · 0:2", "NEXT gate-brake"))
        if not one.shows("CALM"):  # to a busy machine a storm looks like a slow link: calm from the start, then
            one.type("z")
        one.until("the calm mode", lambda: one.shows("CALM"))
        yield one


@pytest.mark.slow(seconds=20)
def test_a_storm_of_sizes_in_a_live_run_loses_nothing_and_the_screen_goes_on(tmp_path: Path) -> None:
    with demo_screen(tmp_path) as one:
        storm(one, seed=2)
        one.resize(120, 36)
        one.until("a whole picture", lambda: one.glass.is_whole and one.shows("LIVE", "TIME GAP", "note"))
        document = ended_run(one, tmp_path)
    assert_nothing_lost(document, tmp_path)
    assert trials(document)[GATE]["verdict"] == "valid"


@pytest.mark.slow(seconds=20)
def test_a_screen_stopped_over_the_trigger_comes_back_with_the_verdict_of_review(tmp_path: Path) -> None:
    with demo_screen(tmp_path) as one:
        one.until("the outlook", lambda: one.shows("gate-brake", "s left"))
        one.process.send_signal(signal.SIGSTOP)
        one.until("the stop", lambda: state_of(one.process.pid) == "T")
        was = record_bytes(tmp_path)
        # 60 messages a second of the drive and about 1.1 KB each: 45 s of it, the trigger among them
        one.until("the recorder going on alone", lambda: record_bytes(tmp_path) > was + 2_700_000)
        assert state_of(one.process.pid) == "T"
        one.process.send_signal(signal.SIGCONT)
        one.until("the verdict", lambda: one.shows("gate-brake", "valid"))
        document = ended_run(one, tmp_path)
    assert_nothing_lost(document, tmp_path)


@pytest.mark.slow(seconds=20)
def test_suspended_from_a_shell_and_brought_back_the_screen_is_whole(tmp_path: Path) -> None:
    """As an operator would: the shell gives the terminal away and takes it back, `fg` brings the command back."""
    line = " ".join(command("demo", "--speed", "4", "--records", str(tmp_path)))
    one = Pty(["bash", "--norc", "--noprofile", "-i"], 120, 36)
    try:
        one.type(f"PS1='> '; {line}\r")
        one.until("a live feed", lambda: one.shows("LIVE", "TIME GAP"))
        (watcher,) = wait_for(lambda: children_of(one.process.pid))
        os.kill(watcher, signal.SIGTSTP)
        one.until("the stop", lambda: state_of(watcher) == "T")
        was = record_bytes(tmp_path)
        one.until("the recorder going on alone", lambda: record_bytes(tmp_path) > was + 1_000_000)
        one.until("the shell's own word", lambda: one.shows("Stopped"))
        one.resize(100, 30)  # the window may have changed meanwhile
        one.type("fg\r")
        one.until("a whole picture", lambda: one.glass.is_whole and one.shows("LIVE", "TIME GAP"))
        one.until("the end of the drive", lambda: one.shows("ENDED"))
        assert one.shows("VALID")
        one.type("q")
        one.until("the question", lambda: one.shows("trialwitness attach"))
        one.type("q")
        one.until("the shell again", lambda: one.shows("record: ", "> "))
        one.type("exit\r")
        one.until("the end of the shell", lambda: one.process.poll() is not None)
    finally:
        one.close()
        for running in find_running(tmp_path):
            os.kill(running.pid, signal.SIGTERM)
    (document,) = json.loads(call("review", "--json", str(the_record(tmp_path))).stdout)
    assert_nothing_lost(document, tmp_path)

"""A simulator and gaze as two processes whose clocks differ by 0.4 s and drift, watched over two feeds."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.commands.running import call, command, the_record, trials
from tests.connect.conftest import DEADLINE_S
from tests.judging.handsource import GAZE_STUDY

MACHINES = Path(__file__).with_name("two_machines.py")
ROOT = MACHINES.parents[2]
SPEED = 4.0
GATE = "1/gate-brake/1"
CASES = {
    "with sync marks": ("yes", 11.0, "valid", "met"),
    "looks up too early": ("yes", 9.9, "invalid", "not met"),  # by its own clock at 10.3 s, after the fire
    "without": ("no", 11.0, "undecided", "undecided"),
}


class Machine:
    """A simulator or gaze as a process of its own, bound and waiting."""

    def __init__(self, who: str, speed: float, marks: str, until: float) -> None:
        self.process = subprocess.Popen(
            [sys.executable, str(MACHINES), who, str(speed), marks, str(until)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"},
        )
        self.endpoint: str = json.loads(self._line())["endpoint"]

    def _line(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline()

    def subscribed(self) -> None:
        assert self._line() == "subscribed\n"

    def begin(self, at: float) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{at}\n")
        self.process.stdin.flush()

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()


class Run:
    """One run: two sources and a watch without a screen."""

    def __init__(self, directory: Path, marks: str, until: float) -> None:
        directory.mkdir()
        self.records = directory / "records"
        (directory / "study.toml").write_text(GAZE_STUDY, encoding="utf-8")
        self.machines = [Machine(who, SPEED, marks, until) for who in ("simulator", "gaze")]
        self.watch = subprocess.Popen(
            command(
                *("watch", "--headless", "--json", "--until-end", "--study", str(directory / "study.toml")),
                *("--participant", "Q07", "--group", "chime", "--records", str(self.records)),
                *(word for machine in self.machines for word in ("--feed", machine.endpoint)),
            ),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def end(self) -> None:
        for machine in self.machines:
            machine.end()
        if self.watch.poll() is None:
            self.watch.kill()
        self.watch.communicate()


@pytest.fixture
def runs(tmp_path: Path) -> Iterator[dict[str, tuple[Run, list[dict[str, Any]]]]]:
    """All cases at the same time, to their end: what each watch printed."""
    started = {name: Run(tmp_path / name.replace(" ", "-"), marks, until) for name, (marks, until, *_) in CASES.items()}
    try:
        machines = [machine for one in started.values() for machine in one.machines]
        for machine in machines:
            machine.subscribed()
        begins = time.monotonic() + 0.3
        for machine in machines:
            machine.begin(begins)
        told = {}
        for name, one in started.items():
            out, err = one.watch.communicate(timeout=DEADLINE_S)
            assert one.watch.returncode == 0, err
            told[name] = (one, [json.loads(line) for line in out.splitlines()])
        yield told
    finally:
        for one in started.values():
            one.end()


@pytest.mark.slow
def test_two_clocks_give_the_right_verdict_with_sync_marks_and_undecided_without(
    runs: dict[str, tuple[Run, list[dict[str, Any]]]],
) -> None:
    for name, (_, _, verdict, eyes) in CASES.items():
        one, lines = runs[name]
        trial = trials(lines[-1])[GATE]
        result = {condition["name"]: condition["result"] for condition in trial["conditions"]}["eyes away"]
        assert (trial["verdict"], result) == (verdict, eyes), (name, trial["findings"])
        (source,) = trial["sources"]
        if name == "without":
            assert (source["offset_s"], source["marks"]) == (None, 0)
        else:
            assert source["offset_s"] == pytest.approx(-0.401, abs=0.02)
            assert 0.0 < source["uncertainty_s"] < 0.06
        assert lines[-1]["sources"][0]["frames"] > 900
        said = [line["sentence"] for line in lines if line["type"] == "health"]
        words = "gaze has no sync mark" if name == "without" else "gaze −0.4"
        assert any(words in sentence for sentence in said), said
        # and by `review`, from the record alone
        (again,) = json.loads(call("review", "--json", str(the_record(one.records))).stdout)
        assert again["trials"] == lines[-1]["trials"]
        assert again["sources"] == lines[-1]["sources"]

"""`tally` as a shell starts it: status, JSON, and following."""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import threading
import time
from pathlib import Path
from queue import Empty, Queue
from typing import Any

import pytest

from monitor.commands.study import tally
from monitor.record.disk import DISK
from tests.commands.running import call, command
from tests.reports.making import hand_record
from tests.reports.test_tally import damage


def test_status_and_json(tmp_path: Path) -> None:
    assert call("tally", str(tmp_path / "nowhere")).returncode == 2
    empty = call("tally", str(tmp_path), "--json")
    assert (empty.returncode, json.loads(empty.stdout)["studies"]) == (0, [])
    path = hand_record(tmp_path, "Q01")
    good = call("tally", str(tmp_path), "--json")
    assert good.returncode == 0
    assert json.loads(good.stdout)["studies"][0]["triggers"][0]["groups"][0]["valid"] == 1
    damage(path, 0.8, 3000)
    bad = call("tally", str(tmp_path))
    assert bad.returncode == 1
    assert "is damaged" in bad.stdout


def test_a_record_that_comes_while_the_others_are_read_or_shown_is_told_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was taken for one that had been there, and nobody was told until another file changed."""
    hand_record(tmp_path, "Q01")
    show, shown = tally._show, []

    def slowly(options: argparse.Namespace, before: Any) -> tuple[Any, int]:
        document, status = show(options, before)
        shown.append(document["records"])
        if len(shown) == 1:
            hand_record(tmp_path, "Q02", day=1)
        if document["records"] == 2:
            raise KeyboardInterrupt
        return document, status

    def sleep(seconds: float) -> None:
        raise AssertionError("it waits, and has not told of the second record")

    monkeypatch.setattr(tally, "_show", slowly)
    monkeypatch.setattr(time, "sleep", sleep)
    parser = argparse.ArgumentParser()
    tally.add_to(parser.add_subparsers())
    with pytest.raises(KeyboardInterrupt):
        tally.run(parser.parse_args(["tally", str(tmp_path), "--json", "--follow"]))
    assert shown == [1, 2]


def test_a_record_that_somebody_let_go_of_is_told_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A recorder that was killed, or whoever added a ruling, changes no file any more when its lock is free."""
    holder = DISK.lock(hand_record(tmp_path, "Q01"))
    show, shown, slept = tally._show, [], []

    def noted(options: argparse.Namespace, before: Any) -> tuple[Any, int]:
        document, status = show(options, before)
        shown.append((document["records"], len(document["running"])))
        if len(shown) == 2:
            raise KeyboardInterrupt
        return document, status

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        assert len(slept) < 3, "nobody is told that the record is there"
        if len(slept) == 1:
            os.close(holder)

    monkeypatch.setattr(tally, "_show", noted)
    monkeypatch.setattr(time, "sleep", sleep)
    parser = argparse.ArgumentParser()
    tally.add_to(parser.add_subparsers())
    with pytest.raises(KeyboardInterrupt):
        tally.run(parser.parse_args(["tally", str(tmp_path), "--json", "--follow"]))
    assert shown == [(0, 1), (1, 0)]


@pytest.mark.slow
def test_following_tells_when_something_changed_and_only_then(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q01")
    process = subprocess.Popen(command("tally", str(tmp_path), "--json", "--follow"), stdout=subprocess.PIPE, text=True)
    lines: Queue[dict[str, Any]] = Queue()

    def read() -> None:
        assert process.stdout is not None
        for line in process.stdout:
            lines.put(json.loads(line))

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    try:
        assert lines.get(timeout=120)["records"] == 1
        hand_record(tmp_path, "Q02", day=1)
        while (found := lines.get(timeout=120))["records"] < 2:
            assert found["running"]
        (tmp_path / "notes.txt").write_text("of no concern")
        try:
            raise AssertionError(lines.get(timeout=2.5))
        except Empty:
            pass
    finally:
        process.kill()
        process.wait()
        reader.join(10)

"""Everything that can be entered in a run, at the end of a drive with a hidden response, after it, and in the next one:
two records that differ in how long that drive took, and are entered in as its end goes, read the same in every command.
"""

from __future__ import annotations

import inspect
import json
import re
import shutil
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.following.words import clock
from monitor.judging.day.log import DayLog
from monitor.judging.entered.operator import OperatorLog
from monitor.record.entries import EntryKind, Opening, pack_frames, pack_operator
from monitor.record.writer import RecordWriter, Writing
from monitor.reports.notebook import open_run
from tests.commands.running import call
from tests.judging.hand import FIRE_T, study_of
from tests.leaks.artefacts import Features, of_text, of_value
from tests.leaks.test_twins import printed, told_of
from tests.reports.making import BLIND, NOON, ManualClock, hand_drive

TEXT = BLIND + '[[sheet]]\nname = "Say when it is over"\n[[sheet]]\nname = "Belt"\n'
SHORT_S, LONG_S = 31.35, 33.7
BEGAN = NOON.timestamp()
PAUSE_S = 75.0
OF_THE_DAY = (("safety", "--json"), ("closeout", "--json"))
Made = Mapping[str, Any]


class MovingClock(ManualClock):
    """Both of its clocks stand `drive_s` seconds after its begin."""

    def wall_ns(self) -> int:
        return super().wall_ns() + round(1e9 * (self.drive_s or 0.0))


def before() -> list[Made]:
    """At 5 s of the first drive, which nothing has to hide."""
    moment = {"drive": 1, "at": 5.0, "wall": BEGAN + 5.0, "by": "anna"}
    return [
        {"type": "note", "text": "asks for water", **moment},
        {"type": "mark", "code": "video-sync", "text": "video", **moment},
        {"type": "step", "step": "Belt", "done": True, **moment},
    ]


def at_the_end(end_t: float) -> list[Made]:
    """As the first drive ends, by somebody and by the program: each type of entry."""
    moment = {"drive": 1, "at": end_t, "wall": BEGAN + end_t + 4.0, "by": "anna"}
    lines = [f"{clock(end_t, tenths=False)} anna: done", "0:05 anna: asks for water"]
    return [
        {"type": "note", "text": "done", "key": "done", **moment},
        {"type": "note", "text": "wrong", "key": "wrong", **moment},
        {"type": "retract", "what": "wrong", "words": "mistyped", **moment},
        {"type": "mark", "code": "video-sync", "text": "video again", **moment},
        {"type": "mark", "code": "unwell", "text": "unwell", "key": "unwell", **moment},
        {"type": "answer", "about": "stop", "answer": "lifted", "words": "feels well", **moment},
        {"type": "answer", "about": "group", "answer": "ours", **moment},
        {"type": "comfort", "rating": 3, **moment},
        {"type": "eyes", "trial": "1/gate-brake/1", "value": False, **moment},
        {"type": "ruling", "trial": "1/gate-brake/1", "verdict": "undecided", "reason": "other", **moment},
        {"type": "step", "step": "Say when it is over", "done": True, **moment},
        {"type": "seen", "trial": "1/gate-brake/1", "word": "VALID", **moment},
        {"type": "shown", "trial": "1/gate-brake/1", "verdict": "valid", "stage": "final", **moment},
        {"type": "handover", "to": "ben", "notes": lines, **moment},
        {"type": "adverse", "text": "headache", **moment},
        {"type": "deviation", "text": "door was open", **moment},
        {"type": "symptoms", "when": "after", "answers": [0] * 16, **moment},
        {"type": "fit", "fit": True, "words": "", **moment},
        {"type": "debrief", "item": "expected", "answer": "no", **moment},
        {"type": "reminded", "about": "break", "level": "near", "words": "break in 5 min", "since": BEGAN, **moment},
        {"type": "perceived", "name": "chime", "answer": "heard", **moment},
    ]


def in_the_next(end_t: float) -> list[Made]:
    """At 3 s of the second drive, whose own trial is ruled on in it."""
    moment = {"drive": 2, "at": 3.0, "wall": BEGAN + end_t + PAUSE_S + 3.0, "by": "ben"}
    return [
        {"type": "note", "text": "goes on", **moment},
        {"type": "retract", "what": "done", "words": "it was not", **moment},
        {"type": "handover", "to": "anna", "notes": [f"{clock(end_t, tenths=False)} anna: done"], **moment},
        {"type": "ruling", "trial": "2/gate-brake/1", "verdict": "valid", "reason": "", **moment},
    ]


def written(directory: Path, end_t: float) -> Path:
    """The record of two drives, received as they are driven."""
    path, moving = directory / "Q07-20261102T120000Z-abcd.run", MovingClock(NOON)
    study = study_of(TEXT)
    opening = Opening("Q07", "chime", study.name, study.text, study.sha256, ("tcp://127.0.0.1:1",), {})
    moving.drive_s = 0.0
    writer = RecordWriter.create(path, opening, Writing(clock=moving))
    keys = iter(range(1000))

    def enter(entered: list[Made]) -> None:
        for fields in entered:
            writer.append(EntryKind.OPERATOR, pack_operator({"key": f"k{next(keys)}", **fields}))

    for index, begins_s, ends_t, early in ((1, 0.0, end_t, before()), (2, end_t + PAUSE_S, 30.0, in_the_next(end_t))):
        wall = BEGAN + begins_s
        drive = hand_drive(end_t=ends_t, wall=lambda t, wall=wall: wall + t)
        for t, frames in replace(drive, run=f"run-{index}").messages():
            moving.drive_s = begins_s + t
            writer.append(EntryKind.MESSAGE, pack_frames(frames))
            if early and t >= 5.0:
                enter(early)
                early = []
        if index == 1:
            enter(at_the_end(end_t))
    moving.drive_s += 20.0
    writer.close("the run ended")
    return path


def read(record: Path, out: Path) -> Features:
    """All that is said of the record, by every command of the twins, as JSON, and in a notebook."""
    found = told_of(record, out)
    for command, *options in OF_THE_DAY:
        path = record.parent if command == "safety" else record
        found |= of_text(" ".join((command, *options)), printed(command, str(path), *options))
    with warnings.catch_warnings(action="ignore"):
        run = open_run(record)
    return found | of_value("notes", run.notes) | of_value("markers", run.markers) | of_value("trials", run.trials)


def test_the_table_has_each_type_of_entry() -> None:
    """A type that is not there would be held against nothing."""
    sources = inspect.getsource(OperatorLog.take) + inspect.getsource(DayLog.taken)
    known = {
        name for line in re.findall(r"case (\".*?\")(?: as| if|:)", sources) for name in re.findall(r'"(\w+)"', line)
    }
    told_before_a_drive = {"rehearsed", "carried", "coding", "reveal"}
    entered = {str(one["type"]) for one in (*before(), *at_the_end(SHORT_S), *in_the_next(SHORT_S))}
    assert known - told_before_a_drive <= entered


@pytest.mark.slow
def test_nothing_tells_how_long_a_drive_took_by_when_something_was_entered(tmp_path: Path) -> None:
    found = []
    directory, out = tmp_path / "records", tmp_path / "out"
    for end_t in (SHORT_S, LONG_S):  # at the same place, because some of what is printed names it
        directory.mkdir()
        out.mkdir()
        found.append(read(written(directory, end_t), out))
        shutil.rmtree(directory)
        shutil.rmtree(out)
    short, long = found
    assert short.keys() == long.keys()
    assert [name for name, value in short.items() if value != long[name]] == []


def notes_of(record: Path) -> Iterator[tuple[str, float | None, float | None]]:
    document = json.loads(call("review", str(record), "--json").stdout)[0]
    yield from ((one["text"], one["at"], one["wall"]) for one in document["notes"])


def test_what_was_entered_before_the_fire_and_all_after_the_ruling_has_its_times(tmp_path: Path) -> None:
    record = written(tmp_path, SHORT_S)
    told = {text: (at, wall) for text, at, wall in notes_of(record)}
    assert told["asks for water"] == (5.0, BEGAN + 5.0)
    assert told["done"] == (None, None)
    assert told["goes on"] == (3.0, None), "its own drive's time tells nothing of the one before"
    (ruling, *_) = json.loads(call("review", str(record), "--json").stdout)[0]["trials"][1]["rulings"]
    assert (ruling["at"], ruling["wall"]) == (None, None)
    assert "when is hidden" in call("closeout", str(record)).stdout
    ruled = ("--trial", "1/gate-brake/1", "--verdict", "valid", "--by", "anna")
    assert call("rule", str(record), *ruled).returncode == 0
    told = {text: (at, wall) for text, at, wall in notes_of(record)}
    assert told["done"] == (SHORT_S, BEGAN + SHORT_S + 4.0)
    assert told["goes on"] == (3.0, BEGAN + SHORT_S + PAUSE_S + 3.0)
    assert FIRE_T < SHORT_S

"""A whole day by the run sheet of configs/whole-day.toml, from the night before to the hand-over, with real processes:
one participant is well, one falls unwell, one does not come, one is not taken, one withdraws."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest

from monitor.judging.symptoms import ITEMS
from monitor.record.disk import is_being_written
from monitor.record.reader import RecordReading
from monitor.recorder.client import RecorderClient
from monitor.recorder.running import find_running
from tests.commands.running import call, command
from tests.waiting import wait_for

STUDY = Path(__file__).resolve().parents[2] / "configs" / "whole-day.toml"
BEFORE_LOT = ("Consent signed", "Screening passed", "Practice passed")
FEELS_WELL = [0] * len(ITEMS)
SPEED = "40"


class Room:
    """A control room: its directory of records, one simulator at a time."""

    def __init__(self, directory: Path) -> None:
        self.records = directory / "records"
        self.directory = directory

    def do(self, *arguments: str, status: int = 0) -> str:
        """A command to its end; what it printed."""
        done = call(*arguments)
        assert done.returncode == status, (arguments, done.stdout, done.stderr)
        return done.stdout + done.stderr

    def with_study(self, name: str, *more: str, status: int = 0) -> str:
        return self.do(name, "--study", str(STUDY), "--records", str(self.records), *more, status=status)

    def simulator(self, *more: str) -> tuple[subprocess.Popen[str], str]:
        arguments = command("simulate", "--json", "--wait", "60", "--speed", SPEED, "--rate", "20", *more)
        process = subprocess.Popen(arguments, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        assert process.stdout is not None
        return process, str(json.loads(process.stdout.readline())["endpoint"])

    def drive(self, code: str, scenario: str, entries: Iterable[dict[str, Any]], **more: str) -> Path:
        """One run of a participant: `watch` follows a simulator to its end; then somebody in the room enters things and
        ends the run, by the recorder, as a screen does. Gives the record."""
        options = [part for name, value in more.items() for part in (f"--{name}", value)]
        process, endpoint = self.simulator("--scenario", scenario, "--participant", code, *options)
        known = set(self.records.glob("*.run"))
        watching = command(
            *("watch", "--headless", "--json", "--study", str(STUDY), "--feed", endpoint, "--participant", code),
            *("--records", str(self.records), "--by", "anna"),
        )
        followed = subprocess.Popen(watching, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            process.wait(timeout=120)
            (record,) = set(self.records.glob("*.run")) - known
            part = record / "part-0001.twr"
            wait_for(lambda: b"run_end" in part.read_bytes()[-8192:], "the drive's end in the record")
            self.enter(record, [*entries, {"type": "end", "why": "ended by the operator"}])
            wait_for(lambda: not is_being_written(record))
        finally:
            for one in (process, followed):
                one.kill()
                one.wait()
        return record

    def enter(self, record: Path, entries: list[dict[str, Any]]) -> None:
        (running,) = [one for one in find_running(self.records) if one.record == record.resolve()]
        client = RecorderClient(Path(running.plan.sockets), record, writer=True)
        try:
            usual = {"by": "anna", "wall": time.time(), "drive": 1, "at": 60.0}
            waiting = {client.send({**usual, **one}) for one in entries}
            wait_for(lambda: _all_taken(client, waiting), "the acknowledgements")
        finally:
            client.close()


def _all_taken(client: RecorderClient, keys: set[str]) -> bool:
    """Whether every entry is acknowledged; takes those that are out of `keys`."""
    client.entries(0.05)
    keys -= set(client.acknowledged())
    return not keys


def ticked(*steps: str) -> list[dict[str, Any]]:
    return [{"type": "step", "step": step, "done": True} for step in steps]


def symptoms(when: str, answers: list[int]) -> dict[str, Any]:
    return {"type": "symptoms", "when": when, "answers": answers}


@pytest.fixture
def room(tmp_path: Path) -> Room:
    return Room(tmp_path)


@pytest.mark.slow(seconds=50)
def test_a_whole_day_from_the_night_before_to_the_hand_over(room: Room) -> None:
    # the night before
    assert "no fault" in room.do("check", "--study", str(STUDY))
    room.with_study("assign", "--prepare")
    # in the morning: both alerts are driven, heard and felt
    process, endpoint = room.simulator("--group", "chime")
    rehearsing = subprocess.Popen(
        command(
            *("rehearse", "--study", str(STUDY), "--feed", endpoint, "--records", str(room.records), "--by", "anna"),
            *("--perceived", "sound, amplifier at 6=heard", "--perceived", "vibration, seat at 70 %=felt"),
        ),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    process.wait(timeout=120)
    again, _ = room.simulator("--group", "seat-pulse", "--seed", "2", "--bind", endpoint)
    out, _ = rehearsing.communicate(timeout=240)
    again.wait(timeout=120)
    assert out.splitlines()[1].startswith("GO") or "\nGO  rehearsal" in out, out
    # the first participant: welcome, screening and practice come before the lot
    first = room.drive("Q01", "practice", [symptoms("before", FEELS_WELL), *ticked(*BEFORE_LOT[:2])])
    assert RecordReading(first).opening.group is None
    assert "Practice passed not ticked" in room.with_study("assign", "--participant", "Q01")
    room.drive("Q01", "practice", ticked(BEFORE_LOT[2]), seed="3")
    answers = [("expected", "no", ""), ("noticed", "a sound", ""), ("when", "with it", ""), ("own words", "", "A van.")]
    main = room.drive(
        "Q01",
        "clean",
        [
            {"type": "mark", "code": "video-sync", "text": "video mark"},
            *({"type": "debrief", "item": item, "answer": one, "words": words} for item, one, words in answers),
            symptoms("after", FEELS_WELL),
            {"type": "fit", "fit": True, "words": ""},
            *ticked("paper questionnaires"),
        ],
        seed="5",
    )
    assert RecordReading(main).opening.lot is not None
    # the second falls unwell, the third does not come, the fourth knows the drive, the fifth withdraws
    room.drive("Q02", "practice", [symptoms("before", FEELS_WELL), *ticked(*BEFORE_LOT)])
    room.drive(
        "Q02",
        "clean",
        [
            {"type": "mark", "code": "unwell", "text": "unwell, stopped"},
            {"type": "adverse", "text": "nausea, taken out, water"},
            symptoms("after", [2, 1, 0, 1, 0, 0, 2, 3, 1, 1, 1, 1, 0, 0, 2, 0]),
            {"type": "fit", "fit": False, "words": "collected by family"},
        ],
        seed="6",
    )
    assert "did not come" in room.with_study("assign", "--no-show")
    room.drive("Q04", "practice", ticked("Consent signed"))
    room.with_study("assign", "--excluded", "knows-the-drive", "--participant", "Q04")
    assert "was not taken" in room.with_study("assign", "--participant", "Q04", status=2)
    room.drive("Q05", "practice", ticked(*BEFORE_LOT))
    withdrawn = [room.drive("Q05", "clean", [], seed="7"), *room.records.glob("Q05-*.run")]
    for record in dict.fromkeys(withdrawn):
        room.do("withdraw", str(record), "--by", "anna", "--participant", "Q05", "--scope", "all")
    _close_the_day(room, main)


def _close_the_day(room: Room, main: Path) -> None:
    """Hand-over, tally, and the export for the board."""
    tally = json.loads(room.do("tally", str(room.records), "--json"))
    (study,) = tally["studies"]
    assert study["before_lot"] == {
        "no_shows": 1,
        "excluded": {"Has heard of the drive": 1},
        "waiting": 0,
        "withdrew": 0,
        "fault": None,
    }
    (trigger,) = study["triggers"]
    assert sum(group["withdrawn"] for group in trigger["groups"]) == 1
    assert sum(group["run"] for group in trigger["groups"]) == 2
    missing = room.do("closeout", str(main), "--hand-over", str(room.directory / "list.txt"), "--by", "anna")
    assert "# MISSING room video: no file video/{participant}*" in missing
    listed = (room.directory / "list.txt").read_text()
    assert "the rehearsal before it" in listed
    report = room.do("closeout", str(main))
    for words in ("In the seat: sound, amplifier at 6 was heard, says anna.", "Had you expected", "Beside the record"):
        assert words in report
    room.do("safety", str(room.records), "--out", str(room.directory / "board.md"))
    board = (room.directory / "board.md").read_text()
    for words in ("nausea, taken out, water", "collected by family", "invited and did not come", "withdrew consent"):
        assert words in board
    assert not any(words in board for words in ("chime", "seat-pulse", "gate-brake", "valid", "Q05"))

"""A run begins whatever lies beside its record: no file of any kind, name or content in the directory of records stops
it, and what cannot be read of it is said in the record."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.archive.rehearsals import FOLDER
from monitor.commands.shared.live_run import end_run
from monitor.following.beginning import Driving, Listening, begin_run, enter_at_start
from monitor.record.entries import EntryKind, unpack_map
from monitor.record.reader import RecordReading
from tests.following.test_day import DAY
from tests.judging.hand import study_of
from tests.reports.making import hand_record

NO_TEXT = os.fsdecode(b"caf\xe9")
GOES = {"type": "rehearsal", "study": "dusk-road", "go": True, "at": 1.7e9, "by": "anna", "study_sha256": "0" * 64}


def a_record_called(name: str) -> Callable[[Path], None]:
    def make(records: Path) -> None:
        hand_record(records, "Q01").rename(records / f"{name}.run")

    return make


def a_page(name: str = "2026-05-04T103000Z", **more: Any) -> Callable[[Path], None]:
    def make(records: Path) -> None:
        (records / FOLDER).mkdir()
        page = {**GOES, "study": study_of(DAY).name, **more}
        (records / FOLDER / f"{name}.json").write_text(json.dumps(page))

    return make


def a_pipe(records: Path) -> None:
    os.mkfifo(records / "Q01-20261102T120000Z-abcd.run")


def links_in_a_circle(records: Path) -> None:
    (records / "Q01-a.run").symlink_to(records / "Q01-b.run")
    (records / "Q01-b.run").symlink_to(records / "Q01-a.run")


def links_nowhere(records: Path) -> None:
    (records / "Q01-20261102T120000Z-abcd.run").symlink_to("/mnt/not-there/Q01-20261102T120000Z-abcd.run")


def of_pipes(records: Path) -> None:
    record = records / "Q01-20261102T120000Z-abcd.run"
    record.mkdir()
    for name in ("part-0001.twr", "place.stamp", "tombstone.json", "second-place.txt", "record.sealed"):
        os.mkfifo(record / name)


DEEP: Any = "x"
for _ in range(600):
    DEEP = [DEEP]

NEIGHBOURS: dict[str, Callable[[Path], None]] = {
    "a record whose name is no text": a_record_called(NO_TEXT),
    "a record whose name is no text, in its usual form": a_record_called(f"{NO_TEXT}-20261102T120000Z-abcd"),
    "a record whose name draws": a_record_called("Q01\x1b[2J\n-x"),
    "a record whose name is as long as can be": a_record_called("Q" * 251),
    "a pipe": a_pipe,
    "links in a circle": links_in_a_circle,
    "a link to a disk that is not there": links_nowhere,
    "a record of pipes": of_pipes,
    "a rehearsal whose name is no text": a_page(NO_TEXT),
    "a rehearsal whose name is no text, and is none": a_page(NO_TEXT, type="other"),
    "a rehearsal by somebody whose name is no text": a_page(by="\ud800"),
    "a rehearsal of no time": a_page(at=10**30),
    "a rehearsal of a time that is no float": a_page(at=10**400),
    "a rehearsal that is nested deeply": a_page(perceived=[{"name": DEEP, "answer": "heard", "by": "x", "at": 1.0}]),
    "a rehearsal of no word": a_page(go="go"),
    "a rehearsal with what nobody asked for": a_page(perceived=[1, None, {"at": 10**400}], by={"a": 10**30}),
}


@pytest.mark.parametrize("neighbour", NEIGHBOURS)
def test_no_neighbour_stops_a_run(neighbour: str, tmp_path: Path) -> None:
    records = tmp_path / "records"
    records.mkdir()
    NEIGHBOURS[neighbour](records)
    before = set(records.iterdir())
    run = begin_run(study_of(DAY), Driving("Q01", "chime"), Listening(("tcp://127.0.0.1:9",)), records)
    try:
        enter_at_start(run, "anna", [{"type": "note", "text": f"begins {NO_TEXT}"}, *run.found_before])
    finally:
        assert end_run(run)
    reading = RecordReading(run.record)
    entered = [unpack_map(e.payload) for block in reading.blocks() for e in block if e.kind is EntryKind.OPERATOR]
    assert [one["text"] for one in entered if one["type"] == "note"] == ["begins caf\\udce9"]
    assert set(records.iterdir()) - before == {run.record}
    (carried,) = [one for one in entered if one["type"] == "carried"]
    rehearsed = [one for one in entered if one["type"] == "rehearsed"]
    if "record whose name" in neighbour:
        assert len(carried["runs"]) == 1
        assert reading.opening.exposures[0]["record"] == carried["runs"][0]["record"]
    elif "rehearsal" in neighbour:
        (one,) = rehearsed
        is_lost = neighbour in ("a rehearsal whose name is no text, and is none", "a rehearsal of no word")
        assert (one["rehearsal"] is None, len(one.get("unreadable", []))) == (is_lost, int(is_lost))
    elif neighbour == "a pipe":
        assert reading.opening.exposures_known, "it is no record"
    else:
        assert not reading.opening.exposures_known

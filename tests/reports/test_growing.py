"""A record that is gone on with, or comes, between being judged and being shown: nothing is shown of it that nobody has
judged, or that the look does not say."""

from __future__ import annotations

import json
import shutil
import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.archive import looks
from monitor.archive.gathering import gather
from monitor.archive.looks import AUDIT_NAME
from monitor.errors import WitnessError
from monitor.record.entries import EntryKind, pack_frames
from monitor.record.writer import RecordWriter
from monitor.reports.export.export import ExportPlan, Form, export_records
from monitor.reports.notebook import open_run
from tests.commands.running import call
from tests.judging.hand import FIRE_T, study_of
from tests.reports.making import BLIND, hand_drive, hand_record, make_record
from tests.reports.test_tally import TRIAL, ruling


def gone_on_with(record: Path) -> None:
    """By a recorder that was started again: a second drive, on whose trial nobody has ruled."""
    writer = RecordWriter.resume(record, why="the recorder was started again")
    for _, frames in replace(hand_drive("chime", 0.6), run="run-again").messages():
        writer.append(EntryKind.MESSAGE, pack_frames(frames))
    writer.close("the run ended")


@pytest.mark.parametrize("form", ["csv", "bids", "parquet", "cues"])
def test_an_export_shows_no_response_that_came_after_it_had_looked_what_is_to_be_hidden(
    form: Form, tmp_path: Path
) -> None:
    records = tmp_path / "records"
    records.mkdir()
    record = hand_record(records, "Q01", text=BLIND, operator=[ruling(TRIAL, "valid", "confirmed")], closed=False)
    found = gather(records)
    assert [run.withholds for run in found.runs] == [0], "all that there is has a ruling"
    gone_on_with(record)
    with pytest.raises(WitnessError, match="was gone on with while it was exported"):
        export_records(found, ExportPlan(form), tmp_path / "out")
    assert [one.name for one in tmp_path.iterdir()] == ["records"]
    export_records(gather(records), ExportPlan(form), tmp_path / "out")
    tables = [one.read_text(errors="replace") for one in (tmp_path / "out").rglob("*") if one.suffix == ".csv"]
    assert not any("brake_onset" in line and "0.6" in line for text in tables for line in text.splitlines()[1:])


def test_a_notebook_masks_the_frames_that_came_after_the_record_was_opened(tmp_path: Path) -> None:
    drive = hand_drive("chime", 0.6)
    early = [frames for t, frames in drive.messages() if t < FIRE_T - 2.0]
    record = make_record(tmp_path, "Q01", early, study_of(BLIND), "chime", closed=False)
    with warnings.catch_warnings(action="ignore"):
        run = open_run(record)
    writer = RecordWriter.resume(record, why="the recorder was started again")
    for t, frames in drive.messages():
        if t >= FIRE_T - 2.0:
            writer.append(EntryKind.MESSAGE, pack_frames(frames))
    writer.close("the run ended")
    assert run.trials == [] or run.trials[0]["fired_at"] is None
    t_s = run.frames()["t"]
    assert FIRE_T - 0.5 < t_s.max() < FIRE_T


@pytest.mark.parametrize("how", ["it comes", "it is gone on with"])
@pytest.mark.parametrize("name", ["compare", "report"])
def test_a_look_shows_the_records_that_it_names_and_no_others(
    name: str, how: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    records, elsewhere = tmp_path / "records", tmp_path / "elsewhere"
    for directory in (records, elsewhere):
        directory.mkdir()
    for number, group in enumerate(("chime", "chime", "no-alert", "no-alert")):
        hand_record(records, f"Q0{number}", group, 0.5 + 0.2 * number, text=BLIND, closed=number != 1)
    real = looks.enter_look

    def then_more(*arguments: Any) -> Any:
        look = real(*arguments)
        if how == "it comes":
            path = hand_record(elsewhere, "Q09", "chime", 0.4, text=BLIND)
            shutil.move(path, records)
        else:
            gone_on_with(next(records.glob("Q01-*.run")))
        return look

    monkeypatch.setattr(looks, "enter_look", then_more)
    out = ("--json",) if name == "compare" else ("--out", str(tmp_path / "page.html"))
    done = call(name, str(records), "--unblind", "--by", "x", *out)
    (entered,) = [json.loads(line) for line in (records / AUDIT_NAME).read_text().splitlines()]
    said = done.stdout + done.stderr
    assert done.returncode == 1
    assert "after the look was entered; look once more to see it" in said
    if name == "compare":
        shown = json.loads(done.stdout)["records"]
        assert shown == len(entered["records"]) - (how != "it comes")

"""Exports: read back with pandas, passed by a real validator, the same bytes again, nothing in them that may not be."""

from __future__ import annotations

import csv
import gzip
import json
import math
import subprocess
import sys
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.archive.gathering import gather
from monitor.errors import WitnessError
from monitor.record.addendum import append_addendum
from monitor.record.reader import RecordReading
from monitor.record.sealing import seal_record
from monitor.reports.export.dictionary import ALWAYS, TABLES
from monitor.reports.export.drives import read_whole, resample
from monitor.reports.export.export import ExportPlan, export_records
from tests.commands.running import call
from tests.judging.hand import FIRE_T
from tests.lazily import Lazily
from tests.reports.making import BLIND, REPORT_STUDY, hand_drive, hand_record
from tests.reports.test_tally import TRIAL, ruling, too_long_gap

pd = Lazily("pandas")

NOTE = {"type": "note", "text": '"hello"\tthere,\n=1+1', "drive": 1, "at": 4.0}
VALIDATOR = Path(sys.executable).with_name("bids-validator-deno")


@pytest.fixture
def records(tmp_path: Path) -> Path:
    """Three records: a response, none, and a lost trial with lost frames; a note that is hard to write into a table."""
    directory = tmp_path / "records"
    directory.mkdir()
    hand_record(directory, "Q10", response_s=0.8, operator=[NOTE])
    hand_record(directory, "Q11", "no-alert", None, sealed=True)
    drive = replace(too_long_gap(), lost_frames=frozenset(range(40, 60)))
    hand_record(directory, "Q12", drive=drive, day=1)
    return directory


def exported(records: Path, form: Any, name: str = "out", **more: Any) -> Path:
    out = records.parent / name
    export_records(gather(records), ExportPlan(form, **more), out)
    return out


def tree(directory: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(directory)): path.read_bytes() for path in sorted(directory.rglob("*")) if path.is_file()
    }


# CSV


def test_every_table_is_read_back_with_its_columns(records: Path) -> None:
    out = exported(records, "csv")
    read = {name: pd.read_csv(out / f"{name}.csv") for name in ALWAYS}
    for name in ALWAYS:
        assert list(read[name].columns) == [column.name for column in TABLES[name]], name
    assert len(read["participants"]) == len(read["records"]) == len(read["trials"]) == 3
    trials = read["trials"].set_index("participant")
    assert trials["effective"].to_dict() == {"Q10": "valid", "Q11": "valid", "Q12": "invalid"}
    assert trials.loc["Q12", "reasons"] == "time gap: not met"
    # frames come every 0.05 s: the accelerator begins to fall one frame before the one that shows it
    assert trials.loc["Q10", "first_response_s"] == pytest.approx(0.75)
    assert trials.loc["Q10", "brake_onset_s"] == pytest.approx(0.80)
    assert np.isnan(trials.loc["Q11", "first_response_s"])
    assert (trials.loc["Q11", "outcome"], trials.loc["Q11", "censored_s"]) == ("no response", 3.0)
    assert trials.loc["Q10", "alert_given"] == "sound"
    conditions = read["conditions"].query("participant == 'Q10' and condition == 'time gap'").iloc[0]
    # 30.0 m at 20 m/s, by hand
    assert conditions["value"] == pytest.approx(1.5)
    assert (conditions["result"], conditions["unit"], conditions["margin"]) == ("met", "s", pytest.approx(0.2))


def test_a_note_comes_back_as_it_was_entered_but_for_its_white_space(records: Path) -> None:
    note = pd.read_csv(exported(records, "csv") / "notes.csv").iloc[0]
    assert note["text"] == '"hello" there, =1+1'
    assert (note["by"], note["t_s"], note["drive"]) == ("anna", 4.0, 1)


@pytest.mark.parametrize("text", ["=1+1", "+1+1", "-2+3", "@SUM(1)", "\t=cmd|' /C calc'!A0", "\r\n =1", "-"])
def test_no_note_is_a_formula_to_a_spreadsheet_and_numbers_stay_numbers(tmp_path: Path, text: str) -> None:
    directory = tmp_path / "records"
    directory.mkdir()
    note = {"type": "note", "text": text, "drive": 1, "at": 4.0}
    hand_record(
        directory, "Q10", drive=too_long_gap(), operator=[note, {**ruling(TRIAL, "invalid", "other"), "words": text}]
    )
    out = exported(directory, "csv")
    for path in out.glob("*.csv"):
        for row in csv.reader(path.open(newline="")):
            assert not [cell for cell in row if cell[:1] in ("=", "+", "@")]
            assert all(float(cell) <= 0 for cell in row if cell[:1] == "-")
    assert pd.read_csv(out / "notes.csv")["text"].tolist() == [f"'{' '.join(text.split())}"]
    assert pd.read_csv(out / "conditions.csv")["margin"].min() < 0
    parquet = pd.read_parquet(exported(directory, "parquet", "parquet") / "notes.parquet")
    assert parquet["text"].tolist() == [" ".join(text.split())]


def test_events_count_from_the_first_frame(records: Path) -> None:
    events = pd.read_csv(exported(records, "csv") / "events.csv").query("participant == 'Q10'").set_index("event")
    trigger = events.loc["trigger"]
    assert (trigger["onset_s"], trigger["trial"], trigger["effective"]) == (FIRE_T, TRIAL, "valid")
    assert trigger["response_time"] == pytest.approx(0.75)
    assert trigger["censored"] == 0
    assert events.loc["accelerator_release", "onset_s"] == pytest.approx(FIRE_T + 0.75)
    assert events.loc["brake_onset", "source"] == "computed"
    assert events.loc["alert_on", "onset_s"] == pytest.approx(10.3)
    assert np.isnan(events.loc["alert_on", "duration_s"])  # the drive never says alert_off
    assert list(events["onset_s"]) == sorted(events["onset_s"])


def test_who_was_not_seen_to_respond_is_not_exported_as_who_did_not(tmp_path: Path) -> None:
    unseen = {"accelerator": math.nan, "brake": math.nan, "steering_angle": math.nan}
    (tmp_path / "records").mkdir()
    hand_record(tmp_path / "records", "Q10", drive=hand_drive(own=lambda t: unseen))
    out = exported(tmp_path / "records", "csv")
    trial = pd.read_csv(out / "trials.csv").iloc[0]
    assert trial["outcome"] == "not measured"
    assert pd.isna(trial["censored_s"])
    assert trial["not_watched"] == "accelerator; brake; steering"
    assert trial["watched_s"] == 3.0
    events = pd.read_csv(out / "events.csv")
    assert events.loc[events["event"] == "trigger", "censored"].isna().all()


def test_records_and_the_digests_they_come_from(records: Path) -> None:
    sealed = next(records.glob("Q11*"))
    append_addendum(sealed, ruling(TRIAL, "valid", "confirmed"))
    table = pd.read_csv(exported(records, "csv") / "records.csv", dtype=str).set_index("participant")
    reading = RecordReading(sealed)
    assert table.loc["Q11", "digest"] == reading.digest
    assert table.loc["Q11", "state"] == "sealed"
    assert len(table.loc["Q11", "addendum_digest"]) == 64
    assert pd.isna(table.loc["Q10", "addendum_digest"])
    assert table.loc["Q10", "began_utc"] == "2026-11-02T12:00:00Z"
    assert (table.loc["Q12", "frames"], table.loc["Q12", "lost"]) == ("301", "20")


def test_every_column_is_in_the_dictionary_with_a_definition(records: Path) -> None:
    out = exported(records, "csv")
    dictionary = pd.read_csv(out / "data-dictionary.csv")
    for name in ALWAYS:
        header = pd.read_csv(out / f"{name}.csv", nrows=0).columns
        described = dictionary[dictionary["table"] == name].set_index("column")
        assert list(described.index) == list(header)
        assert described["definition"].notna().all()
        seconds = [column for column in header if column.endswith("_s")]
        assert (described.loc[seconds, "unit"] == "s").all()
    for sidecar in (out / "telemetry").glob("*.json"):
        document = json.loads(sidecar.read_text())
        for column in document["Columns"]:
            assert document[column]["Description"]


def test_the_telemetry_is_at_a_fixed_rate_with_holes_where_frames_were_lost(records: Path) -> None:
    out = exported(records, "csv") / "telemetry"
    (path,) = out.glob("Q12*.csv.gz")
    frame = pd.read_csv(path)
    sidecar = json.loads(path.with_suffix("").with_suffix(".json").read_text())
    assert list(frame.columns) == sidecar["Columns"]
    assert sidecar["SamplingFrequency"] == 20.0
    assert np.diff(frame["t"]) == pytest.approx(0.05)
    assert len(frame) == 321
    missing = frame.index[frame["speed"].isna()]
    # frames 40 … 59 were lost; the one before them stands for one more row, 1.5 periods long
    assert list(missing) == list(range(41, 60))
    assert frame["speed"].dropna().unique() == pytest.approx([20.0])
    assert frame.loc[200, "time_gap"] == pytest.approx(2.25)
    assert frame.loc[210, "lead_accel"] == -5.0


def test_another_rate_takes_the_frame_before_and_invents_nothing() -> None:
    columns = {"t": np.array([10.0, 10.1, 10.2, 10.5]), "speed": np.array([1.0, 2.0, 3.0, 4.0])}
    even = resample(columns, 20.0, 0.1)
    assert even["t"] == pytest.approx(10.0 + 0.05 * np.arange(11))
    # a frame stands for one and a half periods: the one at 10.2 s up to 10.35 s
    expected = [1, 1, 2, 2, 3, 3, 3, 3, np.nan, np.nan, 4]
    assert even["speed"] == pytest.approx(expected, nan_ok=True)
    slow = resample(columns, 5.0, 0.1)
    assert slow["speed"] == pytest.approx([1.0, 3.0, np.nan], nan_ok=True)


def test_frames_are_kept_beyond_what_judging_keeps(records: Path) -> None:
    long = hand_record(records, "Q13", drive=hand_drive(end_t=200.0))
    (drive,) = read_whole(long).drives
    columns = drive.columns()
    assert len(columns["t"]) == 4001
    assert (np.diff(columns["t"]) > 0).all()
    assert drive.log.blocks[0].frames.t[0] > 0.0  # judging has let go of the first ones


# BIDS


def validate(directory: Path) -> dict[str, Any]:
    try:
        done = subprocess.run(
            [str(VALIDATOR), str(directory), "--format", "json", "--max-rows", "-1"],
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
    except OSError as error:
        pytest.skip(f"the validator does not start here: {error}")
    document: dict[str, Any] = json.loads(done.stdout)
    return document


def errors(document: dict[str, Any]) -> list[tuple[str, str]]:
    return [
        (issue["code"], issue.get("location", ""))
        for issue in document["issues"]["issues"]
        if issue["severity"] == "error"
    ]


def test_the_data_set_passes_the_validator_and_a_broken_one_does_not(records: Path) -> None:
    hand_record(records, "Q10", drive=hand_drive(end_t=12.0), day=2)
    out = exported(records, "bids")
    document = validate(out)
    assert errors(document) == []
    assert sorted(document["summary"]["subjects"]) == ["Q10", "Q11", "Q12"]
    events = out / "sub-Q10" / "beh" / "sub-Q10_task-hand_run-01_events.tsv"
    events.write_text(events.read_text().replace("onset", "start", 1))
    assert errors(validate(out)) != []


def test_bids_files_are_read_back(records: Path) -> None:
    out = exported(records, "bids")
    folder = out / "sub-Q10" / "beh"
    events = pd.read_csv(folder / "sub-Q10_task-hand_run-01_events.tsv", sep="\t")
    described = json.loads((out / "task-hand_events.json").read_text())
    assert list(events.columns[:2]) == ["onset", "duration"]
    assert set(events.columns) <= set(described)
    trigger = events.set_index("trial_type").loc["trigger"]
    assert (trigger["onset"], trigger["response_time"]) == (FIRE_T, pytest.approx(0.75))
    assert events.set_index("trial_type").loc["note", "detail"] == "'hello' there, =1+1"
    sidecar = json.loads((folder / "sub-Q10_task-hand_run-01_recording-vehicle_physio.json").read_text())
    physio = pd.read_csv(
        folder / "sub-Q10_task-hand_run-01_recording-vehicle_physio.tsv.gz", sep="\t", names=sidecar["Columns"]
    )
    assert (sidecar["SamplingFrequency"], sidecar["StartTime"]) == (20.0, 0.0)
    assert physio["t"].iloc[round(FIRE_T * 20)] == pytest.approx(FIRE_T)
    assert physio["time_gap"].iloc[100] == pytest.approx(1.5)
    trials = pd.read_csv(folder / "sub-Q10_task-hand_run-01_beh.tsv", sep="\t")
    assert trials["effective"].tolist() == ["valid"]
    participants = pd.read_csv(out / "participants.tsv", sep="\t")
    assert participants["participant_id"].tolist() == ["sub-Q10", "sub-Q11", "sub-Q12"]
    tables = out / "sourcedata" / "tables"
    assert pd.read_csv(tables / "records.csv")["digest"].str.len().tolist() == [64, 64, 64]


def test_records_without_drives_frames_or_trials_make_no_broken_data_set(records: Path) -> None:
    hand_record(records, "Q20", drive=hand_drive(end_t=-1.0))
    frames = frozenset(range(1000))
    hand_record(records, "Q21", drive=hand_drive(lost_frames=frames))
    hand_record(records, "Q22", drive=hand_drive(fire_t=None, end_t=3.0))
    hand_record(records, "Q23", None, drive=hand_drive(None, end_t=3.0), closed=False)
    out = exported(records, "bids")
    assert errors(validate(out)) == []
    events = pd.read_csv(out / "sub-Q21" / "beh" / "sub-Q21_task-hand_run-01_events.tsv", sep="\t")
    assert events["onset"].tolist() == sorted(events["onset"].tolist())
    assert events["onset"].iloc[0] == 0.0
    assert len(pd.read_csv(out / "participants.tsv", sep="\t")) == 7


def test_a_code_that_bids_cannot_have_is_refused(records: Path) -> None:
    hand_record(records, "Q-1", text=REPORT_STUDY.replace("Q[0-9]+", "Q[-0-9]+"))
    with pytest.raises(WitnessError, match="letters and digits only"):
        exported(records, "bids")
    assert "Q-1" in (exported(records, "csv") / "participants.csv").read_text()


# What holds for both


@pytest.mark.parametrize("form", ["csv", "bids"])
def test_the_same_records_give_the_same_bytes(records: Path, form: str) -> None:
    first = tree(exported(records, form, "one"))
    assert tree(exported(records, form, "two")) == first
    packed = next(content for name, content in first.items() if name.endswith(".gz"))
    assert packed[3] == 0, "no file name in the gzip header"
    assert packed[4:8] == bytes(4), "no time in the gzip header"
    assert gzip.decompress(packed)


def test_sealing_changes_nothing_but_the_state(records: Path) -> None:
    first = tree(exported(records, "csv", "one"))
    seal_record(next(records.glob("Q10*")))
    second = tree(exported(records, "csv", "two"))
    assert [name for name in first if first[name] != second[name]] == ["records.csv"]
    assert first["records.csv"].replace(b",closed,", b",sealed,", 1) == second["records.csv"]


def test_a_code_that_may_be_a_name_is_refused_and_nothing_is_written(records: Path) -> None:
    hand_record(records, "Anna", text=REPORT_STUDY)
    for form in ("csv", "bids"):
        with pytest.raises(WitnessError, match="'Anna' does not fit the pattern Q"):
            exported(records, form)
    assert sorted(path.name for path in records.parent.iterdir()) == ["records"]


def test_an_export_never_goes_into_something_that_is_there(records: Path) -> None:
    out = records.parent / "out"
    out.mkdir()
    exported(records, "csv")
    before = tree(out)
    with pytest.raises(WitnessError, match="is there already"):
        exported(records, "csv")
    assert tree(out) == before


@pytest.mark.parametrize("form", ["csv", "bids"])
def test_a_blind_study_gives_no_response_before_every_trial_is_ruled(tmp_path: Path, form: str) -> None:
    records = tmp_path / "records"
    records.mkdir()
    contact = [(10.3, "alert_on", "alert", {"modality": "sound", "measured": True}), (12.0, "collision", "van", {})]
    hand_record(records, "Q10", text=BLIND, drive=hand_drive(markers=contact))
    ruled = hand_record(records, "Q11", text=BLIND, operator=[ruling(TRIAL, "valid", "confirmed")])
    out = exported(records, form, "masked")
    files = tree(out)
    assert not any(name.endswith(".gz") for name in files)
    columns = [column.name for column in TABLES["trials"] if column.of_response]
    table = next(content for name, content in files.items() if name.endswith("trials.csv"))
    trials = pd.read_csv(BytesIO(table))
    assert trials[columns].isna().all().all()
    events = pd.read_csv(BytesIO(next(c for n, c in files.items() if n.endswith("events.csv"))))
    assert not set(events["event"]) & {"collision", "brake_onset", "accelerator_release", "steering_onset"}
    assert events["response_time"].isna().all()
    if form == "bids":
        assert errors(validate(out)) == []
        assert "left out" in files["README"].decode()
    # with the last ruling, or for who says so, they are there
    assert any(name.endswith(".gz") for name in tree(exported(records, form, "shown", enter_look=lambda: None)))
    append_addendum(next(records.glob("Q10*")), ruling(TRIAL, "valid", "confirmed"))
    trials = pd.read_csv(next(exported(records, form, "ruled").rglob("trials.csv"))).set_index("participant")
    assert trials.loc["Q10", "outcome"] == "collision"
    assert ruled.is_dir()


def test_nor_where_no_marker_told_of_the_fire_and_its_hazard_came(tmp_path: Path) -> None:
    records = tmp_path / "records"
    records.mkdir()
    drive = hand_drive(fire_t=None, markers=[], van_decel=lambda t: 5.0 if 10.0 < t < 13.0 else 0.0)
    hand_record(records, "Q10", text=BLIND, drive=drive)
    out = exported(records, "csv", "masked")
    assert not any(name.endswith(".gz") for name in tree(out)), "the telemetry has the response"
    assert pd.read_csv(next(out.rglob("records.csv")))["frames"].isna().all(), "how long the drive took tells of it"


@pytest.mark.slow
def test_the_commands_words_and_status(records: Path) -> None:
    done = call("export", str(records), "--to", "csv", "--out", str(records.parent / "a"), "--json")
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert (document["records"], document["trials"], document["responses_left_out"]) == (3, 3, False)
    hand_record(records, "Q14", text=BLIND.replace('name = "hand"', 'name = "other"'), day=3)
    masked = call("export", str(records), "--to", "csv", "--out", str(records.parent / "b"))
    assert masked.returncode == 1  # two studies are mixed: said
    assert "a ruling is missing on 1 trial" in masked.stdout
    assert "2 studies are mixed" in masked.stderr
    shown = call("export", str(records), "--to", "csv", "--out", str(records.parent / "c"), "--unblind", "--json")
    assert json.loads(shown.stdout)["look"] == 1
    refused = call("export", str(records), "--to", "csv", "--out", str(records.parent / "d"), "--rate", "0")
    assert refused.returncode == 2

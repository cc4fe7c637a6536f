"""Parquet read back by pyarrow, pandas and polars with types, units and thresholds; cues read by a WebVTT reader."""

from __future__ import annotations

import json
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import webvtt
from pyarrow import parquet

from monitor.archive.gathering import gather
from monitor.errors import WitnessError
from monitor.judging.case.trial import VIDEO_MARK
from monitor.record.addendum import append_addendum
from monitor.record.entries import EntryKind, Opening, pack_frames, pack_operator
from monitor.record.writer import RecordWriter, Writing
from monitor.reports.export.cues import VideoTimes, video_times
from monitor.reports.export.dictionary import ALWAYS, TABLES
from monitor.reports.export.export import Exported, ExportPlan, export_records
from monitor.reports.export.parquet import ParquetMissing
from tests.commands.running import call
from tests.judging.hand import FIRE_T, HandDrive, study_of
from tests.lazily import Lazily
from tests.reports.making import BLIND, NOON, REPORT_STUDY, ManualClock, hand_drive, hand_record
from tests.reports.test_export import exported, tree
from tests.reports.test_tally import TRIAL, ruling, too_long_gap

pd = Lazily("pandas")
pl = Lazily("polars")

ESCAPES = {"type": "note", "text": "red \x1b[31m <b>& --> end", "drive": 1, "at": 4.0, "wall": NOON.timestamp() + 4.0}


@pytest.fixture
def records(tmp_path: Path) -> Path:
    directory = tmp_path / "records"
    directory.mkdir()
    hand_record(directory, "Q10", response_s=0.8, operator=[ESCAPES])
    hand_record(directory, "Q11", "no-alert", None)
    hand_record(directory, "Q12", drive=too_long_gap(), day=1)
    return directory


def test_every_table_comes_back_with_its_types(records: Path) -> None:
    out = exported(records, "parquet")
    for name, columns in ((name, TABLES[name]) for name in ALWAYS):
        table = parquet.read_table(out / f"{name}.parquet")
        assert table.column_names == [column.name for column in columns]
        kinds = {column.name: str(table.schema.field(column.name).type) for column in columns}
        for column in columns:
            wanted = {
                "text": "string", "number": "double", "whole": "int64", "flag": "bool", "time": "timestamp[ms, tz=UTC]",
            }  # fmt: skip
            assert kinds[column.name] == wanted[column.type], column.name
    trials = pl.read_parquet(out / "trials.parquet").sort("participant")
    assert trials["effective"].to_list() == ["valid", "valid", "invalid"]
    assert trials["first_response_s"].to_list() == [0.75, None, 0.75]
    assert trials["left_lane"].to_list() == [False, False, False]
    assert trials["drive"].to_list() == [1, 1, 1]
    frame = pd.read_parquet(out / "trials.parquet").set_index("participant")
    fired = frame.loc["Q10", "fired_utc"]
    assert abs((fired - pd.Timestamp(NOON)).total_seconds()) < 60.0


def test_units_definitions_thresholds_and_sources_are_in_the_schema(records: Path) -> None:
    out = exported(records, "parquet")
    schema = parquet.read_schema(out / "trials.parquet")

    def told(name: str) -> dict[str, str]:
        return {key.decode(): text.decode() for key, text in (schema.field(name).metadata or {}).items()}

    brake = told("brake_onset_s")
    assert brake["unit"] == "s"
    assert brake["thresholds"] == "gate-brake: brake_threshold 0.02"
    assert brake["source"] == "SAE J2944, brake reaction time"
    release = told("accelerator_release_s")
    assert "where it stood at the origin" in release["definition"]
    assert release["thresholds"] == "gate-brake: accelerator_fall 0.05"
    assert json.loads(told("outcome")["levels"])["collision before response"]
    assert told("alert_result")["thresholds"].startswith("gate-brake: earliest_s ")
    for name, columns in ((name, TABLES[name]) for name in ALWAYS):
        fields = parquet.read_schema(out / f"{name}.parquet")
        for column in columns:
            metadata = fields.field(column.name).metadata
            assert metadata[b"definition"], (name, column.name)
            assert metadata[b"source"], (name, column.name)
    # and the dictionary of the CSV tables says the same
    dictionary = pd.read_csv(exported(records, "csv", "tables") / "data-dictionary.csv").set_index(["table", "column"])
    assert dictionary["type"].notna().all()
    assert dictionary["source"].notna().all()
    assert dictionary.loc[("trials", "brake_onset_s"), "thresholds"] == brake["thresholds"]
    assert dictionary.loc[("trials", "fired_utc"), "type"] == "time"


def test_thresholds_of_study_files_that_differ_stand_each_by_its_file(tmp_path: Path) -> None:
    directory = tmp_path / "records"
    directory.mkdir()
    other = REPORT_STUDY.replace("horizon_s = 3.0", "horizon_s = 3.0\nbrake_threshold = 0.1")
    hand_record(directory, "Q10")
    hand_record(directory, "Q11", text=other)
    dictionary = pd.read_csv(exported(directory, "csv") / "data-dictionary.csv").set_index(["table", "column"])
    files = study_of(REPORT_STUDY).sha256[:8], study_of(other).sha256[:8]
    assert dictionary.loc[("trials", "brake_onset_s"), "thresholds"] == (
        f"gate-brake: brake_threshold 0.02 (study file {files[0]}); "
        f"gate-brake: brake_threshold 0.1 (study file {files[1]})"
    )
    # what is the same in both is said once
    assert dictionary.loc[("trials", "censored_s"), "thresholds"] == "gate-brake: horizon_s 3"


def test_a_conditions_evidence_is_that_of_review(records: Path) -> None:
    table = pd.read_parquet(exported(records, "parquet") / "conditions.parquet").query("participant == 'Q10'")
    (told,) = json.loads(call("review", "--json", str(next(records.glob("Q10*")))).stdout)
    conditions = {one["name"]: one["evidence"] for one in told["trials"][0]["conditions"]}
    assert any(one["by"] for one in conditions.values())
    for row in table.to_dict("records"):
        evidence = conditions[row["condition"]]
        assert (row["checked_by"] or "") == ", ".join(evidence["by"])
        for name in ("rebuilt", "differs", "noticed_from"):
            assert row[name] == pytest.approx(np.nan if evidence[name] is None else evidence[name], nan_ok=True)


def test_the_telemetry_has_every_frame_as_it_came(records: Path) -> None:
    lost = frozenset(range(40, 60))
    hand_record(records, "Q13", drive=hand_drive(lost_frames=lost, end_t=12.0))
    (path,) = exported(records, "parquet").glob("telemetry/Q13*.parquet")
    table = parquet.read_table(path)
    frame = table.to_pandas()
    assert len(frame) == 241 - 20
    assert np.diff(frame["t"]).max() == pytest.approx(21 * 0.05)
    assert frame["time_gap"][0] == pytest.approx(1.5)
    assert table.column("ttc").null_count > 0  # not closing: null, not NaN
    assert not np.isnan(np.array(table.column("ttc").drop_null())).any()
    field = table.schema.field("time_gap").metadata
    assert (field[b"unit"], field[b"source"]) == (b"s", b"ISO 15622; SAE J2944")
    assert len(table.schema.metadata[b"record_digest"]) == 64
    even = exported(records, "parquet", "even", rate_hz=4.0)
    (path,) = even.glob("telemetry/Q13*.parquet")
    assert np.diff(pd.read_parquet(path)["t"]) == pytest.approx(0.25)


def test_the_same_records_give_the_same_bytes(records: Path) -> None:
    for form in ("parquet", "cues"):
        assert tree(exported(records, form, f"{form}-1")) == tree(exported(records, form, f"{form}-2"))


def test_no_control_character_reaches_a_table(records: Path) -> None:
    for form, read in (("parquet", pd.read_parquet), ("csv", pd.read_csv)):
        notes = read(exported(records, form, form) / f"notes.{form}")
        assert notes["text"].tolist() == ["red \N{REPLACEMENT CHARACTER}[31m <b>& --> end"]
    for content in tree(exported(records, "cues", "cues")).values():
        assert b"\x1b" not in content


def test_a_blind_study_is_masked_in_both(tmp_path: Path) -> None:
    records = tmp_path / "records"
    records.mkdir()
    contact = [(10.3, "alert_on", "alert", {"modality": "sound"}), (12.0, "collision", "van", {})]
    hand_record(records, "Q10", text=BLIND, drive=hand_drive(markers=contact))
    out = exported(records, "parquet")
    assert not (out / "telemetry").exists()
    trials = pd.read_parquet(out / "trials.parquet")
    assert trials[[column.name for column in TABLES["trials"] if column.of_response]].isna().all().all()
    (masked,) = exported(records, "cues", "masked").glob("*.vtt")
    assert "collision" not in masked.read_text()
    (shown,) = exported(records, "cues", "shown", enter_look=lambda: None).glob("*.vtt")
    assert "collision" in shown.read_text()


def test_without_pyarrow_it_says_which_extra(records: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(ParquetMissing, match=r"pip install 'trialwitness\[parquet\]'"):
        exported(records, "parquet")
    assert sorted(path.name for path in records.parent.iterdir()) == ["records"]


# Cues


def cues(directory: Path, name: str = "cues", **more: Any) -> tuple[dict[str, Any], Exported]:
    """The only record's cues by their names, and what was said."""
    told = export_records(gather(directory), ExportPlan("cues", **more), directory.parent / name)
    (path,) = told.directory.glob("*.vtt")
    return {cue.identifier or "": cue for cue in webvtt.read(str(path)).captions}, told


def mark(seconds: float, code: str = VIDEO_MARK) -> dict[str, Any]:
    """As the watch screen enters it: what it marks, and words that anybody may change."""
    return {
        "type": "mark",
        "code": code,
        "text": "video mark",
        "drive": 1,
        "at": None,
        "wall": NOON.timestamp() + seconds,
    }


@pytest.fixture
def one(tmp_path: Path) -> Path:
    """A record whose markers all came at noon by the recorder's clock, with a video mark 2 s after it."""
    directory = tmp_path / "records"
    directory.mkdir()
    operator = [mark(2.0), ESCAPES, {**ruling(TRIAL, "invalid", "expected-it"), "wall": NOON.timestamp() + 90_000.0}]
    hand_record(directory, "Q10", operator=operator)
    return directory


def test_cues_count_from_the_videos_first_picture(one: Path) -> None:
    found, told = cues(one, video=VideoTimes(everywhere_s=12.0))
    # the mark is seen at 12 s of the video and was entered 2 s after the record began: that is at 10 s of the video
    assert found["note 1"].start == "00:00:12.000"
    assert found["note 2"].start == "00:00:14.000"
    assert found[TRIAL].start_in_seconds == 10
    assert found[TRIAL].text == "gate-brake fired: INVALID\nexpected-it"
    assert told.remarks == ()
    # a ruling made a day later stands at the trial it is about
    assert found[f"ruling {TRIAL}"].start == found[TRIAL].start
    assert found[f"ruling {TRIAL}"].text == "gate-brake ruled invalid by anna (expected-it), computed valid"
    assert found["1/alert_on/" + next(name for name in found if "alert_on" in name).rpartition("/")[2]].text == (
        "alert alert sound"
    )


def test_markup_and_arrows_of_a_note_are_escaped(one: Path) -> None:
    out = exported(one, "cues", video=VideoTimes(everywhere_s=12.0))
    (path,) = out.glob("*.vtt")
    text = path.read_text()
    assert "red \N{REPLACEMENT CHARACTER}[31m &lt;b&gt;&amp; --&gt; end" in text
    # a blank line ends a cue, and an arrow only stands between two times
    for block in text.split("\n\n")[2:]:
        name, times, *lines = block.strip().split("\n")
        assert " --> " in times
        assert lines
        assert not any("-->" in line for line in (name, *lines))


def test_what_cannot_be_placed_is_said(one: Path) -> None:
    found, told = cues(one)
    assert any("cues lie before the video's first picture" in said for said in told.remarks)
    assert "note 1" in found
    assert TRIAL not in found
    hand_record(one, "Q11")
    told = export_records(gather(one), ExportPlan("cues"), one.parent / "unmarked")
    assert any("Q11" in said and "has no video mark" in said for said in told.remarks)


def recorded_live(directory: Path, drive: HandDrive, *operator: dict[str, Any]) -> None:
    """A record whose clock goes with the drive, from noon on."""
    study, clock = study_of(REPORT_STUDY), ManualClock(NOON)
    begun = Opening("Q10", drive.group, study.name, study.text, study.sha256, ("tcp://127.0.0.1:1",), {})
    writer = RecordWriter.create(directory / "Q10-live.run", begun, Writing(clock=clock))
    for t, frames in drive.messages():
        clock.wall = NOON + timedelta(seconds=t)
        writer.append(EntryKind.MESSAGE, pack_frames(frames))
    for place, fields in enumerate(operator):
        writer.append(EntryKind.OPERATOR, pack_operator({"key": str(place), "by": "anna", **fields}))
    writer.close("the run ended")


def test_a_trigger_that_never_fired_has_a_cue_where_it_should_have(tmp_path: Path) -> None:
    directory = tmp_path / "records"
    directory.mkdir()
    recorded_live(directory, hand_drive(fire_t=None, end_t=20.0), mark(1.0))
    found, _ = cues(directory, video=VideoTimes(everywhere_s=60.0))
    (cue,) = [cue for name, cue in found.items() if name.startswith("1/gate-brake")]
    assert cue.text.startswith("gate-brake did not fire (missed): INVALID")
    # the rule held at 10 s of the drive, the mark was made at 1 s of it and is seen at 60 s of the video
    assert cue.start_in_seconds == pytest.approx(69.0, abs=0.06)


def test_each_cue_is_where_the_video_has_the_event(tmp_path: Path) -> None:
    directory = tmp_path / "records"
    directory.mkdir()
    recorded_live(directory, hand_drive(), mark(1.0))
    found, _ = cues(directory, video=VideoTimes(everywhere_s=60.0))
    assert found[TRIAL].start == f"00:01:{FIRE_T + 59.0 - 60.0:06.3f}"
    (alert,) = [cue for name, cue in found.items() if "alert_on" in name]
    assert alert.start_in_seconds == pytest.approx(60.0 - 1.0 + 10.3, abs=1.0)


def test_a_mark_that_was_taken_back_places_nothing_and_a_second_one_is_told(tmp_path: Path) -> None:
    def placed(name: str, *operator: dict[str, Any]) -> tuple[float, Exported, str]:
        directory = tmp_path / name / "records"
        directory.mkdir(parents=True)
        hand_record(directory, "Q10", operator=operator)
        found, told = cues(directory, video=VideoTimes(everywhere_s=60.0))
        return found[TRIAL].start_in_seconds, told, " ".join(cue.text for cue in found.values())

    wrong, right = mark(30.0), mark(50.0)
    back = {"type": "retract", "what": "0", "words": "too soon", "wall": NOON.timestamp() + 31.0}
    at_s, told, said = placed("back", wrong, right, back)
    assert (at_s, told.remarks) == (10, ())  # the mark 50 s after noon is at 60 s of the video, the fire at noon
    assert "anna: taken back by anna (too soon): video mark" in said
    at_s, told, _ = placed("two", wrong, right)
    assert at_s == 30
    assert any("2 video marks" in one and "20.0 s after it" in one for one in told.remarks)
    notes = pd.read_csv(exported(tmp_path / "back" / "records", "csv", "csv") / "notes.csv")
    assert notes["mark"].tolist() == ["video-sync"] * 2
    assert notes["retracted"].tolist() == [1, 0]
    assert notes["retracted_words"].tolist()[0] == "too soon"
    # a note in words is no mark, whatever its words are
    _, told, _ = placed("words", {"type": "note", "text": "video-sync", "drive": 1, "at": 1.0})
    assert any("no video mark" in one for one in told.remarks)


def test_times_of_the_mark_for_each_record(tmp_path: Path) -> None:
    assert video_times("12.5").of("a.run") == 12.5
    table = tmp_path / "marks.csv"
    table.write_text("record,video_s\nQ10-x.run,3.5\nQ11-y,4\n")
    times = video_times(str(table))
    assert (times.of("Q10-x.run"), times.of("Q11-y.run"), times.of("other.run")) == (3.5, 4.0, None)
    table.write_text("run,at\na,b\n")
    with pytest.raises(WitnessError, match="columns record and video_s"):
        video_times(str(table))
    with pytest.raises(WitnessError, match="no number of seconds from 0 on, and no file"):
        video_times("twelve")


@pytest.mark.parametrize("text", ["nan", "inf", "-1", "1e999"])
def test_a_time_that_no_video_has_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(WitnessError, match="no number of seconds from 0 on"):
        video_times(text)
    table = tmp_path / "video.csv"
    table.write_text(f"record,video_s\nQ10-x,{text}\n")
    with pytest.raises(WitnessError, match="no number of seconds from 0 on"):
        video_times(str(table))


def test_a_record_that_the_times_leave_out_is_not_placed_as_if_they_had_it(one: Path, tmp_path: Path) -> None:
    table = tmp_path / "video.csv"
    table.write_text("record,video_s\nQ99-x.run,3.5\n")
    found, told = cues(one, video=video_times(str(table)))
    assert any("is not in the file of --video-at" in said for said in told.remarks)
    assert any("Q99-x is no record of this directory" in said for said in told.remarks)
    assert found[TRIAL].start_in_seconds == 0
    table.write_text("record,video_s\nQ10-x.run,3.5\nQ10-x,4\n")
    with pytest.raises(WitnessError, match="more than one time for Q10-x"):
        video_times(str(table))


def test_the_command_writes_both(one: Path) -> None:
    append_addendum(next(one.glob("*.run")), ruling(TRIAL, "valid", "judged-harmless"))
    done = call("export", str(one), "--to", "cues", "--out", str(one.parent / "a"), "--video-at", "30")
    assert done.returncode == 0, done.stderr
    assert "1 record, 1 trial, as WebVTT cues" in done.stdout
    done = call("export", str(one), "--to", "parquet", "--out", str(one.parent / "b"), "--json")
    assert json.loads(done.stdout)["to"] == "parquet"

"""The way in for notebooks: its manual is run, it gives what the record holds, and blind records stay masked."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import warnings
from collections.abc import Iterator
from contextlib import chdir, contextmanager
from pathlib import Path

import numpy as np
import pytest

import monitor
from monitor.errors import WitnessError
from monitor.record.sealing import seal_record
from monitor.record.withdrawing import withdraw_record
from tests.commands.running import call
from tests.judging.hand import FIRE_T, STUDY
from tests.lazily import Lazily
from tests.reports.making import BLIND, REPORT_STUDY, hand_drive, hand_record
from tests.reports.test_tally import TRIAL, damage, ruling

pd = Lazily("pandas")
pl = Lazily("polars")

ROOT = Path(monitor.__file__).parents[1]
MANUAL = (ROOT / "monitor" / "reports" / "NOTEBOOK.md").read_text(encoding="utf-8")


@contextmanager
def told() -> Iterator[list[str]]:
    """The sentences that are warned of."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        sentences: list[str] = []
        yield sentences
        sentences += [str(one.message) for one in caught if issubclass(one.category, monitor.RecordWarning)]


def test_the_manual_runs_as_it_stands(tmp_path: Path) -> None:
    records = tmp_path / "records"
    records.mkdir()
    hand_record(records, "Q01").rename(records / "Q01-example.run")
    hand_record(records, "Q02", "no-alert", 1.3)
    hand_record(records, "Q03", "no-alert", None)
    blocks = re.findall(r"```python\n(.*?)```", MANUAL, re.DOTALL)
    assert len(blocks) == 4
    names: dict[str, object] = {}
    with chdir(tmp_path):
        exec(compile("\n".join(blocks), "NOTEBOOK.md", "exec"), names)
    study, about = names["study"], names["about"]
    assert isinstance(study, pd.DataFrame)
    assert isinstance(about, pd.DataFrame)
    assert study.set_index("participant")["outcome"].to_dict() == {
        "Q01": "responded",
        "Q02": "responded",
        "Q03": "no response",
    }
    # 30 m at 20 m/s up to the fire, which stands at 0 s of the figure
    assert about.loc[about["since_fire_s"] == 0.0, "time_gap"].item() == pytest.approx(1.5)
    assert isinstance(names["conditions"], pl.DataFrame)
    assert sorted(path.name for path in records.iterdir()) == sorted(
        ["Q01-example.run", *(path.name for path in records.glob("Q0[23]*"))]
    )


def test_every_public_name_stands_in_the_manual_and_has_a_type() -> None:
    public: list[str] = vars(monitor)["__all__"]
    for name in public:
        if not name.startswith("_"):
            assert f"`{name}" in MANUAL or f"monitor.{name}" in MANUAL or name == "Run"
            assert getattr(monitor, name)
    stub = (ROOT / "monitor" / "__init__.pyi").read_text(encoding="utf-8")
    assert set(re.findall(r"import (\w+) as \1", stub)) | {"__version__"} == set(public)
    for name in re.findall(r"run\.(\w+)", MANUAL):
        assert hasattr(monitor.Run, name), name


def test_the_package_itself_loads_nothing() -> None:
    code = "import sys, monitor; print([name for name in sys.modules if name.startswith(('monitor.', 'numpy'))])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
    misspelt = "open_rum"
    with pytest.raises(AttributeError, match="no attribute 'open_rum'"):
        getattr(monitor, misspelt)


def test_trials_are_those_of_review(tmp_path: Path) -> None:
    note = {"type": "note", "text": "a dog on the road", "drive": 1, "at": 4.0}
    path = hand_record(tmp_path, "Q01", operator=[note])
    run = monitor.open_run(path)
    (document,) = json.loads(call("review", "--json", str(path)).stdout)
    assert json.loads(json.dumps(run.trials)) == document["trials"]
    assert json.loads(json.dumps(run.notes)) == document["notes"]
    assert (run.participant, run.group, run.study) == ("Q01", "chime", "hand")
    assert [(one["kind"], one["t"]) for one in run.markers if one["kind"] in ("trigger", "alert_on")] == [
        ("trigger", FIRE_T),
        ("alert_on", pytest.approx(10.3)),
    ]
    assert run.began == pytest.approx(1_793_620_800.0)  # 2026-11-02, 12:00 UTC


def test_frames_are_columns_of_one_length_with_the_values_of_the_feed(tmp_path: Path) -> None:
    lost = frozenset(range(40, 60))
    drive = hand_drive(lost_frames=lost, end_t=12.0)
    frames = monitor.open_run(hand_record(tmp_path, "Q01", drive=drive)).frames()
    assert len({len(column) for column in frames.values()}) == 1
    assert {column.dtype for column in frames.values()} == {np.dtype(np.float64)}
    assert {"t", "own.speed", "lead.gap", "time_gap", "ttc", "lane_offset", "eyes_on_road"} <= set(frames)
    assert len(frames["t"]) == 241 - 20  # lost frames are not there, and nothing is put in their place
    before = frames["t"] < FIRE_T
    assert frames["own.speed"][before] == pytest.approx(20.0)
    assert frames["lead.gap"][before] == pytest.approx(30.0)
    assert np.isnan(frames["ttc"][before]).all()  # as fast as the van: not closing
    # 0.5 s after the fire the van is 5 · 0.5 = 2.5 m/s slower and ½ · 5 · 0.25 = 0.625 m nearer
    half = np.isclose(frames["t"], FIRE_T + 0.5)
    assert frames["closing_speed"][half] == pytest.approx(2.5)
    assert frames["ttc"][half] == pytest.approx((30.0 - 0.625) / 2.5)


def test_several_drives_stand_one_after_the_other(tmp_path: Path) -> None:
    from dataclasses import replace

    from tests.judging.hand import study_of
    from tests.reports.making import make_record

    first, second = hand_drive(end_t=3.0, fire_t=None), hand_drive(end_t=12.0)
    messages = [
        frames for number, one in enumerate((first, second)) for _, frames in replace(one, run=f"d{number}").messages()
    ]
    run = monitor.open_run(make_record(tmp_path, "Q01", messages, study_of(STUDY), "chime"))
    frames = run.frames()
    assert np.unique(frames["drive"]).tolist() == [1.0, 2.0]
    assert len(run.frames(1)["t"]) + len(run.frames(2)["t"]) == len(frames["t"])
    assert run.frames(2, rate_hz=5.0)["t"] == pytest.approx(np.arange(0.0, 12.01, 0.2))
    with pytest.raises(WitnessError, match="no drive 3; there is 1, 2"):
        run.frames(3)


def test_a_blind_record_is_masked_until_its_ruling(tmp_path: Path) -> None:
    contact = [(10.3, "alert_on", "alert", {"modality": "sound", "measured": True}), (12.0, "collision", "van", {})]
    path = hand_record(tmp_path, "Q01", text=BLIND, drive=hand_drive(markers=contact))
    ruled = hand_record(tmp_path, "Q02", text=BLIND, operator=[ruling(TRIAL, "valid", "confirmed")])
    with told() as sentences:
        run = monitor.open_run(path)
    assert sentences == [f"{path}: the study is blind and no ruling was made on {TRIAL}; the response is masked."]
    assert run.masked == (TRIAL,)
    assert (run.trials[0]["response"], run.trials[0]["response_hidden"]) == (None, True)
    frames = run.frames()
    assert frames["t"].max() == pytest.approx(FIRE_T - 0.05)  # the length of the drive would tell, too
    assert not any(np.isnan(column).all() for column in frames.values())
    assert "ttc" not in frames  # the car came closer only after the fire: the column would tell by being there
    assert {one["kind"] for one in run.markers} <= {"run_start", "task_start", "task_item", "trigger"}
    with told() as sentences:
        shown = monitor.open_run(ruled)
    assert sentences == []
    assert shown.trials[0]["response"]["outcome"] == "responded"
    assert np.nanmax(shown.frames()["own.brake"]) > 0.0


def test_damage_is_warned_of_or_raised(tmp_path: Path) -> None:
    path = hand_record(tmp_path, "Q01")
    damage(path, 0.8, 3000)
    with told() as sentences:
        run = monitor.open_run(path)
    assert sentences == [f"{path}: {fault}" for fault in run.faults]
    assert run.faults
    with pytest.raises(monitor.RecordFaulty, match="Q01"):
        monitor.open_run(path, on_fault="raise")


def test_a_directory_is_gone_through_and_what_is_left_out_is_said(tmp_path: Path) -> None:
    seal_record(hand_record(tmp_path, "Q01"))
    gone = hand_record(tmp_path, "Q02")
    withdraw_record(gone, "anna")
    broken = hand_record(tmp_path, "Q03")
    (broken / "part-0001.twr").write_bytes(bytes(5000))
    hand_record(tmp_path, "Q04", closed=False)
    with told() as sentences:
        found = [(run.participant, run.state) for run in monitor.open_runs(tmp_path)]
    assert found == [("Q01", "sealed"), ("Q04", "open")]
    assert any(f"{gone} was withdrawn and is left out." in said for said in sentences)
    assert any(f"{broken} is left out: " in said for said in sentences)
    assert sum("Q04" in said and "was never closed" in said for said in sentences) == 1
    with pytest.raises(WitnessError):
        list(monitor.open_runs(tmp_path, on_fault="raise"))
    with pytest.raises(WitnessError, match="no directory of records"):
        list(monitor.open_runs(tmp_path / "none"))


def test_another_study_file_judges_and_unmasks_nothing(tmp_path: Path) -> None:
    narrow = tmp_path / "narrow.toml"
    narrow.write_text(REPORT_STUDY.replace("at_most = 1.9", "at_most = 1.4"))
    path = hand_record(tmp_path, "Q01")
    assert monitor.open_run(path).trials[0]["verdict"] == "valid"
    assert monitor.open_run(path, study=narrow).trials[0]["verdict"] == "invalid"

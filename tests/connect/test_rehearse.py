"""A rehearsal's page: go where everything fired, no-go with the reason where something did not; kept, and compared."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.archive.rehearsals import kept_pages, newest_rehearsal, read_page
from monitor.commissioning.importing import PastDrive, import_drive
from monitor.commissioning.rehearsal.pacing import Pacing, PacingLog
from monitor.commissioning.rehearsal.page import keep_page, make_page
from monitor.commissioning.rehearsal.rehearsed import Rehearsed, judge_rehearsal
from monitor.connect.channel_map.loading import load_map
from monitor.errors import WitnessError
from monitor.feed.composing import FeedComposer
from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame
from monitor.following.beginning import Driving
from monitor.study.loading import load_study
from tests.commands.running import call, simulator
from tests.connect import ridge
from tests.connect.conftest import CONFIGS

STUDY = load_study(CONFIGS / "dusk-road.toml")
RECORDS: dict[str, Path] = {}
AT = datetime(2026, 5, 4, 6, 30, tzinfo=UTC).timestamp()


def rehearsed(
    tmp_path: Path, scenario: str = "clean", groups: tuple[str, ...] = ("chime",), change: Any = None
) -> Rehearsed:
    """A drive of the demo in a record, looked at as a rehearsal. A record is made once for each scenario."""
    if change is None and scenario in RECORDS:
        return judge_rehearsal(RECORDS[scenario], STUDY, groups)
    file = tmp_path / f"{scenario}.csv"
    ridge.write_csv(file, scenario)
    text = (CONFIGS / "channels-example.toml").read_text(encoding="utf-8")
    (tmp_path / "map.toml").write_text(change(text) if change else text, encoding="utf-8")
    made = import_drive(
        PastDrive(load_map(tmp_path / "map.toml"), file),
        STUDY,
        Driving("Q99", None),
        tmp_path / "records",
        despite_faults=change is not None,
    )
    if change is None:
        RECORDS[scenario] = made.record
    return judge_rehearsal(made.record, STUDY, groups)


def test_everything_fires_and_it_is_a_go(tmp_path: Path) -> None:
    shown = rehearsed(tmp_path)
    assert (shown.go, shown.against, shown.missing) == (True, [], [])
    gate, gust = shown.fired
    assert (gate.trigger, gate.timing, gate.alert) == ("gate-brake", "on time", ("sound",))
    # the gap as the drive itself has it: centres less half of both lengths, at the step of the fire
    steps = {round(step.t, 6): step for step in ridge.drive()}
    step = steps[round(gate.at, 6)]
    van = ridge.van_of(step)
    assert van is not None
    gap_m = van["station"] - step.own["station"] - (van["length"] + step.own["length"]) / 2
    assert gate.gap_m == pytest.approx(gap_m, abs=1e-3)
    assert gate.time_gap_s == pytest.approx(gap_m / step.own["speed"], abs=1e-3)
    assert gust.trigger == "side-gust"
    assert shown.pacing is not None
    assert (shown.pacing.frames, shown.pacing.lost, shown.pacing.overruns) == (1402, 0, 0)
    assert shown.pacing.rate_hz == pytest.approx(20.0)


def test_other_groups_alerts_are_missed_unless_one_group_is_rehearsed(tmp_path: Path) -> None:
    shown = rehearsed(tmp_path, groups=tuple(STUDY.groups))
    assert shown.missing == [
        "The alert of the group seat-pulse was not given (vibration).",
        "The alert of the group light-strip was not given (light).",
    ]
    assert not shown.go


@pytest.mark.parametrize(
    ("scenario", "sentence"),
    [
        ("never-fired", "The trigger gate-brake did not fire (missed)."),
        ("not-reached", "The trigger gate-brake did not fire (not reached)."),
        ("silent-alert", "The alert of the group chime was not given (sound)."),
        ("soft-braking", "1/gate-brake/1: the condition van braking was not met (-1.5 m/s²)."),
        ("gap-too-long", "1/gate-brake/1: the condition time gap was not met"),
    ],
)
def test_what_did_not_work_is_the_reason_of_a_no_go(tmp_path: Path, scenario: str, sentence: str) -> None:
    shown = rehearsed(tmp_path, scenario)
    assert not shown.go
    assert any(one.startswith(sentence) for one in shown.against), shown.against


def test_a_task_that_never_began_and_a_channel_that_is_not_sent(tmp_path: Path) -> None:
    def change(text: str) -> str:
        text = text.replace('kind = "task_start"', 'kind = "other"')
        return text.replace(
            'from = "GazeZone"\nvalues = { ROAD = 1, MIRROR = 1, TASK = 0 }', 'from = "LaneDev"\nvalues = {x = 1}'
        )

    shown = rehearsed(tmp_path, change=change)
    assert "The task arrow-grid was never begun." in shown.missing
    assert "1/gate-brake/1: the condition eyes off road was undecided (not measured)." in shown.against


def test_how_the_member_of_staff_drove_is_only_looked_at(tmp_path: Path) -> None:
    shown = rehearsed(tmp_path, "drifting")
    assert shown.go, shown.against
    assert any(one.startswith("1/gate-brake/1: the condition lane offset was not met") for one in shown.look_at)


def test_the_output_delay_is_from_the_command_to_the_sensor(tmp_path: Path) -> None:
    """A sensor that sees the chime one line (50 ms) after each command."""
    sensor = """
[[marker]]
kind = "alert_on"
name = "chime"
when = "rises"
from = "ChimeSeen"
modality = ["sound"]
measured = true
"""
    ridge.write_csv(tmp_path / "drive.csv")
    lines = (tmp_path / "drive.csv").read_text(encoding="utf-8").splitlines()
    place = lines[0].split(";").index("ChimeOn")
    seen = ["ChimeSeen", "0", *(line.split(";")[place] for line in lines[1:-1])]
    (tmp_path / "seen.csv").write_text(
        "\n".join(f"{a};{b}" for a, b in zip(lines, seen, strict=True)), encoding="utf-8"
    )
    text = (CONFIGS / "channels-example.toml").read_text(encoding="utf-8")
    (tmp_path / "map.toml").write_text(text + sensor, encoding="utf-8")
    made = import_drive(
        PastDrive(load_map(tmp_path / "map.toml"), tmp_path / "seen.csv"),
        STUDY,
        Driving("Q99", None),
        tmp_path / "records",
    )
    (delay,) = judge_rehearsal(made.record, STUDY, ("chime",)).delays
    assert (delay.modality, delay.count) == ("sound", 1)
    assert delay.median_s == pytest.approx(0.05)


# Pacing, against a count by hand.


def frame_at(composer: FeedComposer, t: float) -> Frame:
    own = dict.fromkeys(("x", "y", "heading", "speed", "accel", "length", "width"), 0.0)
    frame = decode_message([b"frame", composer.frame(t, own, wall=1e9 + 2 * t)])
    composer.frame_sent()
    assert isinstance(frame, Frame)
    return frame


def test_pacing_counts_overruns_and_losses_apart() -> None:
    log = PacingLog(stated_hz=50)
    composer = FeedComposer(run="r", source="s", rate_hz=50)
    t = 0.0
    for step in range(100):
        if step == 40:
            composer.seq += 2  # two frames lost on the way: their time is no overrun
            t += 0.04
        t += 0.05 if step == 60 else 0.02  # one step of two and a half periods
        log.take(frame_at(composer, t), round(step * 2e7))
    pacing = log.pacing()
    assert (pacing.frames, pacing.lost, pacing.overruns) == (100, 2, 1)
    assert pacing.longest_step_s == pytest.approx(0.05)
    assert pacing.rate_hz == pytest.approx(98 / (97 * 0.02 + 0.05))
    assert pacing.wall_p99_s is not None
    assert pacing.arrival_p99_s == pytest.approx(0.0, abs=1e-9)
    other = FeedComposer(run="r2", source="s", rate_hz=50)
    log.take(frame_at(other, 0.0), round(1e12))  # a new drive: the step between the two is none
    assert log.pacing().overruns == 1
    assert log.pacing().longest_step_s == pytest.approx(0.05)


def test_too_few_frames_say_nothing_of_pacing() -> None:
    assert PacingLog().pacing() == Pacing(0, 0, None, None, None, None, None, None, 0)


# The page, kept and compared.


def test_the_page_is_kept_and_the_next_one_is_compared_with_it(tmp_path: Path) -> None:
    shown = rehearsed(tmp_path)
    records = tmp_path / "records"
    first = keep_page(make_page(STUDY, shown, "anna", AT, None), records)
    assert first.name == "20260504T063000Z-go.json"
    reference = newest_rehearsal(records, "dusk-road").page
    assert reference is not None
    assert reference["go"] is True
    assert newest_rehearsal(records, "another study").page is None

    same = make_page(STUDY, shown, "anna", AT + 60, reference)
    assert "  nothing is different" in same.sentences()
    for fired in reference["fired"]:
        fired["gap_m"] = 50.0
    reference["pacing"]["step_p99_s"] = None
    changed = make_page(STUDY, shown, "anna", AT + 60, reference)
    assert changed.changes[0].startswith("The gap at the fire of gate-brake is 3")
    assert changed.changes[0].endswith(" m, then 50.0 m.")
    second = keep_page(make_page(STUDY, shown, "anna", AT, None), records)
    assert second.name == "20260504T063000Z-go-2.json", "of two that end in the same second both are kept"


def test_a_no_go_begins_with_the_reasons(tmp_path: Path) -> None:
    page = make_page(STUDY, rehearsed(tmp_path, "never-fired"), "anna", AT, None)
    lines = page.sentences()
    assert lines[0] == "NO-GO  rehearsal of dusk-road, 2026-05-04 06:30 UTC, by anna"
    assert lines[3:5] == ["Against it:", "  The trigger gate-brake did not fire (missed)."]
    json.dumps(page.as_json(), allow_nan=False)


def test_what_is_no_kept_page_is_passed_over(tmp_path: Path) -> None:
    folder = tmp_path / "rehearsals"
    folder.mkdir()
    (folder / "a.json").write_text("{")
    (folder / "b.json").write_text('{"type": "other"}')
    assert kept_pages(tmp_path, "dusk-road") == []
    with pytest.raises(WitnessError, match="is no kept rehearsal"):
        read_page(folder / "a.json")


@pytest.mark.slow(seconds=15)
def test_the_command_over_a_real_feed(tmp_path: Path) -> None:
    study, records = str(CONFIGS / "dusk-road.toml"), tmp_path / "records"
    with simulator(speed=40.0) as endpoint:
        done = call(
            *("rehearse", "--study", study, "--feed", endpoint, "--group", "chime", "--records", str(records)),
            *("--by", "anna", "--json"),
        )
    assert done.returncode == 0, done.stdout + done.stderr
    page = json.loads(done.stdout)
    assert page["go"] is True
    assert [one["trigger"] for one in page["fired"]] == ["gate-brake", "side-gust"]
    assert json.loads(Path(page["kept"]).read_text())["record"] == page["record"]
    assert list(records.glob("*.run")) == []  # it is no participant's record
    assert call("verify", page["record"]).returncode == 0


@pytest.mark.slow
def test_the_command_says_no_go_with_status_1_and_refuses_a_wrong_group(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "monitor.commands.connecting.rehearse._prove", lambda record, study: None
    )  # the test above has it
    study = str(CONFIGS / "dusk-road.toml")
    with simulator("--scenario", "silent-alert", speed=40.0) as endpoint:
        done = call("rehearse", "--study", study, "--feed", endpoint, "--group", "chime", "--records", str(tmp_path))
    assert done.returncode == 1, done.stderr
    assert done.stdout.startswith("NO-GO")
    wrong = call("rehearse", "--study", study, "--feed", "tcp://127.0.0.1:9", "--group", "bells")
    assert (wrong.returncode, wrong.stderr.startswith("The study has no group 'bells'")) == (2, True)


def test_numbers_in_the_page_are_plain() -> None:
    pacing = Pacing(3, 0, None, None, float("nan"), None, None, None, 0)
    shown = Rehearsed("r", 1, ("chime",), pacing=pacing)
    assert make_page(STUDY, shown, "anna", AT, None).as_json()["pacing"]["longest_step_s"] is None
    assert np.isnan(pacing.longest_step_s or 0.0)

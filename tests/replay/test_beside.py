"""Two runs laid over each other: what was put in differently is what is named first, by how much, at any alignment."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.commands import replay
from monitor.errors import WitnessError
from monitor.replay.beside.differences import Difference, differences
from monitor.replay.beside.document import beside_lines, reference_record
from monitor.replay.beside.runs import Alignment, ReadRun, lay_runs
from monitor.replay.provider import ReplayProvider
from monitor.screens.dialogs.sheet import SheetBody
from monitor.screens.replay.app import ReplayApp
from monitor.screens.replay.beside import BesidePage, LaidOver
from tests.clocks import HandClock
from tests.judging.hand import FIRE_T, SPEED, STUDY, HandDrive
from tests.replay.conftest import write_record
from tests.replay.test_command import options
from tests.waiting import wait_for

PLAIN = HandDrive(rate_hz=50.0)


def van_braking_from(begins_t: float, gap_m: float = 30.0) -> HandDrive:
    """The van brakes at 5 m/s² from `begins_t` on, `gap_m` ahead of own car until then."""

    def van(t: float) -> Mapping[str, Any]:
        braking = min(max(t - begins_t, 0.0), 4.0)
        there = {"x": 100.0 + SPEED * t + gap_m + 5.25 - 2.5 * braking**2 - (SPEED * max(t - begins_t - 4.0, 0.0))}
        accel = -5.0 if 0.0 < braking < 4.0 else 0.0
        return {**there, "station": there["x"], "speed": SPEED - 5.0 * braking, "accel": accel}

    return replace(PLAIN, van=van)


def laid(
    folder: Path, first: HandDrive, second: HandDrive, alignment: Alignment = "trigger", study: str = STUDY
) -> tuple[Difference, ...]:
    paths = [
        write_record(folder, drive, name=f"Q0{place}-20261003T10150{place}Z-0a1b.run", study_text=study)
        for place, drive in enumerate((first, second), start=1)
    ]
    return differences(*lay_runs(ReadRun.of(paths[0]), ReadRun.of(paths[1]), alignment))


def test_a_run_laid_over_itself_differs_in_nothing(tmp_path: Path) -> None:
    assert laid(tmp_path, van_braking_from(FIRE_T), van_braking_from(FIRE_T)) == ()


@pytest.mark.parametrize("late_s", [0.2, 0.3])
def test_braking_that_begins_later_is_named_first(tmp_path: Path, late_s: float) -> None:
    found = laid(tmp_path, van_braking_from(FIRE_T), van_braking_from(FIRE_T + late_s))
    assert found[0].what == "the lead began to brake"
    assert found[0].by == pytest.approx(late_s, abs=0.021)  # a frame of 50 Hz
    assert found[0].sentence.startswith(f"The lead began to brake 0.{round(late_s * 100):02d} s later")
    assert {one.what for one in found[1:]} <= {"lead.speed", "lead.accel", "time_gap", "ttc"}  # what follows from it


def test_a_shorter_gap_is_named_first_with_when_it_began(tmp_path: Path) -> None:
    found = laid(tmp_path, van_braking_from(FIRE_T), van_braking_from(FIRE_T, gap_m=22.0))
    assert found[0].what == "time_gap"
    assert found[0].by == pytest.approx((22.0 - 30.0) / SPEED, abs=0.01)
    assert found[0].at_s == pytest.approx(-10.0, abs=0.1)  # from the drive's begin on
    assert found[0].sentence.startswith("Time gap was 0.40 s shorter from −")


def test_an_alert_that_only_one_run_has_and_one_that_comes_later(tmp_path: Path) -> None:
    none = replace(PLAIN, markers=[])
    late = replace(PLAIN, markers=[(10.5, "alert_on", "alert", {"modality": "sound"})])
    (only,) = laid(tmp_path / "a", PLAIN, none)
    assert only.sentence == "Only in the first run: alert on, at +0.30 s."
    (later,) = laid(tmp_path / "b", PLAIN, late)
    assert later.by == pytest.approx(0.2)


def test_lost_frames_are_told(tmp_path: Path) -> None:
    found = laid(tmp_path, PLAIN, replace(PLAIN, lost_frames=frozenset(range(450, 475))))
    assert [one.sentence for one in found] == ["In the second run frames are missing for 0.52 s from −1.02 s on."]


def test_runs_that_fire_at_another_time_are_alike_at_the_trigger_and_the_place_and_not_in_time(tmp_path: Path) -> None:
    early = replace(PLAIN, fire_t=9.0, markers=[(9.3, "alert_on", "alert", {"modality": "sound"})])
    assert laid(tmp_path / "a", PLAIN, early) == ()
    by_time = laid(tmp_path / "b", PLAIN, early, "time")
    assert by_time[0].by == pytest.approx(-1.0)
    by_place = laid(tmp_path / "c", PLAIN, early, "place")
    # the place of the first fire comes a second after the second one's
    assert by_place[0].by == pytest.approx(-1.0, abs=0.021)


def test_what_a_blind_study_hides_makes_no_difference(tmp_path: Path) -> None:
    blind = STUDY.replace('participant_pattern = "Q[0-9]+"', 'participant_pattern = "Q[0-9]+"\nblind = true')
    brakes = replace(PLAIN, own=lambda t: {"speed": SPEED - 4.0, "brake": 0.5} if t > 11.0 else {"brake": 0.0})
    resting = replace(PLAIN, own=lambda t: {"brake": 0.0})
    assert {"speed", "brake"} <= {one.what for one in laid(tmp_path / "a", resting, brakes)}
    assert laid(tmp_path / "b", resting, brakes, study=blind) == ()


def test_records_without_a_trigger_in_common_are_refused_in_one_sentence(tmp_path: Path) -> None:
    other = STUDY.replace('name = "gate-brake"', 'name = "deer"')
    paths = [
        write_record(tmp_path, PLAIN, name="Q01-20261003T101501Z-0a1b.run"),
        write_record(tmp_path, PLAIN, name="Q02-20261003T101502Z-0a1b.run", study_text=other),
    ]
    with pytest.raises(WitnessError, match=r"has no trial of a trigger that .* its trials: 1/gate-brake/1"):
        lay_runs(ReadRun.of(paths[0]), ReadRun.of(paths[1]), "trigger")


def test_the_command_prints_one_document_or_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first = write_record(tmp_path, van_braking_from(FIRE_T), name="Q01-20261003T101501Z-0a1b.run")
    second = write_record(tmp_path, van_braking_from(FIRE_T + 0.3), name="Q02-20261003T101502Z-0a1b.run")
    assert replay.run(options(str(first), "--beside", str(second), "--json")) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["differences"][0]["what"] == "the lead began to brake"
    assert [one["verdict"] for one in document["runs"]] == ["valid", "valid"]
    assert document["conditions"][0] == {"name": "time gap", "results": ["met", "met"], "values": [1.5, 1.5]}
    assert replay.run(options(str(first), "--beside", str(second), "--text")) == 0
    assert "The lead began to brake 0.30 s later" in capsys.readouterr().out


def test_without_another_record_the_last_go_is_taken(tmp_path: Path) -> None:
    record = write_record(tmp_path, PLAIN, name="Q01-20261003T101501Z-0a1b.run")
    with pytest.raises(WitnessError, match=r"no record of a rehearsal of hand that was a go"):
        reference_record(record, "hand")
    pages = tmp_path / "rehearsals"
    for day, go in ((1, True), (2, True), (3, False)):
        kept = write_record(pages, PLAIN, name=f"R{day}-2026100{day}T101501Z-0a1b.run")
        page = {"type": "rehearsal", "study": "hand", "go": go, "record": str(kept)}
        (pages / f"2026100{day}T101601Z-{'go' if go else 'no-go'}.json").write_text(json.dumps(page))
    assert reference_record(record, "hand").name.startswith("R2-")


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (200, 60)])
async def test_the_page_shows_what_differs_first_and_both_values(tmp_path: Path, size: tuple[int, int]) -> None:
    first = write_record(tmp_path, van_braking_from(FIRE_T), name="Q01-20261003T101501Z-0a1b.run")
    second = write_record(tmp_path, van_braking_from(FIRE_T, 44.0), name="Q02-20261003T101502Z-0a1b.run")
    source = ReplayProvider(first, by="ops", clock=HandClock())
    source.start()
    try:
        wait_for(lambda: source.map.done, "the record has been read")
        app = ReplayApp(source, laid=LaidOver(second))
        async with app.run_test(size=size) as pilot:
            while not isinstance(app.screen, BesidePage) or app.screen.runs() is None:
                await pilot.pause()
            app.screen.redraw()
            await pilot.pause()
            canvas = app.screen.query_one(SheetBody).canvas
            text = canvas.text() if canvas is not None else ""
            assert "▸ Time gap was 0.70 s longer" in text
            assert "1.50 s met" in text
            assert "2.20 s not met" in text
            await pilot.press("a")
            assert app.screen.laid.alignment == "place"
    finally:
        source.stop()


def test_the_text_names_both_runs(tmp_path: Path) -> None:
    path = write_record(tmp_path, PLAIN)
    run = ReadRun.of(path)
    lines = beside_lines(*lay_runs(run, run, "trigger"), "trigger")
    assert lines[0].startswith("first  Q01 (Q01-20261003T101501Z-0a1b.run)".replace("501Z", "500Z"))
    assert "Nothing differs that people would see." in lines

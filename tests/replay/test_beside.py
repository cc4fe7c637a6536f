"""Two runs laid over each other: what was put in differently is what is named first, by how much, at any alignment."""

from __future__ import annotations

import json
import shutil
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from textual.pilot import Pilot

from monitor.commands.desk import replay
from monitor.commands.desk.replay import _other_record
from monitor.errors import WitnessError
from monitor.replay.beside.difference import Difference
from monitor.replay.beside.differences import differences
from monitor.replay.beside.document import (
    Summary,
    beside_json,
    beside_lines,
    condition_pairs,
    reference_record,
    summary,
)
from monitor.replay.beside.instants import matched
from monitor.replay.beside.numbers import noise_of
from monitor.replay.beside.runs import Alignment, LaidRun, ReadRun, lay_runs
from monitor.replay.provider import ReplayProvider
from monitor.screens.dialogs.sheet import SheetBody
from monitor.screens.replay.app import ReplayApp
from monitor.screens.replay.beside import BesidePage, LaidOver, pairs_in
from tests.clocks import HandClock
from tests.judging.hand import FIRE_T, SPEED, STUDY, HandDrive
from tests.replay.conftest import flip_byte, write_record
from tests.replay.test_command import options
from tests.waiting import wait_for

FIXTURES = Path(__file__).resolve().parents[2] / "replay_fixtures"

PLAIN = HandDrive(rate_hz=50.0, end_t=20.0)
"""Two seconds longer than what is compared of it."""


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
    return differences(*both(folder, first, second, alignment, (study, study)))


def both(
    folder: Path,
    first: HandDrive,
    second: HandDrive,
    alignment: Alignment = "trigger",
    studies: tuple[str, str] = (STUDY, STUDY),
) -> tuple[LaidRun, LaidRun]:
    paths = [
        write_record(folder, drive, name=f"Q0{place}-20261003T10150{place}Z-0a1b.run", study_text=study)
        for place, (drive, study) in enumerate(zip((first, second), studies, strict=True), start=1)
    ]
    return lay_runs(ReadRun.of(paths[0]), ReadRun.of(paths[1]), alignment)


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


def driver_braking_from(begins_t: float) -> HandDrive:
    """The driver brakes with 4 m/s² from `begins_t` on, foot on the pedal; all channels agree."""

    def speed(t: float) -> float:
        return SPEED - 4.0 * min(max(t - begins_t, 0.0), 3.0)

    return replace(
        PLAIN,
        own_speed=speed,
        own=lambda t: {"brake": 0.5 if begins_t <= t < begins_t + 3.0 else 0.0, "accelerator": 0.0},
    )


def test_a_driver_who_brakes_later_is_named_with_both_times(tmp_path: Path) -> None:
    found = laid(tmp_path, driver_braking_from(FIRE_T + 1.0), driver_braking_from(FIRE_T + 1.2))
    (driver,) = [one for one in found if one.what == "the driver began to brake"]
    assert driver.by == pytest.approx(0.2, abs=0.021)
    assert found.index(driver) == 0  # what the car and the pedal do comes of it, and is told after it


def test_every_number_that_is_told_is_off_by_what_makes_it_another_one(tmp_path: Path) -> None:
    """Off for 0.3 s only: the amount is of the time in which it is off, not of a second with as good as nothing."""
    lifts = replace(PLAIN, own=lambda t: {"accelerator": 0.2 if 10.5 <= t < 10.8 else 0.6})
    found = laid(tmp_path, replace(PLAIN, own=lambda t: {"accelerator": 0.6}), lifts)
    assert [one.sentence for one in found if one.what == "accelerator"] == [
        "Accelerator was 0.40 less for 0.30 s from +0.50 s on."
    ]
    for one in laid(tmp_path / "b", driver_braking_from(11.0), driver_braking_from(11.4)):
        assert one.weight >= 1.0, one


def test_a_marker_that_comes_twice_in_one_run_is_told(tmp_path: Path) -> None:
    twice = replace(PLAIN, markers=[*PLAIN.markers, (11.2, "alert_on", "alert", {"modality": "sound"})])
    assert "Only in the second run: alert on, at +1.20 s." in [one.sentence for one in laid(tmp_path, PLAIN, twice)]
    fires = replace(PLAIN, markers=[*PLAIN.markers, (14.0, "trigger", "gate-brake", {})])
    found = [one.sentence for one in laid(tmp_path / "b", PLAIN, fires)]
    assert "Only in the second run: trigger gate-brake, at +4.00 s." in found


def test_the_times_of_one_thing_are_held_against_the_nearest_of_the_other_run() -> None:
    assert matched([0.3], [1.2, 0.31]) == [(0.3, 0.31), (None, 1.2)]
    assert matched([0.0, 5.0], []) == [(0.0, None), (5.0, None)]


def test_what_comes_just_outside_of_what_is_compared_is_missing_in_neither(tmp_path: Path) -> None:
    """8 s after the fire the comparison ends: a marker just before in one run and just after in the other is one."""
    before, after = (
        replace(PLAIN, markers=[*PLAIN.markers, (FIRE_T + at, "collision", "", {})]) for at in (7.98, 8.02)
    )
    assert laid(tmp_path, before, after) == ()


def test_another_vehicle_that_cuts_in_is_told_and_braking_is_that_of_the_one_ahead_at_the_fire(tmp_path: Path) -> None:
    """A van that brakes before another car cuts in was not the lead at the fire: that is no braking of the lead."""

    def cutting_in(t: float) -> list[dict[str, Any]]:
        x = 100.0 + SPEED * t + 12.0 + 5.25
        near = {"id": 9, "x": x, "station": x, "y": 0.0 if t > 8.0 else 30.0, "lane": 1 if t > 8.0 else 2}
        return [{**near, "heading": 0.0, "speed": SPEED, "accel": 0.0, "length": 4.0, "width": 1.8}]

    found = [one.sentence for one in laid(tmp_path, PLAIN, replace(PLAIN, more_vehicles=cutting_in))]
    assert "Only in the second run: vehicle 9 came ahead, at −1.98 s." in found
    assert any(one.startswith("Only in the first run: the lead began to brake") for one in found)


@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 60.0, 100.0])
def test_another_frame_rate_alone_is_no_difference(tmp_path: Path, rate_hz: float) -> None:
    other = replace(van_braking_from(FIRE_T + 0.013), rate_hz=rate_hz)
    assert laid(tmp_path, van_braking_from(FIRE_T + 0.013), other) == ()


def test_noise_is_no_difference_and_is_measured(tmp_path: Path) -> None:
    """Deceleration with a noise of 0.4 m/s²: two drives of one kind differ by more than half a metre a second squared
    for a quarter of a second somewhere, and nobody would call that a difference."""

    def noisy(seed: int) -> HandDrive:
        noise = np.random.default_rng(seed).normal(0.0, 0.4, 2000)
        return replace(PLAIN, own=lambda t: {"accel": float(noise[round(t * 50.0)])})

    assert [one.what for one in laid(tmp_path, noisy(1), noisy(2)) if one.what == "accel"] == []
    assert noise_of(np.random.default_rng(3).normal(0.0, 0.4, 5000)) == pytest.approx(0.4, rel=0.05)
    assert noise_of(np.linspace(0.0, 7.0, 100)) == pytest.approx(0.0, abs=1e-12)


def test_accelerations_that_are_left_at_zero_hide_no_braking(tmp_path: Path) -> None:
    def silent(begins_t: float) -> HandDrive:
        drive = van_braking_from(begins_t)
        return replace(drive, van=lambda t: {**drive.van(t), "accel": 0.0})

    found = laid(tmp_path, silent(FIRE_T), silent(FIRE_T + 0.3))
    assert found[0].what == "the lead began to brake"
    assert found[0].by == pytest.approx(0.3, abs=0.041)


def test_what_was_not_compared_is_said_and_nothing_is_never_said_of_it(tmp_path: Path) -> None:
    """Laid in time where the other drive had not begun, or was over: nothing of it is alike, and nothing differs."""
    late = replace(PLAIN, end_t=60.0, fire_t=50.0, markers=[])
    said = summary(*both(tmp_path / "a", late, replace(PLAIN, end_t=20.0), "time"))
    assert "The second run has no frame between −15.00 and +8.00 s: nothing of it is compared." in said.against
    assert "Nothing differs that people would see." not in said.differs
    wiping = replace(PLAIN, signals=lambda t: {"wipers": 1.0})
    said = summary(*both(tmp_path / "b", wiping, PLAIN))
    assert "Not compared, because only the first run tells it: wipers." in said.against
    assert said.differs[0] == "Of what was compared nothing differs that people would see."
    other = STUDY.replace("at_most = 1.9", "at_most = 1.8")
    said = summary(*both(tmp_path / "c", PLAIN, PLAIN, studies=(STUDY, other)))
    assert any(one.startswith("They are judged by two study files (hand ") for one in said.against)


def test_what_came_after_a_drive_was_over_is_not_told_as_missing_in_it(tmp_path: Path) -> None:
    off = replace(PLAIN, markers=[*PLAIN.markers, (13.0, "alert_off", "alert", {})])
    first, second = both(tmp_path, off, replace(PLAIN, end_t=12.0))
    assert [one.what for one in differences(first, second) if "alert" in one.what] == []
    assert "The second run has frames from −10.00 to +2.00 s only." in summary(first, second).against


def test_damage_is_said_in_words_and_in_the_document(tmp_path: Path) -> None:
    first = write_record(tmp_path, PLAIN, name="Q01-20261003T101501Z-0a1b.run")
    second = flip_byte(write_record(tmp_path, PLAIN, name="Q02-20261003T101502Z-0a1b.run"))
    runs = lay_runs(ReadRun.of(first), ReadRun.of(second), "trigger")
    (said,) = [one for one in summary(*runs).against if "damaged" in one]
    assert said.startswith("The second run's record is damaged in 1 place: ")
    assert said in beside_json(*runs, "trigger")["remarks"]
    assert said in beside_lines(*runs, "trigger")


def test_the_document_says_what_the_words_say(tmp_path: Path) -> None:
    twice = replace(PLAIN, markers=[*PLAIN.markers, (14.0, "trigger", "gate-brake", {})])
    runs = both(tmp_path, PLAIN, replace(twice, end_t=17.0))
    document, said = beside_json(*runs, "trigger"), summary(*runs)
    told = [one["sentence"] for one in document["differences"]]
    told += [f"Found in the {one['run']} run only: {one['code']}. {one['sentence']}" for one in document["findings"]]
    assert told == list(said.differs)
    assert document["remarks"] == list(said.against)
    assert document["differences"][0]["sentence"].startswith("Only in the second run: trigger gate-brake")


def test_what_one_run_hides_is_not_missing_in_it(tmp_path: Path) -> None:
    """An open run beside a blind one: the van braked in both, the driver in one that may be told."""
    blind = STUDY.replace('participant_pattern = "Q[0-9]+"', 'participant_pattern = "Q[0-9]+"\nblind = true')
    ends = replace(driver_braking_from(11.0), markers=[*PLAIN.markers, (11.5, "alert_off", "alert", {})])
    for which, studies in (("a", (STUDY, blind)), ("b", (blind, STUDY))):
        runs = both(tmp_path / which, ends, ends, studies=studies)
        assert [one.sentence for one in differences(*runs)] == []
        assert "What a blind record hides until it is ruled on is not compared." in summary(*runs).against


def test_a_place_between_two_frames_is_found_between_them(tmp_path: Path) -> None:
    """10 Hz at 20 m/s: a frame is 2 m. The second car is 0.9 m behind; laid at the place, that is 0.045 s."""
    first = replace(PLAIN, rate_hz=10.0, end_t=20.0)
    behind = replace(first, own=lambda t: {"x": 99.1 + SPEED * t, "station": 99.1 + SPEED * t})
    runs = both(tmp_path, first, behind, "place")
    assert runs[1].zero_t - runs[0].zero_t == pytest.approx(0.045, abs=0.002)


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
    time_gap = {"name": "time gap", "results": ["met", "met"], "values": [1.5, 1.5], "states": [None, None]}
    assert document["conditions"][0] == time_gap
    assert replay.run(options(str(first), "--beside", str(second), "--text")) == 0
    assert "The lead began to brake 0.30 s later" in capsys.readouterr().out


def test_without_another_record_the_last_go_is_taken(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = write_record(tmp_path, PLAIN, name="Q01-20261003T101501Z-0a1b.run")
    with pytest.raises(WitnessError, match=r"no record of a rehearsal of hand that was a go"):
        reference_record(record, "hand")
    pages = tmp_path / "rehearsals"
    for day, go in ((1, True), (2, True), (3, False)):
        kept = write_record(pages, PLAIN, name=f"R{day}-2026100{day}T101501Z-0a1b.run")
        page = {"type": "rehearsal", "study": "hand", "go": go, "record": str(kept)}
        (pages / f"2026100{day}T101601Z-{'go' if go else 'no-go'}.json").write_text(json.dumps(page))
    assert reference_record(record, "hand").name.startswith("R2-")
    (pages / "20261004T101601Z-go.json").write_text('{"type": "rehears')
    assert _other_record(record, "hand", "").name.startswith("R2-")
    assert "Left out" in (said := capsys.readouterr().err)
    assert "20261004T101601Z-go.json is no kept rehearsal" in said


@asynccontextmanager
async def beside_page(first: Path, second: Path, size: tuple[int, int]) -> AsyncIterator[tuple[Pilot[int], BesidePage]]:
    """The page of two runs that have been read, as it is drawn."""
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
            yield pilot, app.screen
    finally:
        source.stop()


def text_of(page: BesidePage) -> str:
    canvas = page.query_one(SheetBody).canvas
    return canvas.text() if canvas is not None else ""


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (200, 60)])
async def test_the_page_shows_what_differs_first_and_both_values(tmp_path: Path, size: tuple[int, int]) -> None:
    first = write_record(tmp_path, van_braking_from(FIRE_T), name="Q01-20261003T101501Z-0a1b.run")
    second = write_record(tmp_path, van_braking_from(FIRE_T, 44.0), name="Q02-20261003T101502Z-0a1b.run")
    async with beside_page(first, second, size) as (pilot, page):
        text = text_of(page)
        assert "▸ Time gap was 0.70 s longer" in text
        assert "1.50 s met" in text
        assert "2.20 s not met" in text
        await pilot.press("a")
        assert page.laid.alignment == "place"


def test_the_text_names_both_runs(tmp_path: Path) -> None:
    path = write_record(tmp_path, PLAIN)
    run = ReadRun.of(path)
    lines = beside_lines(*lay_runs(run, run, "trigger"), "trigger")
    assert lines[0].startswith("first  Q01 (Q01-20261003T101501Z-0a1b.run)".replace("501Z", "500Z"))
    assert "Of what was compared nothing differs that people would see." in lines
    assert "Both are the same record." in lines
    assert "The first run has frames from −10.00 to +8.00 s only." in lines  # the drive begins 10 s before the fire


def test_where_not_all_conditions_have_room_those_that_are_not_met_come_first_and_the_others_are_counted(
    tmp_path: Path,
) -> None:
    first, second = both(tmp_path, PLAIN, van_braking_from(FIRE_T, 44.0))
    pairs = condition_pairs(first, second)
    many = [pairs[1]] * 4 + [pairs[0]]  # own speed, met in both, four times; then the time gap, not met in the second
    shown, hint = pairs_in(many, 3)
    assert [name for name, _, _ in shown] == ["time gap", "own speed"]
    assert hint == "and 3 more, met in both"
    assert pairs_in(many, 5) == (many, "")
    assert pairs_in([pairs[0]] * 3, 2)[1] == "and 2 more"


LARGER = ((120, 36), (200, 60))


def test_what_decided_is_above_the_fold_however_much_else_differs() -> None:
    """The first difference, then findings that void, then those that leave open; each sentence once, none left out."""
    differs = ("first", "second", "third", "void 2", "note", "open", "void 1")
    said = Summary(differs, (), {"void 2": "not met", "void 1": "not met", "open": "undecided"})
    assert said.weightiest_first == ("first", "void 2", "void 1", "open", "second", "third", "note")


@pytest.mark.parametrize("size", [(80, 24), *(pytest.param(one, marks=pytest.mark.slow) for one in LARGER)])
@pytest.mark.parametrize(
    ("name", "said", "mark"),
    [
        ("wrong-alert", "alert-wrong. Group chime is assigned sound, but vibration was given", "╳"),
        pytest.param("frames-lost", "witness-gap. 12 frames did not reach", "▒", marks=pytest.mark.slow),
        pytest.param("double-fire", "second run: trigger gate-brake, at +4.00 s.", "▸", marks=pytest.mark.slow),
    ],
)
async def test_the_page_has_what_decided_at_every_size(
    tmp_path: Path, size: tuple[int, int], name: str, said: str, mark: str
) -> None:
    for one in ("clean", name):
        shutil.copytree(FIXTURES / f"{one}.run", tmp_path / f"{one}.run")
    async with beside_page(tmp_path / "clean.run", tmp_path / f"{name}.run", size) as (_, page):
        lines = text_of(page).splitlines()
    assert said in " ".join(" ".join(lines).split())
    assert any(line.strip().startswith(mark) and said[:20] in line for line in lines)

"""The exercise: each case comes to what its row says, and a player that reacts after a set time gets the score that
follows. Drives are simulated and judged in this process, in simulated time."""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import groupby
from pathlib import Path
from typing import Any, get_args

import pytest

from monitor.archive.gathering import gather
from monitor.commissioning.drill.attempt import HELD_BACK, TOO_LATE, Attempt, CaseResult, Outcome
from monitor.commissioning.drill.cases import CASES, PLANNED_GROUP, draw_series
from monitor.commissioning.drill.keeping import forget, keep, kept, new_series
from monitor.commissioning.drill.player import Player
from monitor.commissioning.drill.score import Score, page_lines
from monitor.errors import WitnessError
from monitor.following.beginning import check_participant
from monitor.following.building import Viewing, build_view
from monitor.following.coming.channels import ChannelWatch
from monitor.following.overview.listening import EXERCISES
from monitor.following.view import LiveView, RecorderView
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, pack_map
from monitor.recorder.running import find_running
from monitor.simulation.drive import Drive
from monitor.simulation.kinds.making import make_drive, steps_of
from monitor.simulation.plan import SHORT_AFTER_S, SHORT_BEFORE_S, SimulationPlan
from monitor.simulation.script import HELD_ENDS_S
from monitor.study.demo import EXERCISE, demo_study
from monitor.study.loading import load_study
from tests.commands.running import STUDY
from tests.following.test_heading import APPLIES, WORDS, outlook, row, trial, view
from tests.judging import simulated
from tests.waiting import wait_for

RATE_HZ = 20.0
LOOK_S, SELDOM_S = 0.5, 1.5
RECORDING = RecorderView("recording", 400.0, 0, "")
DRILL = demo_study(EXERCISE)


def driven(name: str, seed: int = 1, every_s: float = LOOK_S) -> Iterator[tuple[Session, LiveView, float]]:
    """The session and the view of a case every so often, with the seconds of receipt; until it is held back."""
    case = CASES[name]
    plan = SimulationPlan(
        scenario=case.scenario,
        seed=seed,
        rate_hz=RATE_HZ,
        group=case.group,
        participant=case.code or "DRILL-01",
        short=True,
    )
    opening = replace(simulated.opening_of(plan, DRILL), participant="DRILL-01", group=PLANNED_GROUP)
    session, channels = Session(DRILL, opening), ChannelWatch()
    messages = [one for one in simulated.entries_of(plan, DRILL) if one.kind is EntryKind.MESSAGE]
    for now, piece in groupby(messages, lambda one: one.monotonic_ns // round(every_s * 1e9)):
        session.take(list(piece))
        view = build_view(session, Viewing(record="r", recorder=RECORDING, age_s=0.0, revision=1), channels=channels)
        yield session, view, now * every_s


def played(name: str, reacts_after_s: float, seed: int = 1) -> CaseResult:
    """A case played by the script."""
    attempt = Attempt(CASES[name], 1, "gate-brake", 4.0)
    player = Player(attempt, reacts_after_s)
    last = 0.0
    for session, picture, now_s in driven(name, seed):
        attempt.see(picture, now_s)
        do(player, session, now_s)
        last = now_s
        if attempt.held_at is not None:
            break  # the desk ends the drive
    while not player.is_done and reacts_after_s < 60.0:
        last += LOOK_S
        do(player, session, last)
    return attempt.result()


def do(player: Player, session: Session, now_s: float) -> None:
    for fields in player.due(now_s):
        player.attempt.enter(fields, now_s)
        number = session.last_number + 1
        session.take([Entry(EntryKind.OPERATOR, number, round(now_s * 1e9), 0, pack_map({**fields, "wall": 1.0}))])


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(CASES))
def test_each_case_comes_to_what_its_row_says_and_is_told_when_its_kind_says(name: str) -> None:
    case = CASES[name]
    for seed in (1, 4321):
        attempt = Attempt(case, 1, "gate-brake", 4.0)
        for _, picture, now_s in driven(name, seed, SELDOM_S):
            attempt.see(picture, now_s)
        (judged,) = attempt.trials
        assert (judged.verdict, judged.stage) == (case.verdict, "final")
        result = attempt.result()
        if case.kind == "told before":
            assert result.outcome == "could have been saved"
            assert result.told_before_s is not None
            assert result.told_before_s >= 4.0
        elif case.kind == "good":
            assert result.told == ""
        else:
            assert result.outcome == "not ruled on"


@pytest.mark.slow
@pytest.mark.parametrize("name", ["frozen-speed", "another-group", "clock-drift"])
@pytest.mark.parametrize("reacts_after_s", [0.5, 2.0])
def test_who_holds_back_after_a_set_time_gets_that_time(name: str, reacts_after_s: float) -> None:
    result = played(name, reacts_after_s)
    assert (result.outcome, result.noted) == ("saved", True)
    assert result.stop_s == pytest.approx(reacts_after_s, abs=1e-6)
    assert result.rule_s is None


@pytest.mark.slow
def test_who_is_too_slow_gets_the_trial_that_could_have_been_saved_and_rules_on_it() -> None:
    result = played("gap-too-long", 6.5)  # LOSING comes 6.2 s before the fire, and the desk needs four of them
    assert (result.outcome, result.told, result.ruled) == ("could have been saved", "LOSING", ("invalid",))
    assert result.told_before_s == pytest.approx(6.2, abs=0.3)
    assert result.rule_s == pytest.approx(6.5, abs=1e-6)
    assert result.stop_s is None


@pytest.mark.slow
@pytest.mark.parametrize("name", ["clean", "no-hazard", "late-alert", "drifting"])
def test_what_fires_is_ruled_after_the_set_time_and_rightly(name: str) -> None:
    result = played(name, 1.5)
    assert (result.outcome, result.ruled, result.wrong) == ("right", (CASES[name].verdict,), 0)
    assert result.rule_s == pytest.approx(1.5, abs=1e-6)


@pytest.mark.slow
def test_a_series_played_by_a_script_gets_the_score_that_follows_from_its_time() -> None:
    drives = draw_series(3, 6)
    kinds = [drive.case.kind for drive in drives]
    quick = Score("ann", 1.0, 3, tuple(played(one.case.name, 1.0, one.seed) for one in drives))
    assert quick.numbers == {
        "seconds_to_hold_back": pytest.approx(1.0),
        "seconds_to_rule": pytest.approx(1.0),
        "saved": kinds.count("told before"),
        "could_have_been_saved": 0,
        "good_ones_stopped": 0,
        "wrong_rulings": 0,
        "not_ruled_on": 0,
        "held_without_a_note": 0,
    }
    asleep = Score("ann", 2.0, 3, tuple(played(one.case.name, 1e6, one.seed) for one in drives))
    assert asleep.numbers == {
        "seconds_to_hold_back": None,
        "seconds_to_rule": None,
        "saved": 0,
        "could_have_been_saved": kinds.count("told before"),
        "good_ones_stopped": 0,
        "wrong_rulings": 0,
        "not_ruled_on": len(drives),
        "held_without_a_note": 0,
    }


def shown(case: str, **trial_fields: Any) -> Attempt:
    """An attempt on a case that has been shown a view of it by hand: READY, and then one with its trial, if any."""
    attempt = Attempt(CASES[case], 1, "gate-brake", 4.0)
    attempt.see(view(), 10.0)
    if trial_fields:
        attempt.see(view(trials=(trial(**trial_fields),)), 40.0)
    return attempt


def test_a_good_one_that_is_stopped_is_a_good_one_stopped_and_wants_a_note() -> None:
    attempt = shown("clean")
    attempt.enter({"type": "mark", "code": HELD_BACK}, 20.0)
    result = attempt.result()
    assert (result.outcome, result.stop_s, result.noted) == ("good one stopped", None, False)
    score = Score("ann", 1.0, 1, (result,))
    assert score.numbers["good_ones_stopped"] == score.numbers["held_without_a_note"] == 1


def test_after_the_fire_nothing_is_held_back() -> None:
    attempt = shown("clean", verdict="valid")
    attempt.enter({"type": "mark", "code": HELD_BACK}, 41.0)
    assert attempt.held_at is None
    assert attempt.result().outcome == "not ruled on"


@pytest.mark.parametrize("name", ["losing", "not yet"])
def test_the_time_to_hold_back_is_from_the_word_that_was_told_first(name: str) -> None:
    attempt = shown("gap-too-long")
    for now_s in (20.0, 20.2, 24.0):
        attempt.see(view(**APPLIES[name]), now_s)
    attempt.enter({"type": "mark", "code": "look"}, 21.0)
    attempt.enter({"type": "mark", "code": HELD_BACK}, 24.5)
    attempt.enter({"type": "mark", "code": HELD_BACK}, 29.0)
    attempt.see(view(trials=(trial(fired_at=None, stage="final"),)), 32.0)
    result = attempt.result()
    assert (result.outcome, result.told, result.stop_s, result.unruled) == ("saved", WORDS[name], 4.5, 0)


def test_the_script_lets_run_what_the_screen_says_to_let_run() -> None:
    attempt = shown("gap-too-long")
    player = Player(attempt, 1.0)
    attempt.see(view(**APPLIES["losing"]), 20.0)
    assert player.due(20.9) == []
    assert [one["code"] for one in player.due(21.0)] == [HELD_BACK]
    attempt.see(view(outlook=outlook(row("lost"), seconds_left=3.0)), 21.0)
    assert attempt.heads == TOO_LATE
    assert player.due(22.0) == []


@pytest.mark.parametrize(("fired_at", "outcome"), [(44.0, "could have been saved"), (43.9, "not ruled on")])
def test_a_lost_trial_could_have_been_saved_where_the_desk_had_the_time_it_needs(fired_at: float, outcome: str) -> None:
    attempt = shown("gap-too-long")
    attempt.see(view(**APPLIES["losing"], t=40.0), 50.0)  # the desk needs 4 s
    attempt.see(view(trials=(trial(fired_at=fired_at),)), 55.0)
    assert attempt.result().outcome == outcome


@pytest.mark.parametrize(
    ("name", "ruled", "outcome"),
    [
        ("clean", "valid", "right"),
        ("clean", "undecided", "ruled wrongly"),
        ("clean", "invalid", "ruled wrongly"),
        ("no-hazard", "invalid", "right"),
        ("no-hazard", "undecided", "ruled wrongly"),
        ("late-alert", "undecided", "right"),
        ("late-alert", "invalid", "right"),
        ("late-alert", "valid", "ruled wrongly"),
    ],
)
def test_a_ruling_is_wrong_where_the_record_does_not_bear_it_out(name: str, ruled: str, outcome: str) -> None:
    attempt = shown(name, verdict=CASES[name].verdict)
    attempt.enter({"type": "ruling", "trial": "1/gate-brake/1", "verdict": ruled}, 43.0)
    result = attempt.result()
    assert (result.outcome, result.rule_s, result.ruled) == (outcome, 3.0, (ruled,))


def test_the_same_seed_gives_the_same_series_and_each_has_good_and_lost_ones_in_a_blind_order() -> None:
    places: set[int] = set()
    counts: set[int] = set()
    for seed in range(200):
        series = draw_series(seed, 8)
        assert series == draw_series(seed, 8)
        good = [place for place, drive in enumerate(series) if drive.case.kind == "good"]
        assert 2 <= len(good) <= 4
        losses = {drive.case.kind for drive in series} - {"good"}
        assert "told before" in losses
        assert len(losses) >= 3
        places |= set(good)
        counts.add(len(good))
    assert places == set(range(8))
    assert counts == {2, 3, 4}
    assert {drive.case.name for seed in range(200) for drive in draw_series(seed, 8)} == set(CASES)
    assert len(draw_series(1, 1)) == 1


def test_a_gate_that_is_held_back_does_not_fire_and_the_drive_is_ended() -> None:
    drive = make_drive(SimulationPlan(rate_hz=RATE_HZ, short=True))
    assert isinstance(drive, Drive)
    markers = []
    for step in steps_of(drive):
        drive.script.held_back = step.t >= 25.0
        markers += [(one.kind, one.t) for one in step.markers]
    assert "trigger" not in {kind for kind, _ in markers}
    kind, t = markers[-1]
    assert kind == "run_end"
    assert t == pytest.approx(25.0 + HELD_ENDS_S, abs=0.1)


def test_a_short_drive_is_on_the_wire_from_before_the_gate_to_after_it() -> None:
    steps = [one for one in steps_of(make_drive(SimulationPlan(rate_hz=RATE_HZ, short=True))) if not one.lost]
    assert steps[-1].due_s - steps[0].due_s == pytest.approx(SHORT_BEFORE_S + SHORT_AFTER_S, abs=0.5)
    assert [marker.kind for marker in steps[-1].markers] == ["run_end"]
    with pytest.raises(WitnessError, match="no short drive of the kind 'crossing'"):
        SimulationPlan(kind="crossing", group="chime", short=True)


def result(**more: Any) -> CaseResult:
    fields: dict[str, Any] = {
        "number": 1,
        "case": "clean",
        "verdict": "valid",
        "outcome": "right",
        "to_be_seen": "Go.",
    }
    return CaseResult(**{**fields, **more})


def test_the_score_counts_and_takes_medians() -> None:
    results = (
        result(rule_s=4.0, ruled=("valid",)),
        result(outcome="saved", stop_s=1.0, noted=True),
        result(outcome="saved", stop_s=2.0),
        result(outcome="saved", stop_s=6.0, noted=True),
        result(outcome="ruled wrongly", rule_s=2.0, wrong=1, ruled=("valid",)),
        result(outcome="could have been saved", unruled=1),
    )
    numbers = Score("ann", 1.0, 1, results).numbers
    assert numbers == {
        "seconds_to_hold_back": 2.0,
        "seconds_to_rule": statistics.median([4.0, 2.0]),
        "saved": 3,
        "could_have_been_saved": 1,
        "good_ones_stopped": 0,
        "wrong_rulings": 1,
        "not_ruled_on": 1,
        "held_without_a_note": 1,
    }


def test_the_page_has_each_drive_with_what_was_to_be_seen_and_the_last_time(tmp_path: Path) -> None:
    page = Score("ann", 1.0, 9, (result(outcome="saved", stop_s=1.5, told="LOSING", noted=True),)).as_json()
    alone = "\n".join(page_lines(page, None))
    assert "seconds to hold back                       1.5" in alone
    assert "█  1  clean: SAVED · LOSING was told · held back after 1.5 s\n      Go." in alone
    assert "last time" not in alone
    last = Score("ann", 0.0, 8, (result(outcome="good one stopped"),)).as_json()
    lines = page_lines(page, last)
    assert any("seconds to hold back" in line and line.endswith("1.5   last time –") for line in lines)
    assert any("good ones stopped" in line and line.endswith("0   last time 1") for line in lines)


def test_a_drive_to_be_looked_at_is_marked_and_no_other() -> None:
    results = [result(outcome=one) for one in get_args(Outcome)]
    lines = page_lines(Score("ann", 1.0, 9, tuple(results)).as_json(), None)
    marked = {one: next(line[0] for line in lines if f": {one.upper()}" in line) for one in get_args(Outcome)}
    assert [one for one, mark in marked.items() if mark == "█"] == ["saved", "right"]
    assert {mark for one, mark in marked.items() if one not in ("saved", "right")} == {"╳"}


def test_scores_are_kept_for_each_operator_apart_and_go_away_as_a_whole(tmp_path: Path) -> None:
    for by, walls in (("ann", (1000.0, 2000.0)), ("bob", (1500.0,))):
        for wall in walls:
            keep(new_series(tmp_path, by, wall), Score(by, wall, 1, (result(),)).as_json())
    assert [page["wall"] for page in kept(tmp_path, "ann")] == [1000.0, 2000.0]
    assert (tmp_path / EXERCISES / "ann").stat().st_mode & 0o077 == 0
    (tmp_path / EXERCISES / "ann" / "19700101T003320Z" / "score.json").write_text("{", encoding="utf-8")
    assert [page["wall"] for page in kept(tmp_path, "ann")] == [1000.0]
    assert forget(tmp_path, "ann") == 2
    assert kept(tmp_path, "ann") == []
    assert [page["wall"] for page in kept(tmp_path, "bob")] == [1500.0]
    assert forget(tmp_path, "ann") == 0
    for name in ("../bob", "", ".hidden", "a/b", "x" * 41):
        with pytest.raises(WitnessError, match="cannot be part of a file name"):
            forget(tmp_path, name)


def test_no_participant_has_a_code_of_the_exercise_and_the_other_way_round() -> None:
    for study in (load_study(path) for path in _configs()):
        with pytest.raises(WitnessError, match="does not fit the study's pattern"):
            check_participant(study, "DRILL-01", None)
    with pytest.raises(WitnessError, match="does not fit the study's pattern"):
        check_participant(DRILL, "Q07", None)
    check_participant(DRILL, "DRILL-01", PLANNED_GROUP)


def _configs() -> Iterable[Path]:
    studies = [*STUDY.parent.glob("kinds/*.toml"), STUDY, STUDY.parent / "whole-day.toml"]
    assert len(studies) == 7
    return studies


def test_what_is_kept_of_an_exercise_is_counted_nowhere(tmp_path: Path) -> None:
    series = new_series(tmp_path, "ann", 1000.0)
    (series / "DRILL-01-19700101T001640Z-ab12.run").mkdir()
    keep(series, Score("ann", 1000.0, 1, (result(),)).as_json())
    found = gather(tmp_path)
    assert (found.studies, found.running, found.unreadable) == ((), (), ())
    assert json.loads((series / "score.json").read_text(encoding="utf-8"))["type"] == "drill"


@pytest.mark.parametrize("cut", ["score", "drives", "wall", "by", "seed"])
def test_a_score_that_was_cut_or_is_of_another_version_is_left_out(tmp_path: Path, cut: str) -> None:
    whole = Score("ann", 1000.0, 1, (result(),)).as_json()
    keep(new_series(tmp_path, "ann", 1000.0), whole)
    keep(new_series(tmp_path, "ann", 2000.0), {name: value for name, value in whole.items() if name != cut})
    keep(
        new_series(tmp_path, "ann", 3000.0), whole | ({cut: "x"} if cut in ("score", "drives", "wall") else {"type": 1})
    )
    assert [one["wall"] for one in kept(tmp_path, "ann")] == [1000.0]


def test_the_last_time_is_told_with_its_day_and_its_drives() -> None:
    """Two of eight held back and two of two are not the same."""
    last = Score("ann", 1000.0, 1, (result(), result())).as_json()
    assert page_lines(Score("ann", 2000.0, 1, (result(),)).as_json(), last)[:2] == [
        "EXERCISE of ann: 1 drive, seed 1",
        "last time, 1970-01-01: 2 drives",
    ]


@pytest.mark.slow(seconds=30)
def test_what_was_exercised_is_kept_when_the_exercise_is_killed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed in its second drive: the first one's score is there, and the next exercise closes what still records."""
    with tempfile.TemporaryDirectory(prefix="dr-", dir="/tmp") as sockets:
        monkeypatch.setenv("XDG_RUNTIME_DIR", sockets)
        command = [sys.executable, "-m", "monitor", "drill", "--headless", "--reacts-after", "0.5", "--seed", "5"]
        command += ["--speed", "12"]
        command += ["--by", "ann", "--records", str(tmp_path), "--drives"]
        exercise = subprocess.Popen([*command, "3"], stderr=subprocess.DEVNULL)
        wait_for(lambda: any(tmp_path.glob("drills/ann/*/DRILL-02-*.run/recorder.json")), "a second drive", 90.0)
        exercise.kill()
        exercise.wait()
        (first,) = kept(tmp_path, "ann")
        assert [one["number"] for one in first["drives"]] == [1]
        again = subprocess.run([*command, "1"], capture_output=True, text=True, timeout=120, check=False)
        assert "of an exercise that was cut off was closed" in again.stderr
        assert again.returncode == 0
        assert not any(find_running(series) for series in tmp_path.glob("drills/ann/*"))

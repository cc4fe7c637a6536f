"""Why a trial came out so, on drives whose every answer is worked out by hand."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import WitnessError
from monitor.judging.session import Session
from monitor.record.addendum import append_addendum, read_addendum
from monitor.record.entries import Entry
from monitor.replay.explain.document import explanation_json, explanation_lines
from monitor.replay.explain.explanation import Explanation, explain_trial
from monitor.replay.seeking.playback import Playback
from tests.judging.hand import STUDY, HandDrive
from tests.replay.conftest import read_map, write_record

TRIAL = "1/gate-brake/1"

TWO_SIGNALS = """
[study]
name = "hand"
title = "Two signals"
participant_pattern = "Q[0-9]+"
[groups.chime]
alert = ["sound"]
[signals.ready]
source = "scripted"
[signals.distance]
unit = "m"
source = "scripted"
[[trigger]]
name = "gate-brake"
surprise_class = "rear-end"
[[trigger.fires_when]]
measure = "station"
at_least = 300.0
edge = "rising"
[[trigger.condition]]
name = "readiness"
measure = "ready"
at_least = 0.5
[[trigger.condition]]
name = "distance to gate"
measure = "distance"
at_least = 30.0
at_most = 40.0
"""


def explained(folder: Path, drive: HandDrive, text: str = STUDY, trial: str = TRIAL) -> Explanation:
    path = write_record(folder, drive, study_text=text)
    found = read_map(path)
    return explain_trial(found, Playback(found), trial)


def test_never_fired_is_told_from_its_rule_and_its_markers(tmp_path: Path) -> None:
    found = explained(tmp_path, HandDrive(fire_t=None, brake_mps2=0.0))
    assert found.trial.timing.result == "missed"
    assert found.why[:2] == (
        "The rule of gate-brake held from 10.00 s (station at least 300 m), and no trigger marker came.",
        "No marker was lost on the way, so that the simulator's script did not fire it.",
    )
    # the van is 30 m ahead at 20 m/s all the time; what comes after a fire cannot be asked
    assert "All 2 required conditions would have been met." in found.why
    assert found.nearest is not None
    assert found.nearest.sentence == "All conditions were met from 3.0 to 16.0 s."
    assert found.enough == ("No band would have made it valid: the trigger did not fire.",)
    assert found.anchor_t == pytest.approx(10.0)


def test_never_fired_with_a_lost_marker_does_not_blame_the_script(tmp_path: Path) -> None:
    # the fire's marker is the second of all; hellos carry it again, unless they are lost for good
    class Forgetful(HandDrive):
        def _hello(self, recent: list[dict[str, Any]]) -> dict[str, Any]:
            return super()._hello([])

    found = explained(tmp_path, Forgetful(lost_markers=frozenset({2}), markers=[]))
    assert any("1 of the drive's markers never arrived, so that it may have fired" in one for one in found.why)
    assert not any("script did not fire" in one for one in found.why)


def test_not_reached_says_how_near_the_rule_came(tmp_path: Path) -> None:
    found = explained(tmp_path, HandDrive(end_t=8.0, fire_t=None, markers=[]))
    assert found.trial.timing.result == "not reached"
    # the car begins at 100 m with 20 m/s: at 8 s it is at 260 m
    assert found.why[:2] == (
        "gate-brake did not fire because its rule never held (station at least 300 m); "
        "the drive ended at 8.00 s (run_end).",
        "station came to 260.0 m at 8.0 s, 40.00 m short of at least 300 m.",
    )
    assert found.conditions == ()
    assert found.needed == ()
    assert found.enough == ("No band would have made it valid: the trigger did not fire.",)


def test_a_rule_that_holds_from_the_first_frame_never_begins_to_hold(tmp_path: Path) -> None:
    text = STUDY.replace("at_least = 300.0", "at_least = 50.0")
    found = explained(tmp_path, HandDrive(fire_t=None, markers=[]), text)
    assert "station was in its band from the drive's first frame on, so that it never began to hold." in found.why


def test_a_gap_too_long_is_told_with_the_band_that_would_have_passed(tmp_path: Path) -> None:
    found = explained(tmp_path, HandDrive(), STUDY.replace("at_most = 1.9", "at_most = 1.4"))
    assert found.trial.verdict == "invalid"
    assert found.why[0] == "gate-brake fired at 10.00 s, when its rule held (station at least 300 m)."
    # 30 m at 20 m/s
    assert "time gap was 1.50 s at the fire, band 1.3 to 1.4 s, 0.10 s over." in found.why
    assert "time gap was never in its band before that; it came nearest at" in " ".join(found.why)
    (needed,) = found.needed
    assert (needed.condition, needed.at_least) == ("time gap", 1.3)
    assert needed.at_most == pytest.approx(1.5, abs=1e-9)
    assert needed.tolerance == pytest.approx(0.1, abs=2e-6)
    assert found.enough[0].startswith("time gap: a band of 1.3 to 1.5 s instead of 1.3 to 1.4 s would have passed it")
    assert found.nearest is not None
    # what comes after the fire is of the hazard's making, and is left out
    assert found.nearest.sentence == "All but time gap was met from 3.0 to 10.0 s; time gap was 0.10 s over."


def two_signals(t: float) -> dict[str, float]:
    """Ready from 6.0 s to the end of 8.95 s; 29.82 m from 4.0 s on, 35 m from 9.0 to 9.45 s, 20 m before and after."""
    distance = 35.0 if 9.0 <= t < 9.475 else 29.82 if 4.0 <= t < 9.0 else 20.0
    return {"ready": float(6.0 <= t < 8.975), "distance": distance}


def test_the_nearest_miss_in_words(tmp_path: Path) -> None:
    drive = HandDrive(rate_hz=20.0, signals=two_signals, markers=[])
    found = explained(tmp_path, drive, TWO_SIGNALS)
    assert found.nearest is not None
    # one is missing from 6.0 to 8.95 s (distance) and from 9.0 to 9.45 s (readiness): the second is nearer to the fire
    assert found.nearest.sentence == "All but readiness was met from 9.0 to 9.4 s; readiness was 0.50 short."
    assert [found.line.rows[place].name for place in found.nearest.failing] == ["readiness"]
    assert (found.nearest.start_t, found.nearest.end_t) == pytest.approx((9.0, 9.45))

    drive = HandDrive(
        rate_hz=20.0,
        markers=[],
        signals=lambda t: {**two_signals(t), "distance": min(two_signals(t)["distance"], 29.82)},
    )
    (tmp_path / "other").mkdir()
    other = explained(tmp_path / "other", drive, TWO_SIGNALS)
    assert other.nearest is not None
    assert (
        other.nearest.sentence
        == "All but distance to gate was met from 6.0 to 8.9 s; distance to gate was 0.18 m short."
    )


def test_all_conditions_met_and_fired_too_late_for_them(tmp_path: Path) -> None:
    drive = HandDrive(rate_hz=20.0, markers=[], signals=lambda t: {"ready": float(t < 8.0), "distance": 35.0})
    found = explained(tmp_path, drive, TWO_SIGNALS)
    assert found.nearest is not None
    # the last frame in which it is ready is that of 7.95 s
    assert found.nearest.sentence == "All conditions were met from 0.0 to 8.0 s, 2.0 s before that."
    assert "readiness was last in its band at 8.0 s." in found.why


def spells_of(found: Explanation, name: str) -> list[tuple[float, float, str]]:
    (row,) = [row for row in explanation_json(found)["rows"] if row["name"] == name]
    return [(round(one["from"], 3), round(one["to"], 3), one["state"]) for one in row["spells"]]


def test_the_rows_are_those_of_the_hand(tmp_path: Path) -> None:
    def signals(t: float) -> dict[str, Any]:
        return {"ready": float("nan") if 2.0 <= t < 3.0 else 1.0, "distance": 35.0 if t >= 5.0 else 41.0}

    found = explained(tmp_path, HandDrive(rate_hz=20.0, signals=signals, markers=[], end_t=12.0), TWO_SIGNALS)
    assert spells_of(found, "readiness") == [(0.0, 1.95, "met"), (2.0, 2.95, "no data"), (3.0, 12.0, "met")]
    assert spells_of(found, "distance to gate") == [(0.0, 4.95, "not met"), (5.0, 12.0, "met")]
    assert spells_of(found, "fires: station") == [(0.0, 9.95, "not met"), (10.0, 12.0, "met")]
    # columns of two seconds: rule, readiness, distance, all together
    assert found.line.columns(0.0, 12.0, 6).tolist() == [
        [0, 0, 0, 0, 0, 1],
        [1, 2, 1, 1, 1, 1],
        [0, 0, 2, 1, 1, 1],
        [0, 0, 2, 1, 1, 1],
    ]
    assert found.line.columns(11.0, 15.0, 4)[0].tolist() == [1, 1, -2, -2]


def test_a_condition_over_a_window_answers_for_a_fire_at_each_frame(tmp_path: Path) -> None:
    # own speed must lie in its band for three seconds before the fire: 25 m/s at 5.0 s spoils every fire until 8.0 s
    drive = HandDrive(rate_hz=20.0, own=lambda t: {"speed": 25.0 if t == 5.0 else 20.0})
    found = explained(tmp_path, drive)
    assert spells_of(found, "own speed")[:4] == [
        (0.0, 2.95, "no data"),
        (3.0, 4.95, "met"),
        (5.0, 8.0, "not met"),
        (8.05, 16.0, "met"),
    ]


def test_lost_frames_break_the_line_and_are_no_data(tmp_path: Path) -> None:
    drive = HandDrive(rate_hz=20.0, lost_frames=frozenset(range(80, 100)))
    found = explained(tmp_path, drive)
    # from 4.0 to 4.95 s there is no frame; a window of three seconds has the hole in it until 7.95 s
    assert spells_of(found, "own speed") == [
        (0.0, 2.95, "no data"),
        (3.0, 3.95, "met"),
        (5.0, 7.95, "no data"),
        (8.0, 16.0, "met"),
    ]
    assert found.line.columns(4.0, 5.0, 4)[1].tolist() == [-2, -2, -2, -2]


def test_a_fire_before_its_rule_says_how_far_the_rule_was(tmp_path: Path) -> None:
    found = explained(tmp_path, HandDrive(fire_t=8.0))
    assert found.why[0] == (
        "gate-brake fired at 8.00 s, before its rule held (station at least 300 m); it held at 10.00 s."
    )
    assert found.why[1].startswith("About then station was 4")
    assert "No band changes fired-early" in " ".join(found.enough)


def test_a_double_fire_says_which_it_is(tmp_path: Path) -> None:
    drive = HandDrive(markers=[(15.0, "trigger", "gate-brake", {})])
    found = explained(tmp_path, drive, trial="1/gate-brake/2")
    assert found.why[0] == "gate-brake fired at 15.00 s for the 2nd time; one is expected."
    assert any(one.startswith("No band changes fired-twice") for one in found.enough)


def test_an_unknown_trial_is_named_with_those_there_are(tmp_path: Path) -> None:
    with pytest.raises(WitnessError, match=r"has no trial 1/gate-brake/7; it has 1/gate-brake/1\."):
        explained(tmp_path, HandDrive(), trial="1/gate-brake/7")


def test_a_blind_study_shows_no_response_before_the_ruling(tmp_path: Path) -> None:
    text = STUDY.replace('title = "Written by hand"', 'title = "Written by hand"\nblind = true')
    path = write_record(tmp_path, HandDrive(), study_text=text)
    found = read_map(path)
    playback = Playback(found)
    hidden = explain_trial(found, playback, TRIAL)
    assert max(spell.end_t for spell in hidden.line.spells) == pytest.approx(10.0)
    assert (hidden.end_t, hidden.anchor_t) == pytest.approx((10.0, 10.0))
    names = [row.name for row in hidden.line.rows]
    append_addendum(path, {"type": "ruling", "key": "k", "trial": TRIAL, "verdict": "valid", "reason": "", "by": "ops"})
    playback.addendum = read_addendum(path)
    shown = explain_trial(found, playback, TRIAL)
    after = [spell for spell in shown.line.spells if spell.start_t > 10.02]
    assert {spell.state[names.index("own speed")] for spell in after} == {1}


@pytest.mark.parametrize("fire_t", [10.0, None])
def test_a_trial_is_explained_from_the_frames_about_it_alone(
    fire_t: float | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However long the record goes on after it: it is not gone to its end for that."""
    reached = []
    take = Session.take
    numbers: list[int] = []

    def counted(session: Session, entries: list[Entry]) -> None:
        numbers.extend(one.number for one in entries)
        take(session, entries)

    for end_t in (60.0, 240.0):
        (tmp_path / f"{end_t}").mkdir()
        drive = HandDrive(fire_t=fire_t, end_t=end_t, rate_hz=20.0, brake_mps2=0.0)
        found = read_map(write_record(tmp_path / f"{end_t}", drive))
        numbers.clear()
        with monkeypatch.context() as patch:
            patch.setattr(Session, "take", counted)
            explain_trial(found, Playback(found), TRIAL)
        reached.append((len(numbers), max(numbers)))
    assert reached[0] == reached[1]
    assert reached[0][1] < 20.0 * 30.0 * 1.2


def test_it_is_json_and_sentences(tmp_path: Path) -> None:
    found = explained(tmp_path, HandDrive(), STUDY.replace("at_most = 1.9", "at_most = 1.4"))
    document = json.loads(json.dumps(explanation_json(found), allow_nan=False))
    assert document["trial"] == TRIAL
    assert document["needed"][0]["at_most"] == pytest.approx(1.5)
    assert document["nearest_miss"]["missing"] == ["time gap"]
    lines = explanation_lines(found)
    assert lines[0] == "1/gate-brake/1  INVALID"
    assert any("would have passed it" in line for line in lines)

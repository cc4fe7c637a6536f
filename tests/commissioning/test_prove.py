"""Detection limits on a record: what is found and what passes, and that nothing of it touches a disk."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.commissioning.proving.anew import STAFF, trials_of
from monitor.commissioning.proving.faults import CHANNELS, Body, Place, Spoiling, spoil_channel
from monitor.commissioning.proving.limits import Limit, Proof, Tried, prove
from monitor.commissioning.proving.words import proof_lines
from monitor.record.reader import RecordReading
from monitor.study.loading import parse_study
from tests.commands.running import call
from tests.leaks.participants import drivers, record_of
from tests.leaks.participants import study as leaks_study

CLEAN = Path(__file__).parents[2] / "replay_fixtures" / "clean.run"


def limit(proof: Proof, who: str, channel: str, kind: str) -> Limit:
    return next(one for one in proof.limits if (one.who, one.channel, one.fault.kind) == (who, channel, kind))


def test_a_trial_comes_out_the_same_by_its_own_frames() -> None:
    reading = RecordReading(CLEAN)
    study = parse_study(reading.opening.study_text, "clean")
    for anew in trials_of(reading, study)[0]:
        again = anew.judge()
        assert again is not None
        assert (again.verdict, again.findings, again.conditions) == (
            anew.trial.verdict,
            anew.trial.findings,
            anew.trial.conditions,
        )
        assert again.verdict == "valid"
        # nothing of what is given changes
        before = anew.frames.own["speed"].copy()
        fault = CHANNELS["speed"][0]
        place = Place(anew.frames.t - anew.marker.t, 0.0)
        spoilt = spoil_channel(anew.frames, Body("own car"), "speed", Spoiling(fault, place, 0.1))
        np.testing.assert_array_equal(anew.frames.own["speed"], before)
        np.testing.assert_allclose(spoilt.own["speed"], 1.1 * before)


def test_what_would_have_passed_stands_at_the_top() -> None:
    fault = CHANNELS["speed"][0]
    passes = Limit("1/a/1", "valid", "own car", "speed", fault, [Tried(0.5, "invalid", (), {"gap": 0.25})])
    found = Limit(
        *("1/a/1", "valid", "own car", "accel", fault),
        [Tried(0.5, "undecided", ("channels-disagree",), {}), Tried(0.2, "valid", (), {"gap": -0.01})],
    )
    proof = Proof("r", "s", "0" * 64, (("1/a/1", "valid", 60.0),), (passes, found))
    lines = proof_lines(proof)
    assert lines[1:3] == [
        "Would have passed:",
        "  1/a/1  own car speed, scale of 50 %: gap off by 0.25, and another verdict by it",
    ]
    assert any(line.split() == "own car accel scale 50 % channels-disagree gap 0.01".split() for line in lines)
    assert found.found_from == 0.5
    assert not math.isnan(found.off[1] if found.off else math.nan)


@pytest.mark.slow(seconds=20)
def test_what_can_be_told_is_found_and_processes_that_share_the_faults_print_the_same_and_write_nothing(
    tmp_path: Path,
) -> None:
    proof = prove(CLEAN, short=True)
    for who in ("own car", "lead"):
        for channel, kind in (("speed", "scale"), ("station", "step"), ("place", "step")):
            one = limit(proof, who, channel, kind)
            assert one.found_from is not None, (who, channel, kind)
            assert not one.would_pass
    assert {name for name, _, _ in proof.trials} == {"1/gate-brake/1", "1/side-gust/1"}
    before = {one: one.stat().st_mtime_ns for one in CLEAN.rglob("*")}
    done = call("prove", str(CLEAN), "--short", "--json", "--jobs", "2")
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert document == json.loads(json.dumps(proof.as_json()))
    assert document["type"] == "detection limits"
    assert {one["channel"] for one in document["limits"]} >= {"speed", "accel", "station", "place"}
    assert {one: one.stat().st_mtime_ns for one in CLEAN.rglob("*")} == before
    assert call("prove", str(tmp_path)).returncode == 2


def test_of_a_blind_record_only_what_came_before_the_hidden_response_is_proved(tmp_path: Path) -> None:
    driver = drivers(1, seed=5)[0]
    blind = record_of(tmp_path, driver)
    staff = record_of(tmp_path, replace(driver, code=STAFF))
    for path, proved, left_out in (
        (blind, ["1/gate-brake/1"], ("1/side-gust/1",)),
        (staff, ["1/gate-brake/1", "1/side-gust/1"], ()),
    ):
        found, without = trials_of(RecordReading(path), leaks_study())
        assert ([one.trial.id for one in found], without) == (proved, left_out)
        again = found[0].judge()
        assert again is not None
        assert again.withheld == (path is blind)

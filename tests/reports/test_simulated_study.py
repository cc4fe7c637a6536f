"""A whole study from the simulator: 48 participants with losses, through tally, comparison and export; and the effect
that was put in comes back within its interval as often as the interval promises.

The same by commands, one simulated drive after the other, stands in the maintainers' document.
"""

from __future__ import annotations

import json
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.archive.gathering import gather
from monitor.record.addendum import append_addendum
from monitor.record.withdrawing import withdraw_record
from monitor.reports.comparison.comparison import compare_studies
from monitor.reports.export.export import ExportPlan, export_records
from monitor.reports.statistics.intervals import difference_interval, median_interval
from monitor.reports.statistics.survival import Times
from monitor.reports.tally.tally import tally_json
from monitor.simulation.driver import LOG_SPREAD, MEDIAN_S, MEDIAN_WITHOUT_S, MOVE_S
from monitor.simulation.plan import SimulationPlan
from monitor.study.demo import demo_study
from monitor.study.lots import draw_lots
from monitor.study.model import AssignmentRule
from tests.commands.running import call
from tests.lazily import Lazily
from tests.reports.making import simulated_messages, simulated_record

pd = Lazily("pandas")

RATE_HZ = 12.0
SEEDED = random.Random(20311).randrange
"""Where a study draws from the system's randomness: the test is to be the same each time."""
UNTIL_S = 42.0
"""gate-brake fires after 30 s and is decided after 40; the rest of the drive would double the test's time."""
LOSSES = {
    5: "gap-too-long",
    11: "wrong-alert",
    17: "frames-lost",
    23: "already-braking",
    30: "not-reached",
    41: "stutter",
}
CENSORED = {8: "no-response", 27: "collision"}
CRITERION_S = 0.30
"""The simulator gives the alert, and its drivers without one begin to respond, so long after the hazard begins."""


@pytest.fixture(scope="module")
def study_directory(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """48 sealed records in the order of lots of the study's permuted blocks, some of them lost."""
    directory = tmp_path_factory.mktemp("study")
    study = demo_study()
    drawn = draw_lots(replace(study, assignment=AssignmentRule("blocks", block_sizes=(4,))), "site", 48, SEEDED)
    order = [lot.group for lot in drawn.lots]
    for number, group in enumerate(order):
        scenario = LOSSES.get(number) or CENSORED.get(number) or "clean"
        plan = SimulationPlan(
            scenario=scenario, seed=100 + number, rate_hz=RATE_HZ, group=group, participant=f"Q{10 + number}"
        )
        simulated_record(directory, plan, UNTIL_S, day=number // 5, sealed=True)
    return directory


def of_gate_brake(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    (study,) = document["studies"]
    trigger = next(one for one in study["triggers"] if one["trigger"] == "gate-brake")
    return {one["group"]: one for one in trigger["groups"]}


@pytest.mark.slow(seconds=25)
def test_forty_eight_participants_from_the_first_drive_to_the_tables(study_directory: Path, tmp_path: Path) -> None:
    groups = of_gate_brake(tally_json(gather(study_directory)))
    assert {name: group["run"] for name, group in groups.items()} == dict.fromkeys(demo_study().groups, 12)
    total = {name: sum(group[name] for group in groups.values()) for name in ("valid", "invalid", "undecided")}
    assert total == {"valid": 42, "invalid": 5, "undecided": 1}
    reasons = {reason for group in groups.values() for reason in group["invalid_by_reason"]}
    assert {"time gap: not met", "alert-wrong", "braking-before-hazard", "display-stutter"} <= reasons
    # the study lead rules on the undecided one, and one participant withdraws
    (undecided,) = [
        run_ for run_ in gather(study_directory).runs for one in run_.trials if one.effective == "undecided"
    ]
    fields = {"type": "ruling", "key": "k", "trial": "1/gate-brake/1", "verdict": "valid", "reason": "judged-harmless"}
    append_addendum(study_directory / undecided.record, {**fields, "words": "", "by": "anna", "wall": 1.0})
    withdraw_record(next(study_directory.glob("Q57*")), "anna")
    found = gather(study_directory)
    groups = of_gate_brake(tally_json(found))
    assert sum(group["valid"] for group in groups.values()) == 42
    assert sum(group["withdrawn"] for group in groups.values()) == 1
    assert "(not known)" not in groups

    (one,) = compare_studies(found)
    by_name = {group.group: group for group in one.groups}
    assert sum(group.n for group in one.groups) == 42
    assert sum(group.ended("contact") for group in one.groups) == 1
    assert sum(group.ended("horizon") for group in one.groups) == 1
    # what the simulator's drivers do, to the frame: alert 0.30 s after the hazard, then the modality's median
    for name, modality in (("chime", "sound"), ("seat-pulse", "vibration"), ("light-strip", "light")):
        within(by_name[name], CRITERION_S + MEDIAN_S[modality] - MOVE_S)
    within(by_name["no-alert"], CRITERION_S + MEDIAN_WITHOUT_S - MOVE_S)
    assert one.test.p is not None
    assert one.test.p < 0.01
    # the contrasts that the demo's study fixes: each alert against none
    assert [(pair.first, pair.second) for pair in one.pairs] == [
        ("no-alert", name) for name in ("chime", "seat-pulse", "light-strip")
    ]

    exported = export_records(found, ExportPlan("csv", rate_hz=4.0), tmp_path / "tables")
    table = pd.read_csv(exported.directory / "trials.csv").query("trigger == 'gate-brake' and effective == 'valid'")
    times = table.set_index("participant")["first_response_s"]
    assert times.notna().sum() == 40
    assert sorted(times.dropna()) == pytest.approx(
        sorted(t for group in one.groups for t in group.times.t[group.times.event].tolist()), abs=1e-9
    )
    done = call("tally", str(study_directory), "--json")
    assert done.returncode == 0, done.stderr
    assert of_gate_brake(json.loads(done.stdout)) == groups


def within(group: Any, truth: float) -> None:
    """The median's interval holds what was put in, to one frame."""
    assert group.median_interval.low is not None
    assert group.median_interval.low - 1 / RATE_HZ <= truth
    assert group.median_interval.high is None or truth <= group.median_interval.high + 1 / RATE_HZ


def test_a_simulated_study_is_the_same_again() -> None:
    plan = SimulationPlan(seed=3, rate_hz=RATE_HZ)
    frames = [one for one in simulated_messages(plan) if one[0] != b"hello"]
    assert frames == [one for one in simulated_messages(plan) if one[0] != b"hello"]


def drawn_times(source: random.Random, median_s: float, n: int, horizon_s: float = 5.0) -> Times:
    """First responses as the simulator draws them: lognormal, cut at 1.4 deviations, `MOVE_S` before the brake."""
    pairs = []
    for _ in range(n):
        deviation = max(-1.4, min(1.4, source.gauss(0.0, 1.0)))
        t = CRITERION_S + median_s * np.exp(LOG_SPREAD * deviation) - MOVE_S
        lost = source.random() < 0.05
        pairs.append((horizon_s if lost else float(t), not lost))
    return Times.of(pairs)


def test_the_effect_put_in_comes_back_at_the_nominal_rate() -> None:
    """Medians of chime and no alert, and their difference, over 600 studies of 12 a group."""
    rounds, n = 600, 12
    held = {"chime": 0, "no-alert": 0, "difference": 0}
    # 5 % never respond: the median of all is the 0.5/0.95 quantile of those who do
    quantile = 0.0660  # of the normal distribution, for 0.5263
    truth = {
        name: CRITERION_S + median_s * float(np.exp(LOG_SPREAD * quantile)) - MOVE_S
        for name, median_s in (("chime", MEDIAN_S["sound"]), ("no-alert", MEDIAN_WITHOUT_S))
    }
    for seed in range(rounds):
        source = random.Random(seed)
        chime, none = drawn_times(source, MEDIAN_S["sound"], n), drawn_times(source, MEDIAN_WITHOUT_S, n)
        for name, group in (("chime", chime), ("no-alert", none)):
            found = median_interval(group)
            assert found.coverage == pytest.approx(0.9614, abs=5e-5)
            held[name] += (found.low or 0.0) <= truth[name] and (found.high is None or truth[name] <= found.high)
        found = difference_interval(chime, none, seed=seed)
        low, high = found.low, found.high
        held["difference"] += (low is None or low <= truth["no-alert"] - truth["chime"]) and (
            high is None or truth["no-alert"] - truth["chime"] <= high
        )
    # 96.14 % of 600 is 576.8, standard deviation 4.7
    assert abs(held["chime"] - 576.8) < 4 * 4.7
    assert abs(held["no-alert"] - 576.8) < 4 * 4.7
    # resampling promises about 95 % (570, standard deviation 5.3) and is a little wide for medians of 12
    assert 554 <= held["difference"] <= 594

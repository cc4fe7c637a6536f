"""`demo --headless` for every scenario of the demo: the verdict and the condition or finding that decided."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.commands.running import call, demo, trials

GATE = "1/gate-brake/1"

TABLE = [
    ("clean", "valid", None),
    ("gap-too-long", "invalid", "time gap"),
    ("drifting", "invalid", "lane offset"),
    ("eyes-up", "invalid", "eyes off road"),
    ("soft-braking", "invalid", "van braking"),
    ("early-fire", "invalid", "fired-early"),
    ("late-fire", "undecided", "fired-late"),
    ("never-fired", "invalid", "trigger-missed"),
    ("not-reached", "invalid", "trigger-not-reached"),
    ("wrong-alert", "invalid", "alert-wrong"),
    ("silent-alert", "invalid", "alert-missing"),
    ("already-braking", "invalid", "braking-before-hazard"),
    ("intruder", "undecided", "lead-changed"),
    ("frames-lost", "undecided", "witness-gap"),
    ("stutter", "invalid", "display-stutter"),
    ("frozen-speed", "undecided", "channel-frozen"),
    ("wrong-units", "undecided", "unit-implausible, channels-disagree"),
    ("collision", "valid", None),
    ("no-response", "valid", None),
]


def decided_by(trial: dict[str, Any]) -> set[str]:
    """The required conditions that are not met, and the void and doubtful findings."""
    conditions = {one["name"] for one in trial["conditions"] if one["required"] and one["result"] == "not met"}
    return conditions | {one["code"] for one in trial["findings"] if one["severity"] != "note"}


QUICK = ("clean", "gap-too-long", "wrong-alert")
"""Three go through real processes in the quick run; in process `tests/judging/test_scenarios.py` has them all."""
SELDOM_HZ = 20.0
"""The frames a second of the others, which cost a third less so; these three go at the demo's own 60."""


@pytest.mark.parametrize(
    ("scenario", "verdict", "by"),
    [pytest.param(*row, id=row[0], marks=() if row[0] in QUICK else pytest.mark.slow) for row in TABLE],
)
def test_each_scenario_gives_its_verdict_and_its_reason_and_no_other(
    scenario: str, verdict: str, by: str | None, tmp_path: Path
) -> None:
    document = demo(tmp_path, scenario, rate_hz=60.0 if scenario in QUICK else SELDOM_HZ)
    trial = trials(document)[GATE]
    assert trial["verdict"] == verdict
    assert decided_by(trial) == (set(by.split(", ")) if by else set())
    assert document["feed"]["bad"] == 0
    if scenario in ("collision", "no-response"):
        assert trial["response"]["censored_at_s"] is not None or trial["response"]["outcome"] == "collision"


@pytest.mark.slow
def test_a_double_fire_is_two_trials_the_second_not_naive(tmp_path: Path) -> None:
    found = trials(demo(tmp_path, "double-fire", rate_hz=SELDOM_HZ))
    assert found[GATE]["verdict"] == "valid"
    second = found["1/gate-brake/2"]
    assert (second["verdict"], second["naive"], second["timing"]["result"]) == ("invalid", "no", "double")
    assert {"fired-twice", "not-naive"} <= decided_by(second)


@pytest.mark.slow
def test_the_same_seed_gives_the_same_trials_and_review_agrees(tmp_path: Path) -> None:
    import json

    first, second, other = (
        demo(tmp_path / name, seed=seed, rate_hz=SELDOM_HZ) for name, seed in (("a", 5), ("b", 5), ("c", 6))
    )
    assert first["trials"] == second["trials"]
    assert other["trials"] != first["trials"]
    (reviewed,) = json.loads(call("review", "--json", first["record"]).stdout)
    assert reviewed["trials"] == first["trials"]
    assert reviewed["feed"] == first["feed"]


def test_an_unknown_scenario_is_said_with_a_suggestion_and_status_2() -> None:
    done = call("demo", "--headless", "--scenario", "drifing")
    assert done.returncode == 2
    assert "drifting" in done.stderr
    assert "Traceback" not in done.stderr


def test_without_a_terminal_the_screen_points_to_headless() -> None:
    done = call("demo")
    assert done.returncode == 2
    assert "--headless" in done.stderr
    assert "Traceback" not in done.stderr

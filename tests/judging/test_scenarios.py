"""Every scenario of the simulator gives the finding that its fault stands for, and no other one that voids the trial.

The rows are those of a list of why trials go bad (common practice; the list stands in DEVELOPERS.md). Drives are
simulated at 20 Hz and judged in this process: no sockets, no clock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pytest

from monitor.judging.case.trial import Trial
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.repertoire import DEMO, KINDS
from monitor.simulation.scenarios import SCENARIOS
from tests.judging.simulated import GROUPS, session_of

pytestmark = pytest.mark.slow

RATE_HZ = 20.0
SEED = 1


@dataclass(frozen=True)
class Expected:
    """What is found on `gate-brake`; `conditions` are those not met, `open` those undecided."""

    verdict: str
    timing: str = "on time"
    findings: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    open: tuple[str, ...] = ()
    outcome: str | None = None
    gust: tuple[str, str] = ("valid", "")
    """Verdict on the second trial, and the code of its finding."""


OF_SPEED = ("time gap", "own speed", "closing speed")

EXPECTED = {
    "clean": Expected("valid", outcome="responded"),
    # the scene
    "gap-too-long": Expected("invalid", conditions=("time gap",)),
    "too-slow": Expected("invalid", conditions=("own speed",)),
    "catching-up": Expected("valid", conditions=("closing speed",)),  # advisory in this study
    "curve": Expected("valid", findings=("curved-path",), conditions=("yaw rate",)),  # advisory, and a note
    "intruder": Expected("undecided", findings=("lead-changed",)),
    "lead-swap": Expected("undecided", findings=("lead-changed",)),
    # the trigger
    "early-fire": Expected("invalid", "early", ("fired-early",)),
    "late-fire": Expected("undecided", "late", ("fired-late",)),
    "never-fired": Expected("invalid", "missed", ("trigger-missed",)),
    "wrong-trigger": Expected("invalid", "missed", ("trigger-missed", "trigger-unknown")),
    "not-reached": Expected(
        "invalid", "not reached", ("trigger-not-reached",), gust=("invalid", "trigger-not-reached")
    ),
    "double-fire": Expected("valid"),
    # the hazard
    "soft-braking": Expected("invalid", conditions=("van braking",)),
    "no-hazard": Expected("invalid", findings=("hazard-missing",), conditions=("van braking",)),
    "aborted": Expected(
        "undecided",
        findings=("window-cut",),
        open=("van braking",),
        outcome="cut short",
        gust=("invalid", "trigger-not-reached"),
    ),
    # the alert
    "wrong-alert": Expected("invalid", findings=("alert-wrong",)),
    "silent-alert": Expected("invalid", findings=("alert-missing",)),
    "late-alert": Expected("undecided", findings=("alert-late",)),
    "doubled-alert": Expected("undecided", findings=("alert-doubled",)),
    "alert-commanded-only": Expected("valid"),
    # the task
    "task-missing": Expected("invalid", findings=("task-missing",)),
    "task-ended-early": Expected("undecided", findings=("task-ended-early",)),
    "task-four-items": Expected("undecided", findings=("task-items",)),
    "task-slow-items": Expected("undecided", findings=("task-spacing",)),
    "clock-drift": Expected("undecided", findings=("clock-drift",), gust=("undecided", "clock-drift")),
    # the driver before the hazard
    "eyes-up": Expected("invalid", conditions=("eyes off road",)),
    "drifting": Expected("invalid", conditions=("lane offset",)),
    "lane-straddle": Expected("invalid", conditions=("lane offset",)),
    "already-braking": Expected("invalid", findings=("braking-before-hazard",), outcome="already responding"),
    "coasting": Expected("undecided", findings=("accelerator-released-before",)),
    "two-footed": Expected("valid", findings=("two-footed",)),
    # the response: an outcome, never a reason
    "collision": Expected("valid", outcome="collision before response"),
    "no-response": Expected("valid", outcome="no response"),
    "steers-only": Expected("valid", outcome="responded"),
    "anticipating": Expected("valid", outcome="anticipatory"),
    # the wire and the simulator
    "frames-lost": Expected(
        "undecided",
        findings=("witness-gap",),
        open=("time gap", "own speed", "lane offset", "eyes off road", "closing speed", "yaw rate"),
    ),
    "marker-lost": Expected("valid"),
    "late-start": Expected("undecided", findings=("witness-gap",), open=("own speed", "lane offset")),
    "stutter": Expected("invalid", findings=("display-stutter",)),
    "slow-motion": Expected("undecided", findings=("slow-motion",), gust=("undecided", "slow-motion")),
    "frozen-speed": Expected("undecided", findings=("channel-frozen",), gust=("undecided", "channel-frozen")),
    "wrong-units": Expected(
        "undecided",
        "not stated",  # by the speed the car would have been elsewhere
        findings=("channels-disagree", "unit-implausible"),
        open=OF_SPEED,
        gust=("undecided", "unit-implausible, channels-disagree, channels-disagree"),
    ),
    "mirrored-axes": Expected(
        "undecided",
        findings=("axis-implausible",),  # the signs change no result
        gust=("undecided", "axis-implausible, axis-implausible, axis-implausible"),
    ),
    "pedal-stuck": Expected("undecided", findings=("channel-frozen",), gust=("undecided", "channel-frozen")),
    "pedal-saturated": Expected("undecided", findings=("pedal-saturated",), gust=("undecided", "pedal-saturated")),
    "pedal-offset": Expected("undecided", findings=("pedal-offset",), gust=("undecided", "pedal-offset")),
    "platform-faded": Expected("invalid", findings=("platform-stopped",), gust=("invalid", "platform-stopped")),
    "platform-limit": Expected("valid", findings=("platform-limit",), gust=("valid", "platform-limit")),
}
"""`practice` expects no trial at all."""


def drive(scenario: str, seed: int = SEED, rate_hz: float = RATE_HZ) -> dict[str, Trial]:
    plan = SimulationPlan(scenario=scenario, seed=seed, rate_hz=rate_hz, group=GROUPS[(seed - 1) % 4])
    return {trial.id: trial for trial in session_of(plan).trials()}


def named(trial: Trial, result: str) -> set[str]:
    return {one.name for one in trial.conditions if one.result == result}


def test_every_scenario_is_in_the_table() -> None:
    assert {*EXPECTED, "practice"} == set(SCENARIOS)


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_the_stated_finding_and_no_other_one(name: str) -> None:
    expected, trials = EXPECTED[name], drive(name)
    trial = trials["1/gate-brake/1"]
    assert {one.code for one in trial.findings} == set(expected.findings), [one.sentence for one in trial.findings]
    assert (trial.verdict, trial.timing.result, trial.stage) == (expected.verdict, expected.timing, "final")
    if trial.fired_at is not None:
        assert named(trial, "not met") == set(expected.conditions)
        assert named(trial, "undecided") == set(expected.open)
    if expected.outcome is not None:
        assert trial.response is not None
        assert trial.response.outcome == expected.outcome
    gust = trials["1/side-gust/1"]
    assert (gust.verdict, ", ".join(one.code for one in gust.findings)) == expected.gust


def test_each_sentence_names_what_and_when() -> None:
    for name in ("stutter", "late-alert", "task-slow-items", "frozen-speed", "platform-limit", "clock-drift"):
        for finding in drive(name)["1/gate-brake/1"].findings:
            assert finding.sentence.endswith((".", "?"))
            assert any(character.isdigit() for character in finding.sentence), finding.sentence


def test_the_second_fire_is_a_trial_of_its_own_and_not_naive() -> None:
    trials = drive("double-fire")
    second = trials["1/gate-brake/2"]
    assert (second.verdict, second.timing.result, second.naive) == ("invalid", "double", "no")
    assert {"fired-twice", "not-naive"} <= {one.code for one in second.findings}
    assert second.what_now.startswith("Go on")
    assert trials["1/gate-brake/1"].verdict == "valid"


def test_a_practice_drive_has_no_trial() -> None:
    assert drive("practice") == {}


@pytest.mark.parametrize(
    ("scenario", "begin"),
    [
        ("never-fired", "Run again: still naive, because the trigger did not fire and nothing of its hazard showed."),
        ("not-reached", "Run again: still naive, because the drive ended before the trigger."),
        ("wrong-trigger", "Stop and replace: the hazard showed itself; the next participant takes the place in group"),
        ("gap-too-long", "Stop and replace: the hazard showed itself; the next participant takes the place in group"),
        ("late-alert", "Your call on alert-late: rule it valid or invalid, with a reason."),
        ("clean", "Go on: the trial is valid."),
    ],
)
def test_what_now(scenario: str, begin: str) -> None:
    assert drive(scenario)["1/gate-brake/1"].what_now.startswith(begin)


# 50 seeds at 20 Hz: half a second each; the rates of 30 and 60 Hz are covered by the other tests
@pytest.mark.parametrize("first", range(0, 50, 10))
def test_fifty_clean_drives_give_no_false_alarm(first: int) -> None:
    for seed in range(first, first + 10):
        for trial in drive("clean", seed, rate_hz=20.0).values():
            assert (trial.verdict, trial.findings) == ("valid", ()), (seed, trial)


# --- the response decides nothing -------------------------------------------------------------------------------------

RESPONSES = {
    "at once": (0.35, 0.0),
    "late": (2.0, 0.0),
    "never": (math.inf, 0.0),
    "into the van": (4.6, 0.0),
    "aside": (math.inf, 1.4),
    "into the other lane": (math.inf, 2.6),
}
"""How long until the driver responds, in s, and how far aside the car is steered, in m."""
BASES = ("clean", "intruder", "soft-braking", "late-alert", "frozen-speed", "pedal-stuck", "platform-limit", "stutter")


@pytest.mark.parametrize("base", BASES)
def test_another_response_and_nothing_else_changes_no_verdict(base: str, monkeypatch: pytest.MonkeyPatch) -> None:
    judged = {}
    for words, (response_s, swerve_m) in RESPONSES.items():
        varied = replace(SCENARIOS[base], name="varied", response_s=response_s, swerve_m=swerve_m)
        monkeypatch.setitem(SCENARIOS, "varied", varied)
        monkeypatch.setitem(KINDS[DEMO].scenarios, "varied", "")
        trial = drive("varied", rate_hz=20.0)["1/gate-brake/1"]
        assert trial.response is None or trial.response.outcome
        judged[words] = (trial.verdict, trial.conditions, trial.findings, trial.alert, trial.timing, trial.naive)
    assert len({repr(one) for one in judged.values()}) == 1, judged

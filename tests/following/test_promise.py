"""READY is a promise: whatever judging will find of a trial and could be known before its fire was said before it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from monitor.following.building import Viewing, build_view
from monitor.following.heading.table import headings, over_the_ladder
from monitor.following.view import LiveView, RecorderView
from monitor.judging.case.trial import Trial
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.scenarios import SCENARIOS
from monitor.study.reasons import FINDING_REASONS
from tests.judging import simulated
from tests.judging.hand import SPEED, STUDY, HandDrive, Mark, entries_of, opening_of, study_of

RECORDING = RecorderView("recording", 400.0, 0, "")
SOON_S = 0.3
"""What could be known is on the screen so soon after that instant."""


def before_the_fire(make: Callable[[], Session], entries: list[Entry]) -> tuple[Trial, LiveView]:
    """The first trial as it came out, and the view when its marker had not come yet."""
    whole = make()
    whole.take(entries)
    trial = whole.trials()[0]
    track = whole.drives[0].tracks[trial.trigger][0]
    assert track.marker is not None
    session = make()
    session.take([one for one in entries if one.number < track.marker.number and one.kind is not EntryKind.CLOSE])
    return trial, build_view(session, Viewing(record="r", recorder=RECORDING, age_s=0.0, revision=1))


def known_before(trial: Trial) -> list[str]:
    """What kept the trial from being valid and could be known in time: findings by code, conditions by name."""
    assert trial.fired_at is not None
    codes = [
        one.code
        for one in trial.findings
        if one.severity != "note"
        and FINDING_REASONS[one.code].known == "before"
        and (one.at is None or one.at <= trial.fired_at - SOON_S or one.code in ("clock-drift", "slow-motion"))
    ]
    # what a driver does at the fire itself, such as where the eyes are, nobody can know before
    scripted = ("van braking",)
    gaps = [one for one in trial.findings if one.code in ("witness-gap", "window-cut")]
    return codes + [
        one.name
        for one in trial.conditions
        if one.required and one.result != "met" and one.name not in scripted and not gaps
    ]


@pytest.mark.slow
@pytest.mark.parametrize("scenario", SCENARIOS)
def test_a_scenario_that_can_be_known_is_not_ready(scenario: str) -> None:
    plan = SimulationPlan(scenario=scenario, seed=1, rate_hz=20.0, group="chime")
    entries = simulated.entries_of(plan)
    whole = Session(simulated.dusk_road(), simulated.opening_of(plan))
    whole.take(entries)
    if not any(one.fired_at is not None for one in whole.trials()[:1]):
        return  # nothing fired: `test_heading` has that
    trial, view = before_the_fire(lambda: Session(simulated.dusk_road(), simulated.opening_of(plan)), entries)
    head = over_the_ladder(view)
    if known_before(trial):
        assert head is None or head.word != "READY", known_before(trial)
    elif trial.verdict == "valid":
        assert head is not None
        assert head.word == "READY", head


TEXT = STUDY.replace("[groups.chime]", '[scenarios]\ndusk-road = "d"\n[groups.chime]', 1)
PAUSED: list[Mark] = [(8.5, "pause", "", {}), (8.5, "resume", "", {})]
NO_ALERT_LATER = [(10.3, "alert_on", "alert", {"modality": "sound", "measured": True})]

CASES: dict[str, tuple[HandDrive, dict[str, Any]]] = {
    "not-naive": (HandDrive(), {"exposures": ({"surprise_class": "rear-end", "naive": "no", "record": "x"},)}),
    "naive-unknown": (HandDrive(), {"exposures_known": False}),
    "group-unknown": (HandDrive(group=None), {"group": None}),
    "group-mismatch": (HandDrive(group="no-alert"), {}),
    "participant-mismatch": (HandDrive(participant="Q13"), {}),
    "scenario-mismatch": (HandDrive(scenario="night"), {}),
    "paused-in-window": (HandDrive(markers=[*PAUSED, *NO_ALERT_LATER]), {}),
    "collision-before-fire": (HandDrive(markers=[(8.0, "collision", "", {}), *NO_ALERT_LATER]), {}),
    "trigger-unknown": (HandDrive(markers=[(8.0, "trigger", "gate-brak", {}), *NO_ALERT_LATER]), {}),
    "witness-gap": (HandDrive(lost_frames=frozenset(range(510, 516))), {}),
    "display-stutter": (HandDrive(wall=lambda t: 1_789_000_000.0 + t + (0.5 if t > 9.5 else 0.0)), {}),
    "slow-motion": (HandDrive(wall=lambda t: t * 1.2), {}),
    "implausible-jump": (HandDrive(own=lambda t: {"x": 100.0 + 20.0 * t + (30.0 if t > 8.0 else 0.0)}), {}),
    "channels-disagree": (HandDrive(own=lambda t: {"speed": 1.1 * SPEED}), {}),
    "body-changed": (HandDrive(van=lambda t: {"length": 5.4 if t < 8.0 else 9.0}), {}),
    "clock-drift": (
        HandDrive(
            markers=[
                (1.0, "sync", "tablet", {"clock_s": 1.0}),
                (8.0, "sync", "tablet", {"clock_s": 8.1}),
                *NO_ALERT_LATER,
            ]
        ),
        {},
    ),
}


@pytest.mark.parametrize("code", CASES)
def test_what_is_known_before_the_fire_is_said_before_it(code: str) -> None:
    drive, more = CASES[code]
    study = study_of(TEXT)

    def make() -> Session:
        return Session(study, opening_of(study, **more))

    trial, view = before_the_fire(make, entries_of(drive))
    assert code in [one.code for one in trial.findings], [one.code for one in trial.findings]
    assert FINDING_REASONS[code].known == "before"
    _, head = headings(view)[0]
    ladder = over_the_ladder(view)
    assert ladder is not None
    assert ladder.word in ("NOT YET", "LET IT RUN"), ladder
    assert head.word == ladder.word
    assert head.now
    assert view.outlook is not None
    assert code in [one.code for one in view.outlook.doubts]


@pytest.mark.parametrize(("ahead_s", "word"), [(8.0, "LOSING"), (3.0, "LET IT RUN")])
def test_what_is_lost_is_said_from_thirty_seconds_before_on(ahead_s: float, word: str) -> None:
    study = study_of(TEXT.replace("at_least = 300.0", "at_least = 1000.0"))
    drive = HandDrive(end_t=46.0, fire_t=45.0, markers=[(45.3, "alert_on", "alert", {"modality": "sound"})])

    def seen(t: float) -> LiveView:
        exposed = ({"surprise_class": "rear-end", "naive": "no", "record": "x"},)
        session = Session(study, opening_of(study, exposures=exposed))
        session.take(one for one in entries_of(drive, close=False) if one.monotonic_ns <= t * 1e9)
        return build_view(session, Viewing(record="r", recorder=RECORDING, age_s=0.0, revision=1))

    assert headings(seen(45.0 - 31.0))[0][1].word == "READY"
    assert headings(seen(45.0 - ahead_s))[0][1].word == word


def test_every_finding_says_when_it_can_be_known() -> None:
    """Codes that neither a scenario nor a case above shows are named here, so that a new one is not forgotten."""
    elsewhere = {
        *("condition-not-met", "comfort-high", "marker-lost", "lead-changed", "clock-unsure", "axis-implausible"),
        *("braking-before-hazard", "accelerator-released-before", "channel-frozen", "unit-implausible"),
        *("pedal-saturated", "pedal-offset", "platform-stopped"),
        *("signal-implausible", "pedals-not-measured", "braking-unsure", "clock-jumped", "sequence-reset"),
    }
    before = {code for code, one in FINDING_REASONS.items() if one.known == "before" and one.severity != "note"}
    assert before == elsewhere | set(CASES), before ^ (elsewhere | set(CASES))

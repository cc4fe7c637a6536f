"""The five kinds of studies: a clean and three faulty drives each, with the verdict and the reason that they must have.

Drives are simulated at 20 Hz and judged in this process: no sockets, no clock.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from monitor.errors import WitnessError
from monitor.judging.case.trial import Trial
from monitor.simulation.kinds.crossing import ALONG_M, FOOTPATH_M, footpath_place
from monitor.simulation.kinds.following import EVENTS, ORDERS
from monitor.simulation.kinds.making import make_drive
from monitor.simulation.kinds.scene import Scene
from monitor.simulation.kinds.take_over import ROADWORKS_M
from monitor.simulation.plan import SimulationPlan, first_group
from monitor.simulation.repertoire import DEMO, KINDS
from monitor.study.demo import demo_study
from tests.judging.simulated import session_of

CONFIGS = Path(__file__).parents[2] / "configs" / "kinds"
STUDIES = sorted(set(KINDS) - {DEMO})


@dataclass(frozen=True)
class Faulty:
    """One trial of a faulty drive that is not valid: by which findings and conditions."""

    number: int
    verdict: str
    findings: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    timing: str = "on time"


@dataclass(frozen=True)
class Drives:
    """What the drives of a kind must give: so many trials in the clean one, and what is wrong in the others."""

    trials: int
    faulty: dict[str, tuple[int, tuple[Faulty, ...]]] = field(default_factory=dict)
    """Scenario → number of trials, and those that are not valid."""


EXPECTED = {
    "rear-end": Drives(
        1,
        {
            "gap-too-long": (1, (Faulty(1, "invalid", (), ("time gap",)),)),
            "catching-up": (1, (Faulty(1, "invalid", (), ("gap held",)),)),
            "wrong-alert": (1, (Faulty(1, "invalid", ("alert-wrong",)),)),
        },
    ),
    "lane-departure": Drives(
        5,
        {
            "one-missed": (5, (Faulty(3, "invalid", ("trigger-missed",), timing="missed"),)),
            "one-too-many": (
                6,
                (Faulty(4, "invalid", ("fired-early",), ("drift", "out of the middle"), timing="early"),),
            ),
            "late-alert": (5, (Faulty(2, "undecided", ("alert-late",)),)),
        },
    ),
    "crossing": Drives(
        1,
        {
            "too-slow": (1, (Faulty(1, "invalid", (), ("own speed",)),)),
            "walker-stays": (1, (Faulty(1, "invalid", ("hazard-missing",), ("walker walks",)),)),
            "early-step": (1, (Faulty(1, "invalid", ("fired-early",), timing="early"),)),
        },
    ),
    "take-over": Drives(
        1,
        {
            "hands-on": (1, (Faulty(1, "invalid", (), ("hands off",)),)),
            "no-request": (1, (Faulty(1, "invalid", ("alert-missing",)),)),
            "automation-off-early": (
                1,
                (Faulty(1, "invalid", (), ("automation drives", "hands off", "out of the loop")),),
            ),
        },
    ),
    "following": Drives(
        EVENTS,
        {
            "one-missed": (EVENTS, (Faulty(7, "invalid", ("trigger-missed",), timing="missed"),)),
            "wrong-treatment": (EVENTS, (Faulty(7, "invalid", ("alert-wrong",)),)),
            "falls-back": (
                EVENTS,
                (Faulty(15, "invalid", (), ("time gap",)), Faulty(16, "invalid", (), ("time gap",))),
            ),
        },
    ),
}
FAULTY = [(kind, scenario) for kind, drives in EXPECTED.items() for scenario in drives.faulty]


def drive(kind: str, scenario: str, *, seed: int = 1, group: str | None = None) -> tuple[Trial, ...]:
    plan = SimulationPlan(
        kind=kind, scenario=scenario, seed=seed, rate_hz=20.0, group=group or first_group(kind), participant="Q01"
    )
    return session_of(plan, demo_study(kind)).trials()


def weighty(trial: Trial) -> set[str]:
    return {one.code for one in trial.findings if one.severity != "note"}


def test_every_kind_has_its_drives_here() -> None:
    assert sorted(EXPECTED) == STUDIES
    for kind in STUDIES:
        assert len(EXPECTED[kind].faulty) >= 3
        if not KINDS[kind].drives_dusk_road:
            assert set(EXPECTED[kind].faulty) == set(KINDS[kind].scenarios) - {"clean"}


@pytest.mark.parametrize("kind", STUDIES)
@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.slow
def test_a_clean_drive_is_valid_in_every_group(kind: str, seed: int) -> None:
    for group in KINDS[kind].groups:
        trials = drive(kind, "clean", seed=seed, group=group)
        assert len(trials) == EXPECTED[kind].trials
        for trial in trials:
            assert (trial.verdict, weighty(trial), trial.timing.result) == ("valid", set(), "on time"), trial
            assert trial.response is not None
            assert trial.response.outcome == "responded", (group, trial.id, trial.response)


@pytest.mark.parametrize(("kind", "scenario"), FAULTY)
def test_a_faulty_drive_has_its_verdict_and_its_reason_and_no_other_one(kind: str, scenario: str) -> None:
    number, faulty = EXPECTED[kind].faulty[scenario]
    trials = drive(kind, scenario)
    assert len(trials) == number
    wrong = {one.number: one for one in faulty}
    for trial in trials:
        expected = wrong.get(trial.occurrence)
        if expected is None:
            assert (trial.verdict, weighty(trial)) == ("valid", set()), trial
            continue
        assert (trial.verdict, trial.timing.result) == (expected.verdict, expected.timing)
        assert weighty(trial) == set(expected.findings)
        assert {one.name for one in trial.conditions if one.result == "not met"} == set(expected.conditions)


@pytest.mark.slow
def test_the_treatments_follow_the_participants_order() -> None:
    for group, order in ORDERS.items():
        names = {("sound",): "chime", (): "silent"}
        wanted = [names[given] for _ in range(2) for given in order for _ in range(5)]
        assert [trial.treatment for trial in drive("following", "clean", group=group)] == wanted


def test_the_study_files_have_the_places_of_their_drives() -> None:
    crossing = demo_study("crossing").points["footpath"]
    scene = make_drive(SimulationPlan(kind="crossing", group="chime"))
    assert isinstance(scene, Scene)
    assert (crossing.station_m, crossing.along_m) == (FOOTPATH_M, ALONG_M)
    assert (crossing.x_m, crossing.y_m) == pytest.approx(footpath_place(scene), abs=0.01)
    assert demo_study("take-over").points["roadworks"].station_m == ROADWORKS_M


@pytest.mark.parametrize("kind", STUDIES)
def test_each_study_is_a_manual_of_its_kind_with_tags(kind: str) -> None:
    text = (CONFIGS / f"{kind}.toml").read_text(encoding="utf-8")
    study = demo_study(kind)
    assert study.name == kind
    assert f"demo --study-kind {kind}" in text
    assert any("before use" in one or "before the study begins" in one for one in study.cautions)
    tags = re.findall(r"\[(seen|from memory|computed|common practice)", text.replace("\n# ", " "))
    assert len(tags) >= 8
    assert set(KINDS[kind].groups) == set(study.groups)
    assert KINDS[kind].feed_scenario in study.scenarios


@pytest.mark.parametrize(
    ("kind", "scenario", "group", "words"),
    [
        ("folowing", "clean", "chime", "no kind of drive 'folowing'; did you mean following or crossing?"),
        ("crossing", "gap-too-long", "chime", "no scenario 'gap-too-long'; "),
        ("crossing", "clean", "seat-pulse", "no alert group 'seat-pulse'; there are chime, no-alert"),
    ],
)
def test_wrong_names_are_refused_with_the_nearest_right_one(kind: str, scenario: str, group: str, words: str) -> None:
    with pytest.raises(WitnessError, match=re.escape(words)):
        SimulationPlan(kind=kind, scenario=scenario, group=group)

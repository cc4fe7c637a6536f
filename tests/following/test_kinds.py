"""The other kinds of studies before their fires: nobody is told to wait for what the rule or time brings about."""

from __future__ import annotations

import pytest

from monitor.following.building import Viewing, build_view
from monitor.following.heading.table import headings, over_the_ladder
from monitor.following.view import LiveView
from monitor.judging.case.trial import Trial
from monitor.judging.session import Session
from monitor.record.entries import EntryKind
from monitor.screens.drawing.picture import Picture
from monitor.screens.panels.outlook import draw_outlook
from monitor.simulation.plan import SimulationPlan, first_group
from monitor.study.demo import demo_study
from tests.following.test_promise import RECORDING, known_before
from tests.judging import simulated
from tests.judging.hand import HandDrive, entries_of, opening_of, study_of
from tests.judging.test_repeated import EVENTS, STUDY, often
from tests.simulation.test_kinds import EXPECTED


def ahead_of_each(kind: str, scenario: str) -> list[tuple[Trial, LiveView]]:
    """Each fired trial as it came out, and the view when its marker had not come yet."""
    study = demo_study(kind)
    plan = SimulationPlan(kind=kind, scenario=scenario, seed=1, rate_hz=20.0, group=first_group(kind))
    entries = [one for one in simulated.entries_of(plan, study) if one.kind is not EntryKind.CLOSE]
    whole = Session(study, simulated.opening_of(plan, study))
    whole.take(entries)
    fired = [
        (track.marker.number, f"1/{name}/{track.occurrence}")
        for name, tracks in whole.drives[0].tracks.items()
        for track in tracks
        if track.marker is not None
    ]
    trials = {one.id: one for one in whole.trials()}
    session, seen = Session(study, simulated.opening_of(plan, study)), []
    at = 0
    for number, trial in sorted(fired):
        upto = next(place for place, one in enumerate(entries) if one.number == number)
        session.take(entries[at:upto])
        at = upto
        seen.append(
            (trials[trial], build_view(session, Viewing(record="r", recorder=RECORDING, age_s=0.0, revision=1)))
        )
    return seen


@pytest.mark.parametrize(
    ("kind", "scenario"), [(kind, name) for kind, drives in EXPECTED.items() for name in ("clean", *drives.faulty)]
)
@pytest.mark.slow
def test_ready_is_a_promise_of_every_kind(kind: str, scenario: str) -> None:
    for trial, view in ahead_of_each(kind, scenario):
        head = over_the_ladder(view)
        # what READY names as still to come is not promised, and what the walker does after the fire nobody can know
        known = [
            one for one in known_before(trial) if one != "walker walks" and one not in (head.sentence if head else "")
        ]
        if known:
            assert head is None or head.word != "READY", (trial.id, known)
        elif trial.verdict == "valid":
            assert head is not None
            assert head.word == "READY", (trial.id, head)


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("following", [f"NEXT lead-slows, {n} of 20" for n in range(1, 21)]),
        ("lane-departure", [f"NEXT lane-alert, {n} of any number" for n in range(1, 6)]),
        ("crossing", ["NEXT walker-steps-off  "]),
    ],
)
@pytest.mark.slow
def test_the_ladder_says_which_of_several_is_next(kind: str, words: list[str]) -> None:
    titles = [draw_outlook(Picture(view), 80, 10).text().splitlines()[0] for _, view in ahead_of_each(kind, "clean")]
    assert len(titles) == len(words)
    for title, wanted in zip(titles, words, strict=True):
        assert title.strip().startswith(wanted), title


@pytest.mark.slow
def test_one_of_many_that_counts_gives_way_when_it_is_over() -> None:
    heads = [headings(view)[0][1] for _, view in ahead_of_each("following", "clean")]
    assert {head.word for head in heads} == {"READY"}
    # one that is lost stays until somebody has seen it
    heads = [headings(view)[0][1] for _, view in ahead_of_each("following", "wrong-treatment")]
    assert [head.word for head in heads] == ["READY"] * 7 + ["INVALID"] * 13
    assert heads[7].sentence.startswith("lead-slows, number 7: ")


SINCE = """
[[trigger.condition]]
name = "since the last one"
measure = "time_since"
event = "trigger"
named = "slows"
at_least = 3.0
"""


def seen_at(t: float, text: str, drive: HandDrive) -> LiveView:
    study = study_of(text)
    session = Session(study, opening_of(study))
    session.take(one for one in entries_of(drive, close=False) if one.monotonic_ns <= t * 1e9)
    return build_view(session, Viewing(record="r", recorder=RECORDING, age_s=0.0, revision=1))


def test_what_time_brings_about_is_not_promised_of_an_event_that_may_come_at_once() -> None:
    view = seen_at(10.0, STUDY.replace("[trigger.hazard]", f"{SINCE}[trigger.hazard]"), often(EVENTS))
    assert view.outlook is not None
    row = view.outlook.rows[-1]
    assert (row.condition.result, row.foreseen, row.trend) == ("not met", "to come", 1)
    head = over_the_ladder(view)
    assert head is not None
    assert head.word == "LATER"
    assert head.sentence == "slows comes as it comes; now out: since the last one."


def test_within_the_refractory_time_nothing_is_near() -> None:
    # the second time that the speed comes up to the edge is 4 s after the first, on a line that is seen to rise
    text = STUDY.replace('measure = "pulse"\nat_least = 0.5\nedge', 'measure = "speed"\nat_least = 20.5\nedge', 1)

    def speed(t: float) -> float:
        return 20.0 + max(0.0, t - 6.6 if t < 8.0 else 0.19 * (t - 8.5))

    drive = often((7.1,), own=lambda t: {"speed": speed(t)})
    long = text.replace("refractory_s = 2.0", "refractory_s = 30.0")
    near = [seen_at(11.0, one, drive).outlook for one in (text, long)]
    assert [one is not None and one.seconds_left is not None for one in near] == [True, False]

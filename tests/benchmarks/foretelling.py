"""What the screen says before a fire: how long before it each deviation is told, and what that costs over clean drives.

Every scenario of the simulation is walked with the views that a screen would have been given, twice a second. A lead
time is from the first word that says so and stays to the fire. Beside it stands what the drive allows, from the drive
itself and no code of the monitor's: since when anything at all of it was otherwise than in the same drive without the
fault (before that nobody can know), and, of an own channel with a band, since when it was out of it (before that a
driver may do nothing wrong yet). The price is what would have been said of approaches that turn out valid: LOSING or
HOLD where nothing was lost, and a heading that changes its mind.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Iterator
from itertools import groupby, pairwise

from monitor.following.building import Viewing, build_view
from monitor.following.coming.channels import ChannelWatch
from monitor.following.heading.table import over_the_ladder
from monitor.following.view import RecorderView
from monitor.judging.session import Session
from monitor.record.entries import Entry
from monitor.simulation.kinds.making import make_drive, steps_of
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.scenarios import SCENARIOS
from monitor.simulation.steps import DriveStep
from tests.benchmarks.measuring import Figure
from tests.judging import simulated

CLEAN_A_ROUND = 60
RATE_HZ = 20.0
STEP_S = 0.5
FROM_S = 20.0
ABOUT_S = 15.0
"""How often a heading changes is counted in this much before a fire."""
SAYS_SO = ("LOSING", "HOLD", "LET IT RUN", "NOT YET", "STOP", "GROUP?", "PARTICIPANT?", "SCENARIO?")
RECORDING = RecorderView("recording", 400.0, 0, "")

Walk = list[tuple[float, str]]
"""Seconds before the fire, and the word over the ladder."""


def plan_of(scenario: str, seed: int) -> SimulationPlan:
    """The plan of a drive."""
    return SimulationPlan(scenario=scenario, seed=seed, rate_hz=RATE_HZ, group="chime")


def allowed(scenario: str, seed: int, fires: list[tuple[str, float]]) -> list[str]:
    """What the drive allows to be told before each fire, in words."""
    drive = list(steps_of(make_drive(plan_of(scenario, seed))))
    twin = list(steps_of(make_drive(plan_of("clean", seed))))
    differs = (one.t for one, other in zip(drive, twin, strict=False) if _sent(one) != _sent(other))
    from_t = next(differs, drive[-1].t)
    found = []
    for trigger, fired_t in fires:
        shows_s = max(fired_t - from_t, 0.0)
        said = "otherwise from the start" if shows_s >= FROM_S else f"otherwise from {shows_s:.1f} s before on"
        out = [f"{name} out for {seconds:.1f} s" for name, seconds in _out_for(drive, trigger, fired_t)]
        found.append(", ".join([said, *out]) if shows_s > 0.0 else "nothing otherwise before the fire")
    return found


def _sent(step: DriveStep) -> tuple[object, ...]:
    return step.wall, step.lost, step.own, step.others, step.signals, step.markers


def _out_for(drive: list[DriveStep], trigger: str, fired_t: float) -> Iterator[tuple[str, float]]:
    """Conditions on own channels that are out of their band at the fire, and for how long they have been."""
    conditions = next(one.conditions for one in simulated.dusk_road().triggers if one.name == trigger)
    before = [one for one in drive if one.t <= fired_t]
    for condition in conditions:
        name, band = condition.measure.name, condition.band
        if condition.measure.role is None and name in before[-1].own and condition.required:
            within = [one.t for one in before if band.contains_one(one.own[name])]
            out_s = fired_t - (within[-1] if within else before[0].t)
            if not band.contains_one(before[-1].own[name]):
                yield condition.name, out_s


def walked(scenario: str, seed: int) -> list[tuple[str, str, Walk, str]]:
    """Trigger, verdict and walk of each fire of a drive, and what the drive allows."""
    plan = plan_of(scenario, seed)
    session = Session(simulated.dusk_road(), simulated.opening_of(plan))
    channels = ChannelWatch()
    told: list[tuple[str, float, str]] = []
    for entries in _pieces(simulated.entries_of(plan)):
        session.take(entries)
        view = build_view(session, Viewing(record="r", recorder=RECORDING, age_s=0.0, revision=1), channels=channels)
        head = over_the_ladder(view)
        if head is not None and view.outlook is not None and view.t is not None:
            told.append((view.outlook.trigger, view.t, head.word))
    fired = [(one.trigger, one.verdict, one.fired_at) for one in session.trials() if one.fired_at is not None]
    allows = [""] * len(fired)
    if scenario != "clean":
        allows = allowed(scenario, seed, [(trigger, fired_t) for trigger, _, fired_t in fired])
    return [
        (
            trigger,
            verdict,
            [(fired_t - t, word) for name, t, word in told if name == trigger and 0.0 < fired_t - t <= FROM_S],
            drive_allows,
        )
        for (trigger, verdict, fired_t), drive_allows in zip(fired, allows, strict=True)
    ]


def _pieces(entries: list[Entry]) -> Iterator[list[Entry]]:
    """What comes in from one look to the next."""
    for _, piece in groupby(entries, lambda one: one.monotonic_ns // round(STEP_S * 1e9)):
        yield list(piece)


def lead_s(walk: Walk) -> tuple[float, list[str]]:
    """Since when, before the fire, what was said said so without a break, and the words; 0 where none did."""
    since, words = 0.0, list[str]()
    for before_s, said in reversed(walk):
        if said not in SAYS_SO:
            break
        since, words = before_s, [said, *words]
    return since, [word for word, _ in groupby(words)]


def measure(rounds: int) -> list[Figure]:
    """Lead times of all scenarios, then the price over clean drives of both triggers."""
    with multiprocessing.get_context("spawn").Pool(os.cpu_count()) as pool:
        drives = pool.starmap(walked, [(scenario, 1) for scenario in SCENARIOS if scenario != "clean"])
        clean = pool.starmap(walked, [("clean", seed) for seed in range(1, CLEAN_A_ROUND * rounds + 1)])
    figures = []
    for scenario, fires in zip((one for one in SCENARIOS if one != "clean"), drives, strict=True):
        for trigger, verdict, walk, drive_allows in fires:
            seconds, words = lead_s(walk)
            if verdict != "valid":
                remark = f"{verdict}; {', '.join(words) or 'not told before'}; {drive_allows}"
                figures.append(Figure(f"told before the fire: {scenario}, {trigger}", (seconds,), "s", remark=remark))
    for trigger in dict.fromkeys(trigger for fires in clean for trigger, *_ in fires):
        walks = [walk for fires in clean for name, verdict, walk, _ in fires if name == trigger and verdict == "valid"]
        figures += _price(trigger, walks)
    return figures


def _price(trigger: str, walks: list[Walk]) -> list[Figure]:
    of = f"of {len(walks)} clean approaches"
    losing = [sum(word in ("LOSING", "LET IT RUN") for _, word in walk) for walk in walks]
    holding = [sum(word == "HOLD" and at <= ABOUT_S for at, word in walk) for walk in walks]
    changes = [
        sum(one[1] != other[1] for one, other in pairwise([at for at in walk if at[0] <= ABOUT_S])) for walk in walks
    ]
    return [
        Figure(f"{trigger}: LOSING said in vain", (float(sum(map(bool, losing))),), "", at_most=0.0, remark=of),
        Figure(
            f"{trigger}: HOLD said in vain in the last {ABOUT_S:.0f} s",
            (float(sum(map(bool, holding))),),
            "",
            remark=of,
        ),
        Figure(
            f"{trigger}: changes of the heading in the last {ABOUT_S:.0f} s",
            (float(max(changes, default=0)),),
            "",
            at_most=2.0,
            remark=f"the most {of}",
        ),
    ]

"""The drives of an exercise: what each is, what is to be seen in it, and the seeded series that is drawn of them.

Which verdict each comes to is judged like any other drive's; that the table says the same is a test.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from monitor.judging.case.trial import Verdict

Kind = Literal["good", "told before", "told at the fire", "hazard and alert", "task and driver", "feed"]

PLANNED_GROUP, ANOTHER_GROUP = "chime", "seat-pulse"
ANOTHER_CODE = "DRILL-99"
MOST_DRIVES = 40
"""Participant codes of an exercise have two digits, and nobody is attentive for longer."""


@dataclass(frozen=True, slots=True)
class Case:
    """One kind of drive. `verdict` is what it comes to when nobody does anything."""

    name: str
    kind: Kind
    verdict: Verdict
    to_be_seen: str
    scenario: str
    """Of the simulation."""
    group: str = PLANNED_GROUP
    """What the simulator has loaded."""
    code: str | None = None
    """What the simulator calls the participant, where that is another one than planned."""


def _case(kind: Kind, verdict: Verdict, name: str, to_be_seen: str, **more: str) -> Case:
    return Case(name, kind, verdict, to_be_seen, **{"scenario": name, **more})


_ALL = (
    _case("good", "valid", "clean", "READY all along: let it fire, and confirm VALID."),
    _case("good", "valid", "collision", "The driver hits the van: the response is censored, the trial valid."),
    _case("good", "valid", "no-response", "The driver does nothing: no response is a valid trial."),
    _case("good", "valid", "steers-only", "The driver steers aside and does not brake: a response like any other."),
    _case("good", "valid", "anticipating", "The driver brakes before the alert: an outcome, no reason to reject it."),
    _case("good", "valid", "two-footed", "A foot rests on the brake: a note beside the trial, which counts."),
    _case("good", "valid", "catching-up", "HOLD, then READY in time: who stops at HOLD loses a good trial."),
    _case(
        "told before",
        "invalid",
        "gap-too-long",
        "The time gap is 2.6 s and stays so: HOLD, then LOSING.",
    ),
    _case(
        "told before", "undecided", "frozen-speed", "The speed stands while the car moves: LOSING well before the fire."
    ),
    _case("told before", "undecided", "wrong-units", "The speed comes in km/h: LOSING from the first second."),
    _case("told before", "undecided", "mirrored-axes", "Yaw rate and lane offset have the wrong sign: LOSING."),
    _case("told before", "undecided", "pedal-stuck", "The accelerator's channel stands still: LOSING."),
    _case("told before", "undecided", "pedal-offset", "The brake pedal is not zero at rest: LOSING."),
    _case("told before", "undecided", "clock-drift", "The task tablet's clock runs away: LOSING."),
    _case(
        *("told before", "invalid", "another-group", "NOT YET: the simulator has another group loaded; hold it back."),
        scenario="clean",
        group=ANOTHER_GROUP,
    ),
    _case(
        *("told before", "undecided", "another-person", "NOT YET: the simulator names another participant."),
        scenario="clean",
        code=ANOTHER_CODE,
    ),
    _case("told at the fire", "invalid", "too-slow", "65 km/h: HOLD for long, then LET IT RUN; rule INVALID."),
    _case("told at the fire", "invalid", "drifting", "Out of the lane in the last three seconds: too late to stop."),
    _case("told at the fire", "invalid", "eyes-up", "The driver looks up at the fire: nobody can stop that in time."),
    _case("told at the fire", "invalid", "already-braking", "The driver brakes before the hazard: rule INVALID."),
    _case("told at the fire", "undecided", "intruder", "Another car cuts in before the fire: never valid as it is."),
    _case("told at the fire", "invalid", "early-fire", "It fires half a second before its place: INVALID."),
    _case("told at the fire", "undecided", "late-fire", "It fires a quarter of a second late: never valid as it is."),
    _case("told at the fire", "invalid", "never-fired", "NOT FIRED: its rule held and nothing came; INVALID."),
    _case("hazard and alert", "invalid", "soft-braking", "The van brakes too gently: INVALID a second later."),
    _case("hazard and alert", "invalid", "no-hazard", "The van does not brake at all: INVALID."),
    _case("hazard and alert", "invalid", "wrong-alert", "Another alert than the group's: INVALID."),
    _case("hazard and alert", "invalid", "silent-alert", "No alert came: INVALID three seconds after the fire."),
    _case("hazard and alert", "undecided", "late-alert", "The alert came too late: never valid as it is."),
    _case("hazard and alert", "undecided", "doubled-alert", "The alert was given twice: never valid as it is."),
    _case("task and driver", "invalid", "task-missing", "No arrows on the tablet when it fired: INVALID."),
    _case("task and driver", "undecided", "task-ended-early", "The task ended too soon: never valid as it is."),
    _case("task and driver", "undecided", "task-slow-items", "The arrows came too slowly: never valid as it is."),
    _case("task and driver", "undecided", "coasting", "Off the accelerator before the hazard: never valid as it is."),
    _case("feed", "undecided", "frames-lost", "Frames about the fire are missing here: nobody can call it valid."),
    _case("feed", "invalid", "stutter", "The picture stood still for the driver: INVALID."),
)

CASES: Mapping[str, Case] = {case.name: case for case in _ALL}


@dataclass(frozen=True, slots=True)
class SeriesDrive:
    """One drive of a series: its case, and the seed of its simulation."""

    case: Case
    seed: int


def draw_series(seed: int, drives: int) -> tuple[SeriesDrive, ...]:
    """So many drives in a blind order: a third to a half of them good, the losses of each kind in turn.

    How many are good is drawn, too: whoever has counted knows nothing of the last one.
    """
    source = random.Random(seed)
    good = source.randint(max(1, drives // 3), max(1, drives // 2))
    chosen: list[Case] = []
    kinds = sorted({case.kind for case in _ALL} - {"good", "told before"})
    source.shuffle(kinds)
    while len(chosen) < drives - good:
        # every second loss is one that can still be stopped: that is what the exercise is for
        kind = "told before" if len(chosen) % 2 == 0 else kinds[(len(chosen) // 2) % len(kinds)]
        fresh = [case for case in _ALL if case.kind == kind and case not in chosen]
        chosen.append(source.choice(fresh or [case for case in _ALL if case.kind == kind]))
    clean = [CASES["clean"]] * (good - good // 2)
    others = [case for case in _ALL if case.kind == "good" and case.name != "clean"]
    chosen += clean + [source.choice(others) for _ in range(good // 2)]
    source.shuffle(chosen)
    return tuple(SeriesDrive(case, source.randint(1, 10_000)) for case in chosen)
